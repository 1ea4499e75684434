"""Watercourses on the lattice: from cell heights, or carried over from the pixels."""
