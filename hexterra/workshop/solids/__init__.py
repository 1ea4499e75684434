"""The exact shape of everything that is cut."""
