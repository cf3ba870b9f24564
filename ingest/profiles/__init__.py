"""Meter profiles: one TOML file teaches the program one meter or one export layout."""
