"""Every error hexterra raises, on one screen.

A message says what is wrong, where, with which value, what is allowed and what to do about it.
The same facts are attributes, so a program need never read the text. ``exit_code`` is what the
command line ends with; each class has its own.
"""

from __future__ import annotations

from typing import ClassVar


class HexterraError(Exception):
    """The root: anything hexterra refuses or cannot do.

    Parameters
    ----------
    problem
        What is wrong, where, with the value and its unit.
    remedy
        What the user can do about it, as an instruction.
    facts
        The values behind the message, kept in `facts` by name.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, problem: str, *, remedy: str = "", **facts: object) -> None:
        self.problem = problem
        self.remedy = remedy
        self.facts = facts
        super().__init__(f"{problem}\n  To fix it: {remedy}" if remedy else problem)

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.problem, self.remedy, self.facts))


def _rebuild(
    kind: type[HexterraError], problem: str, remedy: str, facts: dict[str, object]
) -> HexterraError:
    return kind(problem, remedy=remedy, **facts)


class InputError(HexterraError, ValueError):
    """What was given cannot be used."""

    exit_code = 10


class ArgumentError(InputError, TypeError):
    """An argument of a function is of another type than it takes, or has another name."""


class FileMissingError(InputError, FileNotFoundError):
    """A file that was named does not exist or cannot be opened."""

    exit_code = 11


class NotElevationError(InputError):
    """A file or array is not a raster of heights, or contains numbers that are no heights."""

    exit_code = 12


class CrsError(InputError):
    """The coordinate reference system is missing, unusable or contradicts the numbers."""

    exit_code = 13


class VerticalUnitError(InputError):
    """Heights may be metres or feet and nobody said which, or what was said is contradicted."""

    exit_code = 14


class NoHeightsError(InputError):
    """A raster holds no usable height at all, or too few pixels to be ground."""

    exit_code = 15


class GridMismatchError(InputError):
    """Several files do not lie on one pixel grid."""

    exit_code = 16


class CoverageError(InputError):
    """The board lies off the raster, or over too many voids."""

    exit_code = 17


class BoardError(InputError):
    """A board cannot exist or be measured: sizes, scales, facing, extent."""

    exit_code = 18


class VectorError(InputError):
    """A file of lines or areas cannot be used, or has nothing on the board."""

    exit_code = 19


class BriefError(InputError):
    """A brief asks for something that does not exist or contradicts itself."""

    exit_code = 20


class CatalogueError(InputError):
    """A catalogue cannot build anything, or names something impossible."""

    exit_code = 21


class PlanFolderError(InputError):
    """A plan folder is missing files, or they cannot be read as a plan."""

    exit_code = 22


class UntrustedSourceError(InputError):
    """A file leads to the network or to what lies elsewhere, and nobody said to trust it."""

    exit_code = 23


class BuildError(HexterraError, RuntimeError):
    """The input is sound, but no buildable board meets the request."""

    exit_code = 30


class InfeasibleError(BuildError):
    """Pins, limits and falling water contradict each other; `facts["chain"]` names the cells."""

    exit_code = 31


class StockError(BuildError):
    """A stack or piece cannot be made from the thicknesses that are stocked."""

    exit_code = 32


class OutputError(HexterraError, OSError):
    """A result cannot be written."""

    exit_code = 40


class TooLittleMemoryError(HexterraError, MemoryError):
    """The work would need more memory than is free; nothing was begun."""

    exit_code = 60


class HexterraWarning(UserWarning):
    """Something was lost or assumed, and the result is still sound."""
