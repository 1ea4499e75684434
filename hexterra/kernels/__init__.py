"""Numeric loops on bare arrays, compiled by numba; called by stages and fidelity only."""
