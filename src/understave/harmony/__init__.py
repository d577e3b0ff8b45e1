"""Score to spans: chords and keys, each with its confidence, its alternatives and its reasons."""
