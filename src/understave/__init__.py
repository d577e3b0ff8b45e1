"""Understave: from a piano score to a checked harmonic reading, playing decisions and a lesson."""

__version__ = "0.1.0"
