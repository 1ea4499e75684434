"""The tables of a brief that speak of the bench: foam, work, base. Ranges are checked in use.

Defaults are those of the values in `hexterra.workshop`; a test holds them together.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from hexterra.brief.sections import Section


class SheetBrief(Section):
    """[[foam.sheets]]: one kind of sheet that can be bought."""

    thickness_mm: float = Field(description="Its thickness.")
    length_mm: float = Field(default=1250.0, description="Its length.")
    width_mm: float = Field(default=600.0, description="Its width.")
    price: float | None = Field(default=None, description="Of one sheet, in any currency.")


class FoamBrief(Section):
    """[foam]: which sheets can be bought, and what the wire leaves of them."""

    sheets: tuple[SheetBrief, ...] | None = Field(
        default=None, description="Sheets in stock. Default: 1250 x 600 mm in common thicknesses."
    )
    kerf_mm: float = Field(default=1.0, description="Width of foam that the wire melts away.")
    margin_mm: float = Field(default=5.0, description="Rim of a sheet that is not used.")
    slicing: Literal["blocks", "none"] = Field(
        default="blocks",
        description="'blocks' slices a layer that is no stock thickness off a thicker sheet.",
    )
    grain: Literal["ignored", "along", "across"] = Field(
        default="ignored", description="Whether the length of the sheets must run along the front."
    )
    joints_mm: tuple[float, ...] = Field(
        default=(), description="Where joints run across every sheet, from its end."
    )
    density_kg_per_m3: float = Field(default=33.0, description="Of the foam.")
    facing_mm: float = Field(
        default=3.0, description="Thickness of sheets to cover upright faces with; 0 for none."
    )
    facing_length_mm: float = Field(default=1000.0, description="Length of such a sheet.")
    facing_width_mm: float = Field(default=500.0, description="Its width.")
    facing_price: float | None = Field(default=None, description="Its price.")


class TimedBrief(Section):
    """[[bench.timed]]: work that was timed, in the amounts that the build book gives."""

    minutes: float = Field(description="How long it took.")
    wire_m: float = Field(default=0.0, description="Wire through foam.")
    n_cuts: float = Field(default=0.0, description="Cuts.")
    n_set_ups: int = Field(default=0, description="Guides mounted.")
    n_pieces: int = Field(default=0, description="Pieces cleaned.")
    n_sheets: int = Field(default=0, description="Sheets marked out.")
    n_joints: int = Field(default=0, description="Joints glued.")
    n_saw_cuts: int = Field(default=0, description="Cuts of a saw.")
    texture_m2: float = Field(default=0.0, description="Area textured.")
    paint_m2: float = Field(default=0.0, description="Area painted.")
    scatter_m2: float = Field(default=0.0, description="Area scattered.")


class BenchBrief(Section):
    """[bench]: how long work takes, what finishing takes, what pieces are stored in."""

    minutes_per_m_wire: float = Field(default=1.7, description="Per metre of wire through foam.")
    minutes_per_cut: float = Field(default=0.15, description="Per cut, to lay the piece.")
    minutes_per_set_up: float = Field(default=4.0, description="To mount and check a guide.")
    minutes_per_piece: float = Field(default=0.25, description="To clean and label a piece.")
    minutes_per_sheet: float = Field(default=5.0, description="To mark a sheet out.")
    minutes_per_joint: float = Field(default=1.0, description="To glue two layers.")
    minutes_per_saw_cut: float = Field(default=3.0, description="To saw and sand an edge.")
    texture_minutes_per_m2: float = Field(default=30.0, description="To texture.")
    paint_minutes_per_m2: float = Field(default=40.0, description="To paint.")
    scatter_minutes_per_m2: float = Field(default=20.0, description="To scatter.")
    texture_ml_per_m2: float = Field(default=500.0, description="Texture paste.")
    paint_ml_per_m2: float = Field(default=250.0, description="Paint, all coats together.")
    scatter_g_per_m2: float = Field(default=200.0, description="Scatter material.")
    water_ml_per_m2: float = Field(default=300.0, description="Gloss varnish on water.")
    channel_mm: float = Field(default=20.0, description="Width of a watercourse.")
    wider_mm: tuple[float, ...] = Field(
        default=(),
        description="Widths of the wider classes of water. Default: 1.5, 2 and 2.5 times as wide.",
    )
    road_mm: float = Field(default=24.0, description="Width of a sunken road.")
    wire_mm: float = Field(default=0.4, description="Diameter of the wire.")
    run_out_mm: float = Field(default=15.0, description="How far a profile guide goes past a tile.")
    batter_deg: float = Field(default=0.0, description="How far cliff facings lean back.")
    box_length_mm: float = Field(default=560.0, description="Storage box, inside: length.")
    box_width_mm: float = Field(default=360.0, description="Its width.")
    box_height_mm: float = Field(default=280.0, description="Its height.")
    box_gap_mm: float = Field(default=2.0, description="Room between pieces in it.")
    paper: Literal["A4", "Letter"] = Field(default="A4", description="Paper of the build book.")
    timed: tuple[TimedBrief, ...] = Field(
        default=(),
        description="Work that was timed; the rates above are scaled to it, kind by kind.",
    )


class BaseBrief(Section):
    """[base]: the panels under the board, the frame around it, and what they are sawn from."""

    panel_length_mm: float = Field(default=1200.0, description="Largest panel: length.")
    panel_width_mm: float = Field(default=600.0, description="Its width.")
    panel_thickness_mm: float = Field(default=9.0, description="Its thickness.")
    frame_width_mm: float = Field(default=0.0, description="Width of the frame's bars; 0 for none.")
    frame_height_mm: float = Field(default=30.0, description="Height of the frame's bars.")
    clearance_mm: float = Field(default=1.0, description="Room between board and frame.")
    groove_mm: float = Field(default=6.0, description="Depth of the groove in keyed footings.")
    sheet_length_mm: float = Field(default=2440.0, description="Sheet for panels: its length.")
    sheet_width_mm: float = Field(default=1220.0, description="Its width.")
    sheet_price: float | None = Field(default=None, description="Its price.")
    bar_length_mm: float = Field(default=2400.0, description="Bars and strips as bought: length.")
    bar_price: float | None = Field(default=None, description="Price of a bar for the frame.")
    strip_price: float | None = Field(default=None, description="Price of a strip for rails.")
    saw_kerf_mm: float = Field(default=3.0, description="Width that a saw takes away.")
    wood_density_kg_per_m3: float = Field(default=600.0, description="Of panels, bars, rails.")
