"""The brief: what a user may ask for, as a TOML file or a `Brief` object."""
