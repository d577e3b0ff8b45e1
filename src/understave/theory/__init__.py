"""Spelled pitch, interval, key, chord, Roman numeral and figured bass. Knows no score."""
