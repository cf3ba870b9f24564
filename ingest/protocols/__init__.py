"""Meter protocols as pure code: no input or output, no clock."""
