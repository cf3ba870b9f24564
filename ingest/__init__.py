"""Bytes to tables: evidence is kept first, then read into readings and refusals, jobs and appliances."""
