"""Pictures of values for Jupyter: relief, lattice, histogram with thresholds, maps.

Values themselves know nothing of this. `register_displays` tells IPython how to show them, by
name, so that nothing heavy is loaded before something is shown.
"""

from __future__ import annotations

import html
import io
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from hexterra.comparison import Comparison
    from hexterra.elevation import Elevation
    from hexterra.lattice.board import Board
    from hexterra.plan import Plan
    from hexterra.stages.gather import Heights
    from hexterra.stages.quantise import Levels

#: Longest side of a relief picture; a larger raster is thinned to it.
_PICTURE_PIXELS = 700


def register_displays() -> None:
    """Tell the running IPython, if there is one, how to show hexterra's values."""
    from IPython.core.getipython import get_ipython  # type: ignore[import-not-found]

    shell: Any = get_ipython()
    if shell is None:
        return
    formatter = shell.display_formatter.formatters["text/html"]
    for module, name, show in (
        ("hexterra.elevation", "Elevation", lambda value: _picture(relief_figure(value))),
        ("hexterra.lattice.board", "Board", _board_html),
        ("hexterra.stages.gather", "Heights", lambda value: _picture(heights_figure(value))),
        ("hexterra.stages.quantise", "Levels", lambda value: _picture(histogram_figure(value))),
        ("hexterra.plan", "Plan", _plan_html),
        ("hexterra.comparison", "Comparison", _comparison_html),
    ):
        formatter.for_type_by_name(module, name, show)


def relief_figure(elevation: Elevation, board: Board | None = None) -> Figure:
    """Draw the ground as shaded relief, with the outline of every cell of `board` on it.

    Parameters
    ----------
    elevation
        The ground; thinned to at most 700 pixels a side for the picture.
    board
        A board whose lattice is drawn over it.
    """
    from matplotlib.colors import LightSource
    from matplotlib.figure import Figure

    rows, columns = elevation.shape
    height_m, valid = elevation.read(0, rows, 0, columns)
    thin = max(1, int(np.ceil(max(rows, columns) / _PICTURE_PIXELS)))
    height_m = np.asarray(height_m[::thin, ::thin], dtype=float)
    if valid is not None:
        height_m = np.where(valid[::thin, ::thin], height_m, np.nan)
    figure = Figure(figsize=(8.0, 8.0 * rows / columns + 0.6), layout="constrained")
    axes = figure.subplots()
    relief_m = float(np.nanmax(height_m) - np.nanmin(height_m)) or 1.0
    shade = LightSource(315, 45).hillshade(height_m, vert_exag=0.15 * max(rows, columns) / relief_m)
    axes.imshow(shade, cmap="gray", extent=(0, columns, rows, 0), vmin=0, vmax=1)
    tint = axes.imshow(height_m, cmap="cividis", extent=(0, columns, rows, 0), alpha=0.45)
    figure.colorbar(tint, ax=axes, shrink=0.8, label="height above sea level, m")
    if board is not None:
        axes.add_collection(_outlines(board, elevation))
    axes.set(xticks=[], yticks=[], title=elevation.name)
    return figure


def heights_figure(heights: Heights) -> Figure:
    """Draw the mean height of every cell."""
    return _cell_figure(heights, heights.mean_m, "mean height, m")


def histogram_figure(levels: Levels) -> Figure:
    """Draw how many cells have which height, and the thresholds between the levels."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 3.2), layout="constrained")
    axes = figure.subplots()
    axes.hist(levels.heights.mean_m, bins=60, color="0.6")
    for threshold_m in levels.thresholds_m:
        axes.axvline(threshold_m, color="black", linewidth=1.0)
    n_cells = np.bincount(levels.level)
    axes.set(
        xlabel="mean height of a cell, m (lines: thresholds between levels)",
        ylabel="cells",
        title=f"{len(n_cells)} levels; cells on each: {', '.join(map(str, n_cells))}",
    )
    return figure


def changed_figure(comparison: Comparison) -> Figure:
    """Draw which cells differ between two plans."""
    return _cell_figure(
        comparison.after.heights, comparison.is_changed.astype(float), "changed: 1, the same: 0"
    )


def _cell_figure(heights: Heights, value: NDArray[Any], label: str) -> Figure:
    """Draw one value per cell."""
    from matplotlib.collections import PolyCollection
    from matplotlib.figure import Figure

    rings = heights.lattice.rings_xy
    figure = Figure(figsize=(8.0, 5.5), layout="constrained")
    axes = figure.subplots()
    cells = PolyCollection(list(rings), array=value, cmap="cividis", edgecolor="white", lw=0.3)
    axes.add_collection(cells)
    axes.autoscale_view()
    axes.set(aspect="equal", xticks=[], yticks=[])
    figure.colorbar(cells, ax=axes, shrink=0.8, label=label)
    return figure


def _outlines(board: Board, elevation: Elevation) -> Any:
    """Outline every cell in the pixel coordinates of `elevation`."""
    import pyproj
    from matplotlib.collections import PolyCollection

    to_raster = pyproj.Transformer.from_crs(board.crs, elevation.crs, always_xy=True)
    x, y = to_raster.transform(board.corner_xy[:, 0], board.corner_xy[:, 1])
    corners = elevation.to_pixel(np.column_stack((x, y)))
    return PolyCollection(
        list(corners[board.corner_of]), facecolor="none", edgecolor="black", linewidth=0.5
    )


def _picture(figure: Figure) -> str:
    """Embed a figure as a scalable picture."""
    import matplotlib as mpl

    stream = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": "hexterra", "svg.fonttype": "none"}):
        figure.savefig(stream, format="svg", metadata={"Date": None})
    text = stream.getvalue()
    return text[text.index("<svg") :]


def _board_html(board: Board) -> str:
    width_mm, depth_mm = board.size_mm
    return (
        f"<p>Board of {board.columns} x {board.rows} cells ({board.n_cells} filled),"
        f" {width_mm:.0f} x {depth_mm:.0f} mm, 1:{board.scale:,.0f}, middle at"
        f" {board.lat_deg:.5f}, {board.lon_deg:.5f}, bearing {board.bearing_deg:g}°.</p>"
    )


def _plan_html(plan: Plan) -> str:
    from hexterra.outputs.maps import map_svg

    return f"<pre>{html.escape(plan.describe())}</pre>{map_svg(plan)}"


def _comparison_html(comparison: Comparison) -> str:
    pieces = comparison.pieces
    changed = pieces[pieces["difference"] != 0]
    return (
        f"<p>{html.escape(comparison.describe())}</p>{changed.to_html()}"
        f"{_picture(changed_figure(comparison))}"
    )
