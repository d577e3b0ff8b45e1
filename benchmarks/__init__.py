"""Measurements of accuracy and speed on open data; each module prints a table when run."""
