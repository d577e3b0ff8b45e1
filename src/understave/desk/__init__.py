"""The desk: see, hear, question and correct a reading in the browser, on this machine only."""
