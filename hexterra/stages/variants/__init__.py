"""Boards that start from another: one cell changed, or several boards from one set of pieces."""
