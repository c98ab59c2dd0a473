"""What a plan is made from: joint members of lakes and wants, parties, guides, rules of lakes. Indices, no names.

Day indices count from ``Outlook.first_day``; lakes, wants and guides are positions in their tuples.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

POOR = ("ice", "turnover", "heat")
MONDAY = 3  # d from Monday to day number 0, a Thursday
Cell = tuple[int, int]


@dataclass(frozen=True)
class Outlook:
    """Joint members: the same member is the same possible season at every lake.

    ``moving`` (wants, days, lakes, members): days on which what is wanted shows and the lake can be fished;
    ``poor`` (3, days, lakes): chance of ice, overturn and heat at or above the stop, in the order of POOR.
    """

    first_day: int
    lakes: tuple[str, ...]
    wants: tuple[tuple[str, str], ...]
    moving: Bools
    poor: Floats

    @property
    def days(self) -> int:
        """Number of days."""
        return int(self.moving.shape[1])

    def week(self, day: Ints) -> Ints:
        """Return the number of the week, which begins on Monday, of day indices."""
        return (day + self.first_day + MONDAY) // 7


@dataclass(frozen=True)
class Party:
    """One party: ``days`` days within ``earliest`` to ``latest`` (day indices, both included).

    Consecutive, or in at most two visits; at one lake, or with ``change_lake`` at two. ``weights`` (wants,) add up to
    1; ``lakes`` (lakes,) may be fished; ``poor_ok``: days worth nothing are booked knowingly. ``booked`` are the cells
    (lake, day) it has, of guide ``booked_guide`` (-1: nobody yet), ``fixed`` whether they stand; ``move_cost`` in
    expected moving days.
    """

    name: str
    size: int
    earliest: int
    latest: int
    days: int
    weights: Floats
    lakes: Bools
    consecutive: bool = True
    change_lake: bool = False
    skills: frozenset[str] = frozenset()
    poor_ok: bool = False
    booked: tuple[Cell, ...] = ()
    booked_guide: int = -1
    fixed: bool = False
    move_cost: float = 0.0


@dataclass(frozen=True)
class Guide:
    """One guide: ``works`` (days,), guests that fit into the boats, and hours [h] from the base to each lake."""

    name: str
    works: Bools
    seats: int
    hours: Floats
    skills: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Closure:
    """A lake closed on the days ``first`` to ``last``, both included."""

    lake: int
    first: int
    last: int
    reason: str = ""


@dataclass(frozen=True)
class Access:
    """A lake's rules: open span (None: no bound), permit in hand, guided days a season, parties a day and a week."""

    lake: int
    open_from: int | None = None
    open_to: int | None = None
    permit: bool = True
    quota: int | None = None
    per_day: int | None = None
    per_week: int | None = None


@dataclass(frozen=True)
class Limits:
    """Numbers that the user may set; see ``records.TripSettings``. ``most_poor`` in the order of POOR."""

    most_travel_h: float = 3.0
    travel_cost: float = 0.05
    again: float = 0.9
    fairness: float = 0.5
    most_poor: tuple[float, float, float] = (0.1, 0.5, 0.5)


@dataclass(frozen=True)
class Case:
    """Everything together; ``between`` (lakes, lakes) hours [h] from lake to lake."""

    outlook: Outlook
    parties: tuple[Party, ...]
    guides: tuple[Guide, ...]
    between: Floats
    closures: tuple[Closure, ...] = ()
    access: tuple[Access, ...] = ()
    limits: Limits = field(default_factory=Limits)

    @property
    def poor_day(self) -> Bools:
        """Days worth nothing (3, days, lakes): the chance of ice, overturn or heat lies above the stated share."""
        return self.outlook.poor > np.array(self.limits.most_poor)[:, None, None]
