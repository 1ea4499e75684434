"""Which pieces to make, how many of each, and what stands where."""
