"""Base -> Wood: the sheets, bars and strips that panels, frame and rails are sawn from."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

from hexterra.brief.bench_sections import SheetBrief
from hexterra.units import MM_PER_M
from hexterra.values import Value
from hexterra.workshop.sheets.lengths import Lengths, cut_lengths, equal_parts
from hexterra.workshop.sheets.rectangles import Rectangle, RectangleNest, nest_rectangles
from hexterra.workshop.solids.base import Base
from hexterra.workshop.solids.bodies import rail_pieces


@dataclass(frozen=True, eq=False)
class Wood(Value):
    """What the base of a board takes.

    Parameters
    ----------
    base
        Its panels, frame and rails.
    panels
        Panels on sheets.
    bars
        Lengths of the frame on bars; what is longer than a bar is joined from equal lengths.
    rail_lengths_mm
        Every rail to saw, the longest first; they end where panels do.
    strips
        Square strips that two rails of a length come from, cut from corner to corner.
    """

    base: Base
    panels: RectangleNest
    bars: Lengths
    rail_lengths_mm: tuple[float, ...]
    strips: Lengths

    @property
    def strip_mm(self) -> float:
        """Side of a strip: two rails lie in it back to back."""
        return self.base.rail_mm * math.sqrt(2.0)

    @property
    def n_pieces(self) -> int:
        """Panels, bars and rails."""
        return len(self.base.panels) + self.bars.n_lengths + len(self.rail_lengths_mm)

    @property
    def n_saw_cuts(self) -> int:
        """Cuts across sheets, bars and strips, and those that part strips from corner to corner."""
        n_across = self.panels.n_cuts + self.bars.n_cuts + self.strips.n_cuts
        return n_across + self.strips.n_lengths

    @property
    def n_joints(self) -> int:
        """Bars and rails to glue on."""
        return self.bars.n_lengths + len(self.rail_lengths_mm)

    @property
    def volume_mm3(self) -> dict[str, float]:
        """Volume of the panels, the frame and the rails."""
        settings = self.base.settings
        section_mm2 = settings.frame_width_mm * settings.frame_height_mm
        return {
            "panels": self.base.area_mm2 * settings.panel_thickness_mm,
            "frame": self.bars.total_mm * section_mm2,
            "rails": math.fsum(self.rail_lengths_mm) * self.base.rail_mm**2,
        }

    @property
    def weights_kg(self) -> dict[str, float]:
        """Weight of the panels, the frame and the rails."""
        density = self.base.settings.wood_density_kg_per_m3
        return {name: mm3 / MM_PER_M**3 * density for name, mm3 in self.volume_mm3.items()}

    @property
    def prices(self) -> dict[str, float | None]:
        """Price of what must be bought for panels, frame and rails; None if unknown."""
        settings = self.base.settings
        found = {"panels": self.panels.price}
        for name, lengths, price in (
            ("frame", self.bars, settings.bar_price),
            ("rails", self.strips, settings.strip_price),
        ):
            if lengths.n_bars:
                found[name] = None if price is None else lengths.n_bars * price
        return found


def wood(base: Base) -> Wood:
    """Lay panels out on sheets, and frame and rails on bars and strips.

    Raises
    ------
    StockError
        If a panel does not fit a sheet.
    """
    settings = base.settings
    sizes = Counter((round(p.width_mm, 6), round(p.depth_mm, 6)) for p in base.panels)
    panels = [Rectangle("a panel", *size, count) for size, count in sorted(sizes.items())]
    sheet = SheetBrief(
        thickness_mm=settings.panel_thickness_mm,
        length_mm=settings.sheet_length_mm,
        width_mm=settings.sheet_width_mm,
        price=settings.sheet_price,
    )
    longest_mm, kerf_mm = settings.bar_length_mm, settings.saw_kerf_mm
    rails = Counter(
        round(length, 6)
        for piece in rail_pieces(base)
        for length in equal_parts(piece.length_mm, longest_mm)
    )
    bars = [part for bar in base.bars for part in equal_parts(bar.length_mm, longest_mm)]
    strips = [length for length, count in rails.items() for _ in range(-(-count // 2))]
    return Wood(
        base=base,
        panels=nest_rectangles(panels, sheet, kerf_mm=kerf_mm),
        bars=cut_lengths(bars, longest_mm, kerf_mm),
        rail_lengths_mm=tuple(sorted(rails.elements(), reverse=True)),
        strips=cut_lengths(strips, longest_mm, kerf_mm),
    )
