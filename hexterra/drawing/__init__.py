"""Drawings in millimetres, and their forms: SVG, PDF and DXF; the map of a board."""
