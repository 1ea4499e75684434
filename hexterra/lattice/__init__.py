"""Hexagons: their arithmetic, their neighbour and corner tables, on the table and on the globe."""

from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice

__all__ = ["Board", "Globe", "Lattice"]
