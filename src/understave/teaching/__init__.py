"""What is taught, as values: stops, story, contrasts, exercises, worked examples; no file is known."""
