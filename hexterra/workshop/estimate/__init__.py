"""Wire, cuts, hours, weight and cost."""
