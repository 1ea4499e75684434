"""Pieces and boards as closed meshes: STL, 3MF and GLB."""
