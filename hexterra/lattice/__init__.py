"""Hexagons: their arithmetic, their neighbour and corner tables, on the table and on the globe."""
