"""From heights to levels that can be built."""
