"""Score to Reading: chords, keys and their reasons."""
