"""The lesson folder and what is made for teaching from a reading."""
