"""Audits: tables and bytes held against each other. No file is opened here."""
