"""Export files (CSV and spreadsheets) to readings and refusals."""
