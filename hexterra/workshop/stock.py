"""The foam and wood a maker can buy, and how they may be cut: settings for `foam` and `wood`.

What is from a standard and what is not: EN 13164 is the product standard of extruded polystyrene
boards for buildings. It has makers declare how true a board's thickness is, in classes T1 to T3,
which lie some 1 to 3 mm off nominal (from memory), and leaves nominal sizes to them. Sheets of
1250 x 600 mm, their thicknesses, thin sheets for facings, the kerf of a hot wire, the margin and
the density set below are common practice, no source, and so is all that is said of wood. Since a
bought board may be 2 mm off, measure it before it is used as it is; slices off a fence are as true
as the fence.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal, get_args

from hexterra.errors import BriefError
from hexterra.values import Value
from hexterra.workshop.ranges import check_choice, check_range

#: How layers that are no stock thickness come about: slices off thicker blocks, or not at all.
Slicing = Literal["blocks", "none"]
#: Whether the long side of the sheets, along which foam is extruded, should run along the front
#: edge of the board, across it, or either way.
Grain = Literal["ignored", "along", "across"]

#: Common insulation sheets: common practice, no source.
COMMON_THICKNESS_MM: Final = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)


@dataclass(frozen=True, eq=False)
class StockSheet(Value):
    """One kind of sheet that can be bought.

    Parameters
    ----------
    thickness_mm, length_mm, width_mm
        Its size.
    price
        Of one sheet, in any currency; None if unknown.

    Raises
    ------
    BriefError
        If a size is not from 1 to 1000 mm (thickness) or 50 to 10 000 mm, or a price is negative.
    """

    thickness_mm: float
    length_mm: float = 1250.0
    width_mm: float = 600.0
    price: float | None = None

    def __post_init__(self) -> None:
        check_range("a sheet's thickness_mm", self.thickness_mm, 1.0, 1000.0, "mm")
        check_range("a sheet's length_mm", self.length_mm, 50.0, 10_000.0, "mm")
        check_range("a sheet's width_mm", self.width_mm, 50.0, 10_000.0, "mm")
        if self.price is not None:
            check_range("a sheet's price", self.price, 0.0, 1e9)


def common_sheets() -> tuple[StockSheet, ...]:
    """Return sheets of 1250 x 600 mm in the common thicknesses, without a price."""
    return tuple(StockSheet(thickness) for thickness in COMMON_THICKNESS_MM)


@dataclass(frozen=True, eq=False)
class FoamStock(Value):
    """What can be bought and how it is cut.

    Parameters
    ----------
    sheets
        One for each thickness.
    kerf_mm
        Width of foam that the wire melts away: the least gap between two pieces.
    margin_mm
        Rim of every sheet that is not used: bruised, rebated or out of square.
    slicing
        "blocks": a layer that is no stock thickness is sliced off a thicker block. "none": all
        layers are as thick as they are bought.
    grain
        "along": the length of the sheet runs along the front edge of the board. "across": away
        from it. "ignored": as many pieces as possible. It holds for part tiles and for tiles that
        are laid as they are numbered; a tile that is turned takes its grain with it.
    joints_mm
        Where joints or grooves run across every sheet, from its end; no piece lies across one.
    density_kg_per_m3
        Of the foam.
    facing_mm
        Thickness of the thin sheets that upright faces are covered with; 0 leaves them as they
        are cut.
    facing_length_mm, facing_width_mm, facing_price
        Size and price of such a sheet.

    Raises
    ------
    BriefError
        If there is no sheet, two are equally thick, slicing or grain is no such word, or a number
        is out of range: kerf 0 to 20 mm,
        margin 0 to 200 mm, density 5 to 1000 kg/m3, joints along the sheet and ascending, facings
        0 or 0.5 to 50 mm.
    """

    sheets: tuple[StockSheet, ...] = field(default_factory=common_sheets)
    kerf_mm: float = 1.0
    margin_mm: float = 5.0
    slicing: Slicing = "blocks"
    grain: Grain = "ignored"
    joints_mm: tuple[float, ...] = ()
    density_kg_per_m3: float = 33.0
    facing_mm: float = 3.0
    facing_length_mm: float = 1000.0
    facing_width_mm: float = 500.0
    facing_price: float | None = None

    def __post_init__(self) -> None:
        thicknesses = [sheet.thickness_mm for sheet in self.sheets]
        if not thicknesses or len(set(thicknesses)) < len(thicknesses):
            raise BriefError(
                f"the sheets in stock are {thicknesses} mm thick; there must be at least one, and"
                " one for each thickness",
                remedy="list each thickness once, with the size and price of its sheet",
                thickness_mm=tuple(thicknesses),
            )
        check_choice("slicing", self.slicing, get_args(Slicing))
        check_choice("grain", self.grain, get_args(Grain))
        check_range("kerf_mm", self.kerf_mm, 0.0, 20.0, "mm")
        check_range("margin_mm", self.margin_mm, 0.0, 200.0, "mm")
        check_range("density_kg_per_m3", self.density_kg_per_m3, 5.0, 1000.0, "kg/m3")
        if self.facing_mm:
            check_range("facing_mm", self.facing_mm, 0.5, 50.0, "mm, or 0 for none")
            _ = self.facing_sheet
        longest_mm = max(sheet.length_mm for sheet in self.sheets)
        for joint_mm in self.joints_mm:
            check_range("a joint in joints_mm", joint_mm, 0.0, longest_mm, "mm")
        pairs = zip(self.joints_mm, self.joints_mm[1:], strict=False)
        if any(one >= other for one, other in pairs):
            raise BriefError(
                f"joints_mm is {list(self.joints_mm)}; it must ascend",
                remedy="list the joints from one end of the sheet to the other",
                joints_mm=self.joints_mm,
            )

    @property
    def facing_sheet(self) -> StockSheet:
        """The thin sheet that facings are cut from."""
        return StockSheet(
            self.facing_mm, self.facing_length_mm, self.facing_width_mm, self.facing_price
        )


@dataclass(frozen=True, eq=False)
class WoodStock(Value):
    """What the base is made of.

    Parameters
    ----------
    sheet_length_mm, sheet_width_mm, sheet_price
        Of the sheets that panels are sawn from, as thick as the panels.
    bar_length_mm
        Of a bar for the frame, and of a square strip that two rails are sawn from.
    bar_price, strip_price
        Of one bar, and of one strip.
    saw_kerf_mm
        What a saw takes away.
    wood_density_kg_per_m3
        Of panels, bars and rails.

    Raises
    ------
    BriefError
        If a length is not from 50 to 10 000 mm, the kerf not from 0 to 20 mm, the density not from
        5 to 3000 kg/m3, or a price negative.
    """

    sheet_length_mm: float = 2440.0
    sheet_width_mm: float = 1220.0
    sheet_price: float | None = None
    bar_length_mm: float = 2400.0
    bar_price: float | None = None
    strip_price: float | None = None
    saw_kerf_mm: float = 3.0
    wood_density_kg_per_m3: float = 600.0

    def __post_init__(self) -> None:
        for name in ("sheet_length_mm", "sheet_width_mm", "bar_length_mm"):
            check_range(name, getattr(self, name), 50.0, 10_000.0, "mm")
        check_range("saw_kerf_mm", self.saw_kerf_mm, 0.0, 20.0, "mm")
        check_range("wood_density_kg_per_m3", self.wood_density_kg_per_m3, 5.0, 3000.0, "kg/m3")
        for name in ("sheet_price", "bar_price", "strip_price"):
            price = getattr(self, name)
            if price is not None:
                check_range(name, price, 0.0, 1e9)
