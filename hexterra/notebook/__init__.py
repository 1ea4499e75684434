"""Pictures of values for Jupyter."""
