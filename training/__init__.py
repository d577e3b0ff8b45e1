"""Corpus to examples to network to weights. Not shipped in the wheel."""
