"""Lines and areas in: what a map shows, as `Features`, which `ways` and `cover` put on cells."""
