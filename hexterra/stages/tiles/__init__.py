"""From levels to tiles: tops, what is cut into them, and which tiles are alike."""
