"""How true the built board is to the ground: heights, landforms, water, and who sees whom."""
