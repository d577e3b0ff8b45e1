"""Horn fifths for Understave, with a small text format, an exporter and an instrument."""
