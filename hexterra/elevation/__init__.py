"""Elevation in: a description of heights on a pixel grid, read window by window."""
