"""What maps put on cells: roads, rivers and cover."""
