"""Pictures of values for Jupyter: relief, lattice, histogram with thresholds, maps.

Values themselves know nothing of this. `register_displays` tells IPython how to show them, by
name, so that nothing heavy is loaded before something is shown.
"""

from __future__ import annotations

import html
import io
from base64 import b64encode
from typing import TYPE_CHECKING, Any

import numpy as np

from hexterra.drawing.lettering import families, shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.board import Board
    from hexterra.plan.compare import Comparison
    from hexterra.plan.plan import Plan
    from hexterra.stages.levels.quantise import Levels
    from hexterra.stages.sampling.gather import Heights

#: Longest side of a relief picture; a larger raster is thinned to it.
_PICTURE_PIXELS = 480


def register_displays() -> None:
    """Tell the running IPython, if there is one, how to show hexterra's values."""
    from IPython.core.getipython import get_ipython  # type: ignore[import-not-found]

    shell: Any = get_ipython()
    if shell is None:
        return
    formatter = shell.display_formatter.formatters["text/html"]
    for module, name, show in (
        ("hexterra.elevation.elevation", "Elevation", _elevation_html),
        ("hexterra.lattice.board", "Board", _board_html),
        ("hexterra.stages.sampling.gather", "Heights", _heights_html),
        ("hexterra.stages.levels.quantise", "Levels", _levels_html),
        ("hexterra.plan.plan", "Plan", _plan_html),
        ("hexterra.plan.compare", "Comparison", _comparison_html),
        ("matplotlib.figure", "Figure", _picture),  # IPython shows only those of pyplot itself
    ):
        formatter.for_type_by_name(module, name, show)


def relief_figure(elevation: Elevation, board: Board | None = None) -> Figure:
    """Draw the ground as shaded relief, with the outline of every cell of `board` on it.

    The raster is read in bands and thinned, so a large one takes little memory.

    Parameters
    ----------
    elevation
        The ground; thinned to at most 480 pixels a side for the picture.
    board
        A board whose lattice is drawn over it.
    """
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import LightSource, Normalize
    from matplotlib.figure import Figure

    rows, columns = elevation.shape
    height_m = _thinned(elevation)
    figure = Figure(figsize=(8.0, 7.0 * rows / columns), layout="constrained")
    axes = figure.subplots()
    tint = ScalarMappable(Normalize(np.nanmin(height_m), np.nanmax(height_m)), cmap="cividis")
    relief_m = float(np.nanmax(height_m) - np.nanmin(height_m)) or 1.0
    picture = LightSource(315, 45).shade(
        height_m,
        tint.get_cmap(),
        blend_mode="soft",
        vert_exag=0.15 * max(height_m.shape) / relief_m,
    )
    axes.imshow(picture, extent=(0, columns, rows, 0))
    figure.colorbar(tint, ax=axes, shrink=0.8, label="height above sea level, m")
    if board is not None:
        axes.add_collection(_outlines(board, elevation))
    axes.set(xticks=[], yticks=[])
    name = shown(elevation.name)
    axes.set_title(name, parse_math=False, family=families(name))
    return figure


def _thinned(elevation: Elevation) -> NDArray[np.float64]:
    """Read every k-th pixel of every k-th row; voids are NaN."""
    rows, columns = elevation.shape
    thin = -(-max(rows, columns) // _PICTURE_PIXELS)
    lines: list[NDArray[np.float64]] = []
    for row in range(0, rows, thin):
        height_m, valid = elevation.read(row, row + 1, 0, columns)
        line = height_m[0, ::thin].astype(np.float64)
        lines.append(line if valid is None else np.where(valid[0, ::thin], line, np.nan))
    return np.array(lines)


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
        title=f"{len(n_cells)} levels; cells on each: {', '.join(f'{n:,}' for n in n_cells)}",
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
    """Embed a figure: as lines where it is drawn, as a photograph where it holds an image."""
    import matplotlib as mpl

    stream = io.BytesIO()
    if any(axes.images for axes in figure.axes):
        figure.savefig(stream, format="jpeg", dpi=110, pil_kwargs={"quality": 85})
        return f'<img src="data:image/jpeg;base64,{b64encode(stream.getvalue()).decode()}">'
    with mpl.rc_context({"svg.hashsalt": "hexterra", "svg.fonttype": "none"}):
        figure.savefig(stream, format="svg", metadata={"Date": None})
    text = stream.getvalue().decode()
    return text[text.index("<svg") :]


def _elevation_html(elevation: Elevation) -> str:
    return _picture(relief_figure(elevation))


def _heights_html(heights: Heights) -> str:
    return _picture(heights_figure(heights))


def _levels_html(levels: Levels) -> str:
    return _picture(histogram_figure(levels))


def _board_html(board: Board) -> str:
    width_mm, depth_mm = board.size_mm
    return (
        f"<p>Board of {board.columns:,} x {board.rows:,} cells ({board.n_cells:,} filled),"
        f" {width_mm:,.0f} x {depth_mm:,.0f} mm, 1:{board.scale:,.0f}, middle at"
        f" {board.lat_deg:z.5f}, {board.lon_deg:z.5f}, bearing {board.bearing_deg:g}°.</p>"
    )


def _plan_html(plan: Plan) -> str:
    from hexterra.drawing.board_map import map_svg

    fitted = map_svg(plan).replace("<svg ", '<svg style="max-width:100%;height:auto" ', 1)
    return f"<pre>{html.escape(plan.describe())}</pre>{fitted}"


def _comparison_html(comparison: Comparison) -> str:
    pieces = comparison.pieces
    changed = pieces[pieces["difference"] != 0]
    return (
        f"<p>{html.escape(comparison.describe())}</p>{changed.to_html()}"
        f"{_picture(changed_figure(comparison))}"
    )
