"""The words that everyone uses: quantities, tables, exceptions. No file is read and nothing is judged here."""
