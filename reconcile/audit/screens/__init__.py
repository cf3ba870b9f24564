"""Screens for made-up records, one file each. A screen gives rows; reconcile.audit.screening corrects and rings."""
