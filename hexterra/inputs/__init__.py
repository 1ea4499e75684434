"""All files that a brief names, read once: catalogue, stock, earlier plans and maps."""
