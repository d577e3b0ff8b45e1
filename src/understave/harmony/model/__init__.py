"""The trained network: what it sees, its weights and its run time."""
