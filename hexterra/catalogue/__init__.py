"""What a maker can cut: patterns of tops and crossings of water, as editable data."""

from hexterra.catalogue.catalogue import Catalogue, Crossing, Pattern
from hexterra.catalogue.reading import load_catalogue

__all__ = ["Catalogue", "Crossing", "Pattern", "load_catalogue"]
