"""What `verify` answers: the findings, and how much was looked at."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from hexterra.values import Value


@dataclass(frozen=True, eq=False, repr=False)
class Finding(Value):
    """One thing that does not fit; `cell` is "" and `side` -1 where none is meant."""

    cell: str
    side: int
    what: str
    expected: str
    found: str

    def __str__(self) -> str:
        where = self.cell + (f" side {self.side}" if self.side >= 0 else "")
        return f"{where + ': ' if where else ''}{self.what}: {self.expected}; found {self.found}"


@dataclass(frozen=True, eq=False, repr=False)
class Verdict(Value):
    """What `verify` found, and how much it looked at (`checked`: things and their number)."""

    findings: tuple[Finding, ...]
    checked: tuple[tuple[str, int], ...]

    @property
    def agrees(self) -> bool:
        """Whether everything fits: nothing was found."""
        return not self.findings

    def describe(self) -> str:
        """Return what was found in a few lines, the first 20 findings spelled out."""
        looked = ", ".join(f"{number:,} {thing}" for thing, number in self.checked)
        if self.agrees:
            return f"The plan fits together. Checked: {looked}."
        counts = Counter(finding.what for finding in self.findings)
        head = f"The plan does not fit together: {len(self.findings):,} findings ("
        head += ", ".join(f"{what} {number:,}" for what, number in sorted(counts.items()))
        lines = [f"  {finding}" for finding in self.findings[:20]]
        if len(self.findings) > len(lines):
            lines.append(f"  ... and {len(self.findings) - len(lines):,} more")
        return "\n".join([f"{head}). Checked: {looked}.", *lines])
