"""The best tiles for a board: prices, bounds, local search and proof."""
