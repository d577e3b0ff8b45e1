"""Engraved pages read back: `page_reader.read_page` is the way in."""
