"""Tables to tables: matching, flags, verdicts, certificates. Only emit writes files."""
