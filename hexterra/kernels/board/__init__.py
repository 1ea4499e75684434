"""Compiled loops on the cells of a lattice."""
