"""Dates that the catalogue's requirements are set by: one mark of a taxon at a simulated lake, with its source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from climates import ERIE, HEMING, MADISON, MICHIGAN, PLATEAU, SASKATOON, WINNEBAGO, MiddleLake


@dataclass(frozen=True)
class Anchor:
    """A date to be met: the ``mark`` of a taxon's first brood at a lake, on ``day`` of the year within ``sd`` days.

    ``mark``: first (5 % ready), onset, peak or end of emergence, migration (its peak).
    """

    taxon: str
    climate: str
    lake: MiddleLake
    mark: str
    day: float
    sd: float
    source: str


POND_1 = MiddleLake(SASKATOON, (52.1, 500.0, 0.5, 1.0, 1.5), 6.3)
POND_2 = MiddleLake(SASKATOON, (52.1, 500.0, 5.0, 2.0, 4.0), 6.3)
HILL = MiddleLake(PLATEAU, (50.0, 1150.0, 30.0, 4.0, 9.0), 6.8)
HILL_2 = MiddleLake(PLATEAU, (50.0, 1150.0, 10.0, 2.0, 4.5), 6.8)
SOUTH = MiddleLake(MADISON, (43.1, 260.0, 10.0, 3.0, 6.0), 5.5)
BIG = MiddleLake(WINNEBAGO, (44.0, 228.0, 55000.0, 4.7, 6.4), 5.5)
BOG = MiddleLake(MICHIGAN, (46.2, 500.0, 2.0, 4.0, 9.0), 6.0)
SHALLOW_ERIE = MiddleLake(ERIE, (41.7, 174.0, 300000.0, 7.4, 11.0), 5.0)
NORTH = MiddleLake(HEMING, (54.9, 300.0, 260.0, 3.0, 5.5), 6.0)

SAWCHYN = "Sawchyn & Gillott 1975 Can Ent 107:119: first adults in the last week of May"
PRACTICE = "common practice, no source"
ANCHORS = (
    Anchor("coenagrion", "pond 1 m, 52 N", POND_1, "first", 147.5, 4.0, SAWCHYN),
    Anchor("coenagrion", "pond 2 m, 52 N", POND_2, "first", 147.5, 4.0, SAWCHYN),
    Anchor("coenagrion", "plateau 4 m, 50 N", HILL, "migration", 171.5, 5.0, f"{PRACTICE}: peak 10 June to 1 July"),
    Anchor("coenagrion", "plateau 2 m, 50 N", HILL_2, "migration", 171.5, 5.0, f"{PRACTICE}: peak 10 June to 1 July"),
    Anchor("coenagrion", "lake 3 m, 43 N", SOUTH, "first", 134.0, 8.0, "mid May, our own study; no published date"),
    Anchor("libellula", "plateau 4 m, 50 N", HILL, "peak", 171.0, 8.0, "late May to June at 50 N, from memory"),
    Anchor("aeshna", "plateau 4 m, 50 N", HILL, "peak", 194.0, 10.0, "late June to August on plateaus, from memory"),
    Anchor("chironomus", "Winnebago, 44 N", BIG, "peak", 136.0, 4.0, "Hilsenhoff 1966: mid May"),
    Anchor("chironomus", "plateau 4 m, 50 N", HILL, "peak", 148.0, 8.0, f"{PRACTICE}: mid May to June"),
    Anchor("chaoborus", "bog lake, 46 N", BOG, "peak", 158.0, 6.0, "von Ende 1982: pupates end of May; a week more"),
    Anchor("callibaetis", "plateau 4 m, 50 N", HILL, "peak", 160.0, 8.0, f"{PRACTICE}: late May to June"),
    Anchor("caenis", "northern lake, 55 N", NORTH, "peak", 197.0, 5.0, "Flannagan & Lawler 1972: 2-30 July"),
    Anchor("hexagenia", "western Erie, 42 N", SHALLOW_ERIE, "peak", 173.0, 4.0, "Corkum et al. 2006: 13 June-2 July"),
    Anchor("limnephilid", "plateau 4 m, 50 N", HILL, "peak", 180.0, 10.0, f"{PRACTICE}: mid June to July"),
    Anchor("phryganeid", "plateau 4 m, 50 N", HILL, "peak", 186.0, 10.0, f"{PRACTICE}: mid June to July"),
)


def given(anchor: Anchor, median: float | None = None) -> float:
    """Return the day of the year that the middle of the springs gives for an anchor."""
    found = anchor.lake.run(anchor.taxon, median=median)[0]
    if anchor.mark == "first":
        days = found.first
    elif anchor.mark == "migration":
        assert found.migration is not None
        days = found.migration.peak
    else:
        days = getattr(found.emergence, anchor.mark)
    return float(np.median(days))


def misfit(anchors: list[Anchor], median: float) -> float:
    """Return the sum of squared misses in their standard deviations."""
    return sum(((given(a, median) - a.day) / a.sd) ** 2 for a in anchors)


def fitted(anchors: list[Anchor]) -> float:
    """Return the median that fits best [°C·day]: a coarse and a fine grid of the logarithm, blind to the catalogue."""
    coarse = min(np.geomspace(30.0, 1500.0, 41), key=lambda k: misfit(anchors, float(k)))
    return float(min(coarse * np.exp(np.linspace(-0.1, 0.1, 21)), key=lambda k: misfit(anchors, float(k))))
