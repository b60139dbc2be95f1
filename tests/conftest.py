"""Puts this folder on the import path, so that every test can say `from rooms import ...`."""
