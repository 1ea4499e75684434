"""Which boards a raster can show, and where the board of a brief lies."""
