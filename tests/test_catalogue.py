"""The catalogue: what the default holds, that lookups agree with brute force, and refusals."""

from __future__ import annotations

import itertools
import re
import textwrap
from pathlib import Path

import numpy as np
import pytest

from hexterra.catalogue.catalogue import (
    BANKS,
    FACES,
    WATER,
    Catalogue,
    Crossing,
    Pattern,
    lowest_turn,
)
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import CatalogueError, FileMissingError

DEFAULT = load_catalogue()


def write(tmp_path, text):
    """Write a catalogue file with these lines."""
    path = tmp_path / "mine.toml"
    path.write_text(textwrap.dedent(text), encoding="utf-8")
    return path


def test_default_patterns():
    """The default has the named gentle patterns, their steep twins and the tilt."""
    gentle = {
        "flat": "000000",
        "spur": "100000",
        "bank": "110000",
        "flank": "111000",
        "shoulder": "111100",
        "hollow": "111110",
        "saddle": "110110",
    }
    expected = dict(gentle)
    for name, rises in gentle.items():
        if name != "flat":
            expected[f"steep {name}"] = rises.replace("1", "2")
    expected["tilt"] = "221001"
    found = {p.name: "".join(str(r) for r in p.rises) for p in DEFAULT.patterns}
    assert found == expected


def test_confluences_are_all_sets_of_three_sides():
    """Turning the listed confluences gives each of the 20 sets of three sides exactly once."""
    (confluence,) = (c for c in DEFAULT.crossings if c.name == "confluence")
    turned = {
        frozenset((side + turn) % 6 for side in sides)
        for sides in confluence.ports
        for turn in range(6)
    }
    assert turned == {frozenset(three) for three in itertools.combinations(range(6), 3)}


def test_find_patterns_agrees_with_brute_force():
    """For all 665 rises with a zero the table gives the first pattern and least turn that fit."""
    rises = np.array(
        [r for r in itertools.product(range(3), repeat=6) if min(r) == 0], dtype=np.int32
    )
    pattern, turn = DEFAULT.find_patterns(rises)
    for row, found in zip(rises, zip(pattern, turn, strict=True), strict=True):
        fits = [
            (number, t)
            for number, entry in enumerate(DEFAULT.patterns)
            for t in range(6)
            if all(row[s] == entry.rises[(s - t) % 6] for s in range(6))
        ]
        assert found == (min(fits) if fits else (-1, 0))


def test_too_high_rises_are_not_found():
    """A rise of 3 is not mistaken for the greatest rise a pattern can have."""
    pattern, turn = DEFAULT.find_patterns(np.array([[3, 0, 0, 0, 0, 0]], dtype=np.int32))
    assert (pattern[0], turn[0]) == (-1, 0)


def test_find_crossings_agrees_with_brute_force():
    """For every kind of water and set of ports the table gives the crossing and least turn."""
    masks = np.arange(64)
    ports = (masks[:, None] >> np.arange(6)) & 1 == 1
    for number, water in enumerate(WATER):
        crossing, turn = DEFAULT.find_crossings(np.full(64, number, dtype=np.int8), ports)
        for mask in masks:
            sides = set(np.flatnonzero(ports[mask]))
            fits = [
                (n, t)
                for n, entry in enumerate(DEFAULT.crossings)
                for t in range(6)
                for listed in entry.ports
                if entry.water == water and {(s + t) % 6 for s in listed} == sides
            ]
            assert (crossing[mask], turn[mask]) == (min(fits) if fits else (-1, 0))


def test_a_bend_is_found_by_hand():
    """Sides 1 and 5 have one side between them: a wide bend turned by 5."""
    ports = np.array([[False, True, False, False, False, True]])
    crossing, turn = DEFAULT.find_crossings(np.array([2], dtype=np.int8), ports)
    assert DEFAULT.crossings[crossing[0]].name == "wide bend"
    assert turn[0] == 5


def test_spring_mouth_and_pool_with_one_port_differ():
    """The same single port is another crossing where water begins, leaves the board or stays."""
    ports = np.zeros((3, 6), dtype=bool)
    ports[:, 4] = True
    crossing, turn = DEFAULT.find_crossings(np.array([1, 4, 5], dtype=np.int8), ports)
    assert [DEFAULT.crossings[c].name for c in crossing] == ["spring", "mouth", "pool"]
    assert turn.tolist() == [4, 4, 4]


def test_mirror_image_is_another_confluence():
    """The mirror image of sides 0 1 3 cannot be turned into it."""
    assert lowest_turn((0, 1, 3)) != lowest_turn(-s % 6 for s in (0, 1, 3))
    assert lowest_turn(-s % 6 for s in (0, 1, 3)) == (0, 1, 4)


@pytest.mark.parametrize(("rises", "period"), [("000000", 1), ("110110", 3), ("111000", 6)])
def test_period(rises, period):
    """Flat looks the same in every turn, the saddle in two, a flank in one."""
    assert Pattern("some", tuple(int(r) for r in rises)).period == period


def test_mean_rise_table():
    """The table of means is in the order of the patterns."""
    names = [p.name for p in DEFAULT.patterns]
    assert DEFAULT.mean_rise[names.index("flank")] == 0.5
    assert DEFAULT.mean_rise[names.index("tilt")] == 1.0


def test_load_without_a_path_is_the_default():
    """No path means the default, and its content has one fingerprint."""
    assert load_catalogue(None).same_as(DEFAULT)


def test_any_turn_may_be_written(tmp_path):
    """Rises and ports written in another turn give the same catalogue."""
    one = '[patterns]\nflat = "000000"\nbank = "110000"\n'
    other = '[patterns]\nflat = "000000"\nbank = "001100"\n'
    crossing = '[crossings.run]\nwater = "reach"\nports = ["{}"]\n'
    first = load_catalogue(write(tmp_path, one + crossing.format("0 2")))
    second = load_catalogue(write(tmp_path, other + crossing.format("1 5")))
    assert first.same_as(second)
    assert first.patterns[1].rises == (1, 1, 0, 0, 0, 0)
    assert first.crossings[0].ports == ((0, 2),)


FLAT = '[patterns]\nflat = "000000"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[patterns]\nbank = "110000"\n', "no flat top"),
        ("", "no flat top"),
        ("[colours]\n", "unknown key 'colours'; known are patterns, crossings"),
        ("patterns = 3\n", "patterns must be a table, not 3"),
        (FLAT + 'bank = "11000"\n', "six digits from 0 to 2, in quotes"),
        (FLAT + "bank = 110000\n", "six digits from 0 to 2, in quotes"),
        (FLAT + 'bank = "310000"\n', "six digits from 0 to 2"),
        (FLAT + 'bank = "211111"\n', "must have a 0"),
        (FLAT + 'comb = "101010"\n', "straight wire cannot cut"),
        (FLAT + 'bank = "110000"\nslope = "011000"\n', "'bank' and 'slope' have the same shape"),
        (FLAT + 'Bank = "110000"\n', "'Bank' cannot be printed"),
        (FLAT + '"flat with moss" = "110000"\n', "cannot be printed"),
        (FLAT + "flat = 3\n", r"not valid TOML: Cannot overwrite a value \(at line 3"),
        (FLAT + "[patterns\n", r"not valid TOML: .*\(at line 3"),
        (FLAT + "[crossings]\nrun = 3\n", "crossing 'run' must be a table"),
        (
            FLAT + '[crossings.run]\nwater = "reach"\nports = ["0 3"]\nbanks = 1\n',
            "unknown key 'banks'; known are water, ports",
        ),
        (FLAT + '[crossings.run]\nports = ["0 3"]\n', "water = ''; it must be one of spring"),
        (FLAT + '[crossings.run]\nwater = "dry"\nports = ["0 3"]\n', "water = 'dry'"),
        (FLAT + '[crossings.run]\nwater = "reach"\n', "ports is None"),
        (FLAT + '[crossings.run]\nwater = "reach"\nports = [3]\n', "list of sides in quotes"),
        (FLAT + '[crossings.run]\nwater = "reach"\nports = ["0 6"]\n', "list of sides in quotes"),
        (FLAT + '[crossings.run]\nwater = "reach"\nports = []\n', "lists no set of sides"),
        (
            FLAT + '[crossings.run]\nwater = "reach"\nports = ["0 1 3"]\n',
            "joins the sides '0 1 3'; a reach has 2 different sides",
        ),
        (FLAT + '[crossings.run]\nwater = "reach"\nports = ["0 3", "1 4"]\n', "sides twice"),
        (
            FLAT
            + '[crossings.run]\nwater = "reach"\nports = ["0 3"]\n'
            + '[crossings.walk]\nwater = "reach"\nports = ["1 4"]\n',
            "'run' and 'walk' have the same water and sides",
        ),
    ],
)
def test_bad_catalogues_are_refused(tmp_path, text, message):
    """Each mistake is a CatalogueError that names it and says what to do."""
    with pytest.raises(CatalogueError, match=message) as caught:
        load_catalogue(write(tmp_path, text))
    assert caught.value.remedy


def test_missing_file():
    """A path that does not exist is its own error."""
    with pytest.raises(FileMissingError, match=re.escape("nowhere.toml")):
        load_catalogue("nowhere.toml")


def test_not_text(tmp_path):
    """Bytes that are not UTF-8 are refused with their place."""
    path = tmp_path / "mine.toml"
    path.write_bytes(b"# \xff\n")
    with pytest.raises(CatalogueError, match="byte 2"):
        load_catalogue(path)


def test_values_built_by_hand_must_be_in_standard_turn():
    """A Pattern or Crossing made in code is not turned silently."""
    with pytest.raises(CatalogueError, match="greatest number"):
        Pattern("bank", (0, 1, 1, 0, 0, 0))
    with pytest.raises(CatalogueError, match="not turned to read lowest"):
        Crossing("run", "reach", ((1, 4),))


def test_two_patterns_of_one_name_are_refused():
    """Two shapes cannot share a name on the schedule."""
    flat = Pattern("flat", (0,) * 6)
    with pytest.raises(CatalogueError, match="two patterns are named 'flat'"):
        Catalogue((flat, Pattern("flat", (1, 1, 0, 0, 0, 0))), ())


# Times, faces and banks ------------------------------------------------------------------------


def _written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "catalogue.toml"
    path.write_text(text)
    return path


def test_patterns_can_be_timed(tmp_path: Path) -> None:
    """A pattern may say what cutting one takes; one that does not has no time."""
    text = '[patterns]\nflat = "000000"\nbank = { rises = "001100", minutes = 4 }\n'
    flat, bank = load_catalogue(_written(tmp_path, text)).patterns
    assert (flat.minutes, bank.minutes, bank.rises) == (None, 4.0, (1, 1, 0, 0, 0, 0))


def test_faces_and_banks_can_be_struck_out(tmp_path: Path) -> None:
    """What is left out is all there is; what is listed is all that can be cut."""
    flat = '[patterns]\nflat = "000000"\n'
    everything = load_catalogue(_written(tmp_path, flat))
    assert (everything.faces, everything.banks) == (FACES, BANKS)
    some = load_catalogue(_written(tmp_path, 'faces = ["land"]\nbanks = []\n' + flat))
    assert (some.faces, some.banks) == (("land",), ())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[patterns]\nflat = { rises = "000000", minutes = -1 }\n', "0 to 1000"),
        ('[patterns]\nflat = { rises = "000000", minutes = "long" }\n', "0 to 1000"),
        ('[patterns]\nflat = { rises = "000000", hours = 1 }\n', "'hours'"),
        ('faces = ["sea"]\n[patterns]\nflat = "000000"\n', "'waterside'"),
        ('banks = "sloping"\n[patterns]\nflat = "000000"\n', "'upright'"),
    ],
)
def test_bad_times_faces_and_banks_are_answered(text: str, said: str, tmp_path: Path) -> None:
    """A wrong time, key, face or bank is refused with what is allowed."""
    with pytest.raises(CatalogueError, match=said):
        load_catalogue(_written(tmp_path, text))
