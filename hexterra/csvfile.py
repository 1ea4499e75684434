"""CSV files that spreadsheets open safely: how tables are written, and read back."""

from __future__ import annotations

import csv
import math
import re
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import pandas as pd

#: Decimals that fractions are written with.
DECIMALS: Final = {
    "x_mm": 3,
    "y_mm": 3,
    "lon": 7,
    "lat": 7,
    "height_m": 3,
    "coverage": 4,
    "residual_m": 3,
    "thickness_mm": 3,
    "cover_share": 4,
    "area_cm2": 1,
    "length_mm": 0,
}

#: How a text begins that a spreadsheet takes for a formula, or would but for apostrophes before.
_FORMULA: Final = re.compile(r"'*[=+\-@\t\r]")


def csv_text(frame: pd.DataFrame) -> str:
    """Write a table as CSV: line feeds, and every fraction with its fixed `DECIMALS`.

    A text that a spreadsheet would run as a formula gets an apostrophe before it, which
    `CsvReader` takes off again.
    """
    columns: dict[str, Any] = {}
    for name in frame.columns:
        values = frame[name].tolist()
        if name in DECIMALS:
            columns[name] = [fixed(value, DECIMALS[name]) for value in values]
        elif any(isinstance(value, str) and _FORMULA.match(value) for value in values):
            columns[name] = [f"'{text}" if _FORMULA.match(text) else text for text in values]
    return frame.assign(**columns).to_csv(index=False, lineterminator="\n")


class CsvReader(csv.DictReader):  # pyright: ignore[reportMissingTypeArgument] - from 3.12 on
    """Reads a table that `csv_text` wrote, or its like, row by row: fields by column."""

    def __next__(self) -> dict[str | Any, str | Any]:
        """Return the next row; an apostrophe before what looks like a formula is taken off."""
        return {name: _unmarked(text) for name, text in super().__next__().items()}


def _unmarked(text: Any) -> Any:
    is_marked = isinstance(text, str) and text.startswith("'") and _FORMULA.match(text)
    return text[1:] if is_marked else text


def fixed(value: float, decimals: int) -> str:
    """Write a number with this many decimals, zero without a sign, and what is missing as ""."""
    if math.isnan(value):
        return ""
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text
