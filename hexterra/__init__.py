"""hexterra: elevation in, buildable hexagonal foam terrain out.

>>> import hexterra as hx
>>> ground = hx.invent(3, rows=60, columns=80)
>>> plan = hx.make_plan(ground, hx.Brief(board={"columns": 5, "rows": 4}))
>>> len(plan.tiles), plan.board.n_cells
(20, 20)

Plan a board:

- `make_plan`: turn ground into a plan that can be cut and laid out.
- `plan_heights`: plan again from heights that are known, with another brief.
- `edit_plan`: put another tile into one cell.
- `recut_plan`: plan the same board from another catalogue.
- `share_plans`: find one set of pieces that builds several boards in turn.
- `compare`: compare two plans of one board.
- `write_plan`: write a plan into a folder.
- `write_page`: write plans into one HTML file, to look at in a browser.
- `read_plan`: open a plan that was written.
- `write_campaign`: write plans that share pieces.
- `verify`: rebuild a board from its tables and check it.

Ask:

- `Brief`: what is wanted: every key has a default.
- `read_brief`: read a brief from a TOML file.
- `starter_brief`: give a commented brief with every key.
- `load_catalogue`: read what a maker can cut.
- `survey`: say what is in a raster.
- `propose`: propose boards and scales for it.
- `site_board`: lay the board of a brief on its ground.

Read and write ground:

- `read_elevation`: describe the heights in files, an array or a DataArray.
- `write_elevation`: write them as a GeoTIFF.
- `invent`: invent a piece of ground.
- `read_lines`: read rivers and roads of a map.
- `read_areas`: read woods, fields and the like.

Stages, in their order:

- `gather`: sample the ground under each cell.
- `drain`: find where water runs on the pixels of a raster.
- `streams`: cut its streams into stretches between confluences.
- `lakes`: list its lakes.
- `write_hydrography`: write streams, catchments and lakes as geodata.
- `flow`: find watercourses from the heights of cells.
- `route`: carry watercourses of the pixels onto cells.
- `ways`: carry roads and rivers of a map from cell to cell.
- `cover`: share out woods and the like among cells.
- `quantise`: turn heights into levels.
- `mark_cliffs`: mark sides that stay cliffs.
- `legalise`: move levels as little as makes every slope cuttable.
- `fit`: choose a tile for every cell.
- `refine`: choose the best tiles together.
- `schedule`: count the pieces, stacks and footings.

Values:

- `Board`: a table of hexagons, laid on the ground.
- `Catalogue`: tops and watercourses that a maker can cut.
- `Choice`: step, ramp limit, cliffs and datum, and what else was tried.
- `Comparison`: what differs between two plans.
- `Cover`: what grows or stands on each cell.
- `Drainage`: where water runs on pixels.
- `Elevation`: heights on a pixel grid.
- `Features`: lines or areas of a map.
- `Fidelity`: how true a board is to the ground.
- `Globe`: H3 cells as a lattice.
- `Heights`: the ground under each cell.
- `Lakes`: lakes of a raster.
- `LegalLevels`: levels that can be built.
- `Levels`: levels as thresholds give them.
- `Overlay`: what lies on the ground: water, roads, cover.
- `Piece`: one kind of piece to make.
- `Plan`: a buildable board and how it came about.
- `Prices`: what faults of a board cost.
- `Proposals`: boards that suit a raster.
- `Refined`: the best tiles found, and a bound on any.
- `Schedule`: all pieces, and what stands where.
- `Shared`: plans that share one set of pieces.
- `Site`: a board on its ground.
- `Streams`: stretches of streams.
- `Survey`: what is in a raster.
- `Tiles`: a top for every cell.
- `Verdict`: what verify found.
- `Watercourses`: where water runs on cells.
- `Ways`: roads or rivers on cells.

Errors:

- `HexterraError`: the root: anything hexterra refuses or cannot do.
- `InputError`: what was given cannot be used.
- `ArgumentError`: an argument of a function is of another type than it takes, or has another name.
- `FileMissingError`: a file that was named does not exist or cannot be opened.
- `NotElevationError`: a file or array is not a raster of heights, or contains numbers that are no
  heights.
- `CrsError`: the coordinate reference system is missing, unusable or contradicts the numbers.
- `VerticalUnitError`: heights may be metres or feet and nobody said which, or what was said is
  contradicted.
- `NoHeightsError`: a raster holds no usable height at all, or too few pixels to be ground.
- `GridMismatchError`: several files do not lie on one pixel grid.
- `CoverageError`: the board lies off the raster, or over too many voids.
- `BoardError`: a board cannot exist or be measured: sizes, scales, facing, extent.
- `VectorError`: a file of lines or areas cannot be used, or has nothing on the board.
- `BriefError`: a brief asks for something that does not exist or contradicts itself.
- `CatalogueError`: a catalogue cannot build anything, or names something impossible.
- `PlanFolderError`: a plan folder is missing files, or they cannot be read as a plan.
- `UntrustedSourceError`: a file leads to the network or to what lies elsewhere, and nobody said to
  trust it.
- `BuildError`: the input is sound, but no buildable board meets the request.
- `InfeasibleError`: pins, limits and falling water contradict each other; `facts["chain"]` names
  the cells.
- `StockError`: a stack or piece cannot be made from the thicknesses that are stocked.
- `OutputError`: a result cannot be written.
- `TooLittleMemoryError`: the work would need more memory than is free; nothing was begun.
- `HexterraWarning`: something was lost or assumed, and the result is still sound.
"""

import difflib
import sys
from typing import TYPE_CHECKING

import lazy_loader

__version__ = "0.2.0"

_load, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)

if not TYPE_CHECKING:  # to a type checker, `__init__.pyi` alone says which names there are

    def __getattr__(name: str):
        """Load a public name when it is first used."""
        if name not in __all__:
            near = difflib.get_close_matches(name, __all__, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise AttributeError(f"module 'hexterra' has no attribute {name!r}{hint}", name=name)
        value = globals()[name] = _load(name)
        return value


if "IPython" in sys.modules:  # in a notebook, values show themselves
    from hexterra.notebook.displays import register_displays

    register_displays()
