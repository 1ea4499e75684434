"""Guides and drawings at full size."""
