"""Work in processes of its own, so that what crashes or hangs there costs no more than an answer."""
