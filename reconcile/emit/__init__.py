"""The only writer of datasets."""
