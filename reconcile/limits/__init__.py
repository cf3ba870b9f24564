"""Limits and plans as data: every number with unit, condition, source, edition and how it was confirmed."""
