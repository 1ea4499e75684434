"""The tables of a brief that speak of the bench: foam, work, base.

`hexterra.workshop` takes these tables as they are. Every default is common practice, no source.
EN 13164, the product standard of extruded polystyrene boards for buildings, has makers declare
how true a board's thickness is, in classes T1 to T3, and leaves nominal sizes to them. The widest,
T1, allows 2 mm below nominal; EN 13163 for expanded polystyrene has classes of 1 and 2 mm (all of
it from memory). So 2 mm is the default tolerance.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, model_validator

from hexterra.brief.amounts import TimedBrief, within
from hexterra.brief.sections import MOST_WIDER, Section
from hexterra.brief.timing import timed_rates

#: Paper that pages are printed on.
Paper = Literal["A4", "Letter"]

Price = Annotated[float, Field(ge=0.0, le=1e9)]
_Width = Annotated[float, Field(ge=1.0, le=500.0)]

#: Common insulation sheets.
_COMMON_THICKNESS_MM: Final = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)


def _price(description: str) -> Any:
    return Field(default=None, description=description)


class SheetBrief(Section):
    """[[foam.sheets]]: one kind of sheet that can be bought."""

    thickness_mm: float = Field(ge=1.0, le=1000.0, description="Its thickness.")
    length_mm: float = within(50.0, 10_000.0, 1250.0, "Its length.")
    width_mm: float = within(50.0, 10_000.0, 600.0, "Its width.")
    price: Price | None = _price("Of one sheet, in any currency.")


def common_sheets() -> tuple[SheetBrief, ...]:
    """Return sheets in the common thicknesses, without a price."""
    return tuple(SheetBrief(thickness_mm=thickness) for thickness in _COMMON_THICKNESS_MM)


class FoamBrief(Section):
    """[foam]: which sheets can be bought, and what the wire leaves of them."""

    sheets: tuple[SheetBrief, ...] = Field(
        default_factory=common_sheets,
        min_length=1,
        max_length=100,
        description="Sheets in stock. Default: 1250 x 600 mm in common thicknesses.",
    )
    kerf_mm: float = within(
        0.0, 20.0, 1.0, "Width of foam that the wire melts away, as a test cut measures it."
    )
    tolerance_mm: float = within(
        0.0,
        20.0,
        2.0,
        "How much thinner than nominal a sheet may be; 0 if yours are measured and true, so that"
        " they are used as bought.",
    )
    margin_mm: float = within(0.0, 200.0, 5.0, "Rim of a sheet that is not used.")
    slicing: Literal["blocks", "none"] = Field(
        default="blocks",
        description="'blocks' slices layers off thicker sheets, 'none' uses sheets as bought.",
    )
    grain: Literal["ignored", "along", "across"] = Field(
        default="ignored",
        description="Whether the length of the sheets must run along the front, or across it."
        " A tile that is turned takes its grain with it.",
    )
    joints_mm: tuple[Annotated[float, Field(ge=0.0, le=10_000.0)], ...] = Field(
        default=(),
        max_length=1000,
        description="Where joints run across every sheet, from its end; no piece lies across one.",
    )
    density_kg_per_m3: float = within(5.0, 1000.0, 33.0, "Of the foam.")
    facing_mm: float = within(
        0.0, 50.0, 3.0, "Thickness of sheets to cover vertical faces with, at least 1; 0 for none."
    )
    facing_least_mm: float = within(
        0.0, 500.0, 15.0, "Vertical faces lower than this are left to filler."
    )
    facing_length_mm: float = within(50.0, 10_000.0, 1000.0, "Length of such a sheet.")
    facing_width_mm: float = within(50.0, 10_000.0, 500.0, "Its width.")
    facing_price: Price | None = _price("Its price.")

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        thicknesses = [sheet.thickness_mm for sheet in self.sheets]
        if len(set(thicknesses)) < len(thicknesses):
            raise ValueError(f"sheets are {thicknesses} mm thick; list each thickness once")
        if 0.0 < self.facing_mm < 1.0:
            raise ValueError(f"facing_mm is {self.facing_mm}; it must be 0, or at least 1")
        if any(one >= other for one, other in pairwise(self.joints_mm)):
            raise ValueError(f"joints_mm is {list(self.joints_mm)}; it must ascend")
        longest_mm = max(sheet.length_mm for sheet in self.sheets)
        if self.joints_mm and self.joints_mm[-1] > longest_mm:
            raise ValueError(
                f"a joint in joints_mm is {self.joints_mm[-1]}; the longest sheet ends at"
                f" {longest_mm:g} mm"
            )
        return self

    @property
    def facing_sheet(self) -> SheetBrief:
        """The thin sheet that facings are cut from, if there are any."""
        return SheetBrief(
            thickness_mm=self.facing_mm,
            length_mm=self.facing_length_mm,
            width_mm=self.facing_width_mm,
            price=self.facing_price,
        )


def _minutes(default: float, description: str) -> Any:
    return within(0.0, 10_000.0, default, description)


class BenchBrief(Section):
    """[bench]: how long work takes, what finishing takes, what pieces are stored in."""

    minutes_per_m_wire: float = _minutes(0.9, "Per metre that the wire travels, thin as foam is.")
    minutes_per_m2_cut: float = _minutes(
        16.0,
        "Per square metre of foam cut: thick foam is cut more slowly. A metre through 50 mm"
        " takes 1.7 with both.",
    )
    minutes_per_cut: float = _minutes(0.15, "Per cut, to lay the piece and start the wire.")
    minutes_per_channel: float = _minutes(
        3.0, "Per tile with a channel, to mark it or pin its guides, and to clean its banks."
    )
    minutes_per_m_loop: float = _minutes(
        20.0, "Per metre of channel shaped with a loop, knife or rasp."
    )
    minutes_per_set_up: float = _minutes(4.0, "To mount and check a guide.")
    minutes_per_piece: float = _minutes(0.25, "To clean and label a piece.")
    minutes_per_sheet: float = _minutes(5.0, "To mark a sheet out.")
    minutes_per_joint: float = _minutes(1.0, "To glue two layers, or a facing, bar or rail on.")
    minutes_per_saw_cut: float = _minutes(3.0, "To saw and sand an edge.")
    texture_minutes_per_m2: float = _minutes(30.0, "To texture.")
    paint_minutes_per_m2: float = _minutes(40.0, "To paint.")
    scatter_minutes_per_m2: float = _minutes(20.0, "To scatter.")
    texture_ml_per_m2: float = within(0.0, 1e5, 500.0, "Texture paste.")
    paint_ml_per_m2: float = within(0.0, 1e5, 250.0, "Paint, all coats together.")
    scatter_g_per_m2: float = within(0.0, 1e5, 200.0, "Scatter material.")
    water_ml_per_m2: float = within(0.0, 1e5, 300.0, "Gloss varnish on water.")
    channel_mm: _Width = Field(default=20.0, description="Width of a watercourse.")
    wider_mm: tuple[_Width, ...] = Field(
        default=(),
        max_length=MOST_WIDER,
        description="Widths of the wider classes of water. Default: 1.5, 2 and 2.5 times as wide.",
    )
    road_mm: _Width = Field(default=24.0, description="Width of a sunken road.")
    wire_mm: float = within(0.0, 20.0, 0.4, "Diameter of the wire, at most foam.kerf_mm.")
    run_out_mm: float = within(1.0, 200.0, 15.0, "How far a profile guide goes past a tile.")
    batter_deg: float = within(0.0, 45.0, 0.0, "How far cliff facings lean back.")
    box_length_mm: float = within(50.0, 5000.0, 560.0, "Storage box, inside: length.")
    box_width_mm: float = within(50.0, 5000.0, 360.0, "Its width.")
    box_height_mm: float = within(50.0, 5000.0, 280.0, "Its height.")
    box_gap_mm: float = within(0.0, 50.0, 2.0, "Room between pieces in it.")
    paper: Paper = Field(default="A4", description="Paper of the build book.")
    timed: tuple[TimedBrief, ...] = Field(
        default=(),
        max_length=1000,
        description="Work that was timed; the rates above are scaled to it, kind by kind.",
    )

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        for last_mm, width_mm in pairwise((self.channel_mm, *self.wider_mm)):
            if width_mm < last_mm:
                raise ValueError(
                    f"a width in wider_mm is {width_mm}; it must be at least the {last_mm:g} mm of"
                    " the class before"
                )
        timed_rates(self, self.timed)
        return self

    @property
    def water_mm(self) -> tuple[float, ...]:
        """Widths of watercourses by class."""
        wider_mm = self.wider_mm or tuple(times * self.channel_mm for times in (1.5, 2.0, 2.5))
        return self.channel_mm, *wider_mm

    @property
    def calibrated(self) -> Self:
        """The same bench with the rates that its timed work says, and none left to scale them."""
        return self.model_copy(update={**timed_rates(self, self.timed), "timed": ()})


class BaseBrief(Section):
    """[base]: the panels under the board, the frame around it, and what they are sawn from."""

    panel_length_mm: float = within(100.0, 10_000.0, 1200.0, "Largest panel: length.")
    panel_width_mm: float = within(100.0, 10_000.0, 600.0, "Its width.")
    panel_thickness_mm: float = within(1.0, 100.0, 9.0, "Its thickness.")
    frame_width_mm: float = within(0.0, 500.0, 0.0, "Width of the frame's bars; 0 for none.")
    frame_height_mm: float = within(1.0, 500.0, 30.0, "Height of the frame's bars.")
    clearance_mm: float = within(0.0, 20.0, 1.0, "Room between board and frame.")
    groove_mm: float = within(1.0, 50.0, 6.0, "Depth of the groove in keyed footings.")
    play_mm: float = within(
        0.0, 25.0, 0.5, "How much lower than that the rails are, at most half of it."
    )
    sheet_length_mm: float = within(50.0, 10_000.0, 2440.0, "Sheet for panels: its length.")
    sheet_width_mm: float = within(50.0, 10_000.0, 1220.0, "Its width.")
    sheet_price: Price | None = _price("Its price.")
    bar_length_mm: float = within(50.0, 10_000.0, 2400.0, "Bars and strips as bought: length.")
    bar_price: Price | None = _price("Price of a bar for the frame.")
    strip_price: Price | None = _price("Price of a strip for rails.")
    saw_kerf_mm: float = within(0.0, 20.0, 3.0, "Width that a saw takes away.")
    wood_density_kg_per_m3: float = within(5.0, 3000.0, 600.0, "Of panels, bars, rails.")

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        if self.play_mm > self.groove_mm / 2.0:
            raise ValueError(
                f"play_mm is {self.play_mm}; it must be at most {self.groove_mm / 2.0:g}, half of"
                " groove_mm"
            )
        return self
