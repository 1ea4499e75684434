"""Where water runs on the pixels of a raster: depressions, directions, streams and lakes."""
