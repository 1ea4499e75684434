"""Numeric loops on bare arrays, compiled by numba; imported by stages only.

A kernel takes contiguous arrays and numbers and trusts its caller: shapes, dtypes and ranges are
checked in the stage above it.
"""

from __future__ import annotations

from pathlib import Path


def are_compiled() -> bool:
    """Tell whether an earlier run left compiled kernels beside the code.

    Where that folder cannot be written, numba keeps them elsewhere and this says False.
    """
    return any((Path(__file__).parent / "__pycache__").glob("*.nbi"))
