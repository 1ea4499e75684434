"""Compiled loops on the pixels of a raster."""
