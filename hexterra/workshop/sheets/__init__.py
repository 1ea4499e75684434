"""How pieces come out of foam sheets, wood and boxes."""
