"""The reading in other forms: data, annotated score, text."""
