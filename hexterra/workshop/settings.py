"""From the bench tables of a brief to the workshop's values, checked before anything is made."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, TypeVar, cast

from hexterra.values import Value
from hexterra.workshop.base import BaseSettings
from hexterra.workshop.boxes import Box
from hexterra.workshop.guides import Guides
from hexterra.workshop.rates import Amounts, Finish, Rates, TimedBatch, calibrate
from hexterra.workshop.stock import FoamStock, StockSheet, WoodStock, common_sheets

if TYPE_CHECKING:
    from pydantic import BaseModel

    from hexterra.brief import Brief

_T = TypeVar("_T")


@dataclass(frozen=True, eq=False, repr=False)
class Workshop(Value):
    """All settings of the bench.

    Parameters
    ----------
    foam, wood, rates, finish, box, base, guides
        What sheets, wood, work, finishing, storage, base and guides are like.
    batter_deg
        How far cliff facings lean back.
    """

    foam: FoamStock
    wood: WoodStock
    rates: Rates
    finish: Finish
    box: Box
    base: BaseSettings
    guides: Guides
    batter_deg: float


def workshop_of(brief: Brief) -> Workshop:
    """Read the bench tables of a brief.

    Raises
    ------
    BriefError
        If a setting is out of its range.
    """
    foam, bench = brief.foam, brief.bench
    sheets = (
        common_sheets()
        if foam.sheets is None
        else tuple(StockSheet(**sheet.model_dump()) for sheet in foam.sheets)
    )
    rates = _taken(Rates, bench)
    timed = [TimedBatch(_taken(Amounts, batch), batch.minutes) for batch in bench.timed]
    return Workshop(
        foam=_taken(FoamStock, foam, sheets=sheets),
        wood=_taken(WoodStock, brief.base),
        rates=calibrate(rates, *timed) if timed else rates,
        finish=_taken(Finish, bench),
        box=Box(bench.box_length_mm, bench.box_width_mm, bench.box_height_mm, bench.box_gap_mm),
        base=_taken(BaseSettings, brief.base),
        guides=_taken(Guides, bench, kerf_mm=foam.kerf_mm),
        batter_deg=bench.batter_deg,
    )


def _taken(kind: type[_T], section: BaseModel, **given: Any) -> _T:
    """Make a value of `given` and of what a section has under the names of its other fields."""
    names = {field.name for field in fields(cast("Any", kind))} & set(type(section).model_fields)
    return kind(**{name: getattr(section, name) for name in names} | given)
