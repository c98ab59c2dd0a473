"""Parts of the board that are there only when their result is: headings and tables, readable without scripts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emergence.report.board_shades import step

FULL = 50
"""Half the width of a bar's picture."""


@dataclass(frozen=True)
class Bar:
    """A signed number as words and a bar from the middle: left below zero, right above; full at ``full``."""

    words: str
    value: float
    full: float

    @property
    def x(self) -> float:
        """Return where the bar begins, 0 to 100."""
        return FULL + min(self._length, 0.0)

    @property
    def width(self) -> float:
        """Return how long the bar is, 0 to 50."""
        return abs(self._length)

    @property
    def _length(self) -> float:
        return round(max(-1.0, min(1.0, self.value / self.full)) * FULL, 1)


@dataclass(frozen=True)
class Shade:
    """A share [0..1] as words on its shade."""

    words: str
    share: float

    @property
    def step(self) -> int:
        """Return the number of the shade."""
        return step(self.share)


Cell = str | Bar | Shade


@dataclass(frozen=True)
class Table:
    """A table of a part: the first cell of each row names it.

    ``numbers`` are the columns set to the right, ``apart`` the rows that begin another kind of rows; ``weeks`` says
    that its last columns are weeks, which a phone sets below the rest.
    """

    caption: str
    heads: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    numbers: frozenset[int] = frozenset()
    apart: frozenset[int] = frozenset()
    weeks: bool = False


@dataclass(frozen=True)
class Part:
    """A part of the board with its own tab.

    ``key`` names it in addresses (letters only), ``tab`` in the tabs; ``rule`` says how to read it, ``curious`` holds
    tables that fold away. Guests get it only where ``for_guests`` says that it names no lake.
    """

    key: str
    tab: str
    heading: str
    rule: str
    tables: Sequence[Table]
    curious: Sequence[Table] = ()
    curious_rule: str = ""
    for_guests: bool = False
