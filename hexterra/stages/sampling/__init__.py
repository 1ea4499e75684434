"""Ground heights of every cell, from the pixels under it."""
