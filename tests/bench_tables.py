"""Sheets as the tests write them: by size."""

from __future__ import annotations

from hexterra.brief.bench_sections import SheetBrief


def sheet_of(thickness_mm: float, length_mm: float = 1250.0, width_mm: float = 600.0) -> SheetBrief:
    """Make a sheet without a price."""
    return SheetBrief(thickness_mm=thickness_mm, length_mm=length_mm, width_mm=width_mm)
