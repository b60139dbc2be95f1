"""Stored results to a page a person can read."""
