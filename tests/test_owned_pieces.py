"""Owned pieces: read as a schedule, preferred by the plan, and accounted for."""

from __future__ import annotations

from pathlib import Path

import pytest

import hexterra as hx
from hexterra.errors import BriefError, FileMissingError
from hexterra.inputs.owned_pieces import OwnedPieces, read_owned, stock_frame, tile_kind
from hexterra.outputs.plan_files import write_plan

SIZE = {"columns": 12, "rows": 9}
HEADER = "kind,piece,part,hand,pattern,rises,turn,crossing,ports,thickness_mm,count\n"


WIDE = HEADER.strip() + ",widths,upright,leaves,sunken,sunken_leaves\n"


@pytest.fixture(scope="module")
def built(jacksboro: hx.Elevation, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan folder of a board that was built once, elsewhere on the same ground."""
    folder = tmp_path_factory.mktemp("stock") / "built"
    elsewhere = {**SIZE, "scale": 8000, "lon_deg": -84.30, "lat_deg": 36.55}
    write_plan(hx.make_plan(jacksboro, hx.Brief(board=elsewhere)), folder)
    return folder


def test_a_schedule_is_a_stock_list(built: Path) -> None:
    """All pieces of the earlier schedule are read, with their counts."""
    owned = read_owned(built / "schedule.csv")
    assert sum(count for _, count in owned.tiles) == SIZE["columns"] * SIZE["rows"]
    assert any(name == "plain footing" for name, _ in owned.blocks)


def test_owned_pieces_are_preferred(jacksboro: hx.Elevation, built: Path, tmp_path: Path) -> None:
    """With a stock the plan cuts fewer tiles than the plan made without regard to it."""
    blind = hx.make_plan(jacksboro, hx.Brief(board=SIZE))
    owned = read_owned(built / "schedule.csv")
    aware = hx.plan_heights(
        jacksboro,
        blind.heights,
        hx.Brief(board=SIZE, stock={"owned": str(built / "schedule.csv")}),
    )

    def tiles_to_cut(plan: hx.Plan) -> int:
        frame = stock_frame(plan.pieces, owned)
        return int(frame.loc[frame["kind"] == "tile", "to_cut"].sum())

    assert 0 <= tiles_to_cut(aware) < tiles_to_cut(blind)
    assert "pieces owned" in aware.describe()
    assert "stock.csv" in write_plan(aware, tmp_path / "plan")
    assert hx.verify(tmp_path / "plan").agrees


def test_the_account_balances(jacksboro: hx.Elevation, built: Path) -> None:
    """Needed and unused are owned and to cut, row by row and in all."""
    plan = hx.make_plan(
        jacksboro, hx.Brief(board=SIZE, stock={"owned": str(built / "schedule.csv")})
    )
    frame = plan.stock
    assert frame is not None
    assert (frame["needed"] + frame["unused"] == frame["owned"] + frame["to_cut"]).all()
    assert frame["needed"].sum() == sum(piece.count for piece in plan.pieces.pieces)
    owned = read_owned(built / "schedule.csv")
    assert frame["owned"].sum() == sum(n for _, n in owned.tiles) + sum(n for _, n in owned.blocks)


def test_a_board_is_its_own_stock(jacksboro: hx.Elevation) -> None:
    """Owning exactly what a board needs leaves nothing to cut and nothing unused."""
    plan = hx.make_plan(jacksboro, hx.Brief(board=SIZE))
    tiles = tuple((tile_kind(p), p.count) for p in plan.pieces.pieces if p.kind == "tile")
    blocks = tuple((p.name, p.count) for p in plan.pieces.pieces if p.kind != "tile")
    frame = stock_frame(plan.pieces, OwnedPieces(tiles, blocks))
    assert frame[["to_cut", "unused"]].to_numpy().sum() == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("piece,count\nflat,3\n", "no column 'kind'"),
        (HEADER + "tile,flat,whole,,flat,000000,0,,,15,many\n", "line 2"),
        (HEADER + "tile,flat,whole,,flat,000000,0,,,15,-1\n", "count = '-1'"),
        (HEADER + f"tile,flat,whole,,flat,000000,0,,,15,{2**63}\n", "at most 9 digits"),
        (HEADER + f"tile,flat,whole,,flat,000000,0,,,15,{'9' * 5000}\n", "at most 9 digits"),
        (HEADER + "tile,flat,whole,,flat,000000,x,,,15,1\n", "turn = 'x'"),
        (HEADER + "tile,flat,whole,,flat,000000,0,straight,0 9,15,1\n", "ports = '0 9'"),
        (WIDE + "tile,flat,whole,,flat,000000,0,,,15,1,,,,0 x,\n", "sunken = '0 x'"),
        (WIDE + "tile,flat,whole,,flat,000000,0,straight,0 3,15,1,2 2,,,,\n", "widths = '2 2'"),
        (WIDE + "tile,flat,whole,,flat,000000,0,straight,0 3,15,1,9 0 0 9 0 0,,,,\n", "widths"),
    ],
)
def test_bad_stock_lists_are_answered(text: str, said: str, tmp_path: Path) -> None:
    """A wrong stock list is refused with line, column and value."""
    path = tmp_path / "stock.csv"
    path.write_text(text)
    with pytest.raises(BriefError) as caught:
        read_owned(path)
    assert said in str(caught.value)


def test_what_is_cut_across_the_sides_tells_tiles_apart(tmp_path: Path) -> None:
    """A straight river, the same twice as wide, one with upright banks, and a holloway are four."""
    river = "tile,river,whole,,flat,000000,0,straight,0 3,15,"
    rows = (
        river + "1,,,,,",  # as in lists without the columns: of the least width
        river + "10,1 0 0 1 0 0,,,,",
        river + "100,2 0 0 2 0 0,,,,",
        river + "1000,1 0 0 1 0 0,0 3,,,",
        "tile,holloway,whole,,flat,000000,0,,,15,10000,,,,0 3,",
        "tile,plain,whole,,flat,000000,0,,,15,100000,,,,,",
    )
    path = tmp_path / "stock.csv"
    path.write_text(WIDE + "\n".join(rows) + "\n")
    counts = sorted(count for _, count in read_owned(path).tiles)
    assert counts == [11, 100, 1000, 10000, 100000]


def test_jobs_of_finishing_are_no_pieces(tmp_path: Path) -> None:
    """The woods of a schedule are nothing that anybody owns."""
    path = tmp_path / "stock.csv"
    path.write_text(HEADER + "finish,woods,,,,,,,,,7\nspacer,spacer 30 mm,whole,,,,,,,30,4\n")
    assert read_owned(path).same_as(OwnedPieces((), (("spacer 30 mm", 4),)))


def test_missing_and_unreadable_lists(tmp_path: Path) -> None:
    """A list that is not there, or not text, is refused by name."""
    with pytest.raises(FileMissingError, match="absent"):
        read_owned(tmp_path / "absent.csv")
    path = tmp_path / "bytes.csv"
    path.write_bytes(b"kind,\xff\xfe")
    with pytest.raises(BriefError, match="UTF-8"):
        read_owned(path)


def test_the_brief_names_the_list_from_its_own_folder(tmp_path: Path) -> None:
    """A relative stock list is found beside the brief."""
    brief = tmp_path / "brief.toml"
    brief.write_text('[stock]\nowned = "mine.csv"\n')
    assert hx.read_brief(brief).stock.owned == str(tmp_path / "mine.csv")
