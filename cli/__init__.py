"""The program as people run it."""
