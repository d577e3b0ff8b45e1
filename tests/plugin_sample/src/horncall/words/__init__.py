"""The words of this package, a folder for each language."""
