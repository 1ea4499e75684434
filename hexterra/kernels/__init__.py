"""Numeric loops on bare arrays, compiled by numba; imported by stages only."""
