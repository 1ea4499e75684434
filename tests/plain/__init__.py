"""Slow, plain twins of the kernels: written for reading, not for speed."""
