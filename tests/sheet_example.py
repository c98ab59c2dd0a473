"""A day sheet made up by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

from emergence.angling.sheet import Board, DaySheet, EventDay, GateDay, Insect, Stages
from emergence.angling.sums import usual_tiers

GATES = (GateDay("water_mean", 12.0, 12.0, 1.0), GateDay("air_max", 21.0, 18.0, 0.4))


def insect(taxon: str = "coenagrion", **changes: Any) -> Insect:
    """Return an insect whose nymphs move with a chance of 60 %."""
    events = (EventDay("migration", 1, 0.5, 0.6, "2031-06-12"), EventDay("emergence", 1, 0.4, 0.3, "2031-06-15"))
    whole = Insect(
        taxon=taxon,
        name="spring damselflies",
        group="damselfly",
        leaving="hatch",
        residence="yes",
        events=events,
        gates=GATES,
        depth_m=(0.6, 7.5),
        stages=Stages(0.4, 0.3, 0.2, 0.1, 0.02),
        adult_from="2031-05-20",
        adult_until="2031-07-20",
        flies_after_h=2.0,
        life_d=15.0,
    )
    return dataclasses.replace(whole, **changes)


def sheet(*insects: Insect, lake: str = "Low Pond", **changes: Any) -> DaySheet:
    """Return a sheet of a warm June day at an invented lake."""
    board = Board(
        lake_id="low",
        lake=lake,
        date=dt.date(2031, 6, 14),
        as_of=dt.date(2031, 6, 7),
        season=2031,
        insects=insects or (insect(),),
        frost=("2031-09-20", "2031-10-05", ""),
        frost_c=-2.0,
    )
    whole = DaySheet(
        board=board,
        region="hills",
        elevation_m=900.0,
        deepest_m=8.0,
        deepest_guessed=False,
        secchi_m=float("nan"),
        stems="much",
        basis="past springs",
        sun=(4.0, 12.5, 21.0),
        clock=True,
        water=(15.0, 16.5, 18.0),
        afternoon_c=(18.5, 20.4),
        air_min=(5.0, 8.0, 11.0),
        air_max=(16.0, 20.0, 25.0),
        ice_chance=0.0,
        turnover=0.0,
        tiers=(usual_tiers(),),
    )
    return dataclasses.replace(whole, **changes)
