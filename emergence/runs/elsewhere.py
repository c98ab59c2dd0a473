"""Where else the same insect moves on the same day: the lakes near by, the best first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from emergence.angling.practice import day_advice
from emergence.angling.sheet import DaySheet, Elsewhere
from emergence.dates import to_date
from emergence.errors import NoWeatherError
from emergence.records import Season
from emergence.runs.execute import run_plan
from emergence.runs.lake_access import shut_lakes
from emergence.runs.plan import prepare
from emergence.runs.taught import Learned
from emergence.weather.neighbours import great_circle_km

MOST_ASKED, MOST_TOLD = 8, 3  # lakes
FARTHEST_KM = 100.0  # our prior: farther is no plan for the same day
LEAST_BETTER = 0.2  # least chance of a moving day worth the drive; our prior


def with_elsewhere(sheet: DaySheet, season: Season, day: int, learned: Learned | None = None) -> DaySheet:
    """Return the sheet with the near lakes on which its first insect is likeliest to move that day.

    Parameters
    ----------
    sheet
        The sheet; where nothing moves on it, it comes back as it is.
    season
        The season with all lakes.
    day
        Day number of the sheet.
    learned
        Fits of past seasons, as for the sheet.

    Notes
    -----
    The nearest MOST_ASKED lakes within FARTHEST_KM, as the crow flies, that neither closures.csv nor access.csv shuts
    and whose water is not under ice in more than half of the members; none where no near lake has weather.
    """
    advice = next((a for a in day_advice(sheet) if a.moving), None)
    near = _near(season, sheet.board.lake_id, day)
    if advice is None or advice.insect.best is None or not near:
        return sheet
    taxon, best = advice.insect.taxon, advice.insect.best
    as_of = (sheet.board.as_of - to_date(0)).days
    try:
        plan = prepare(season, as_of=as_of, lakes=tuple(near), taxa=(taxon,), learned=learned)
    except NoWeatherError:
        return sheet
    result = run_plan(plan)
    date = pd.Timestamp(sheet.board.date)
    days, water = result.days[result.days.date == date], result.water[result.water.date == date]
    days = days[(days.taxon == taxon) & (days.event == best.event) & (days.brood == best.brood)]
    ice, warm = (water.set_index("lake_id")[name] for name in ("ice_chance", "water_p50"))
    names = dict(zip(season.lakes.lake_id.tolist(), season.lakes.name.tolist(), strict=True))
    found = [
        Elsewhere(names[lake] or lake, near[lake], float(chance), float(warm[lake]))
        for lake, chance in zip(days.lake_id.tolist(), days.chance_moving.tolist(), strict=True)
        if chance >= LEAST_BETTER and ice[lake] <= 0.5
    ]
    found.sort(key=lambda e: (-e.chance, e.km))
    return replace(sheet, elsewhere=tuple(found[:MOST_TOLD]), elsewhere_of=advice.insect.name)


def _near(season: Season, lake_id: str, day: int) -> dict[str, float]:
    """Return the nearest other lakes that are not shut, with the way there as the crow flies [km]."""
    lakes = season.lakes
    here = int(np.flatnonzero(lakes.lake_id == lake_id)[0])
    km = great_circle_km(lakes.latitude[here], lakes.longitude[here], lakes.latitude, lakes.longitude)
    shut = shut_lakes(season, day)
    order = [k for k in np.argsort(km, kind="stable").tolist() if k != here and km[k] <= FARTHEST_KM]
    usable = [k for k in order if lakes.southern[k] == lakes.southern[here] and lakes.lake_id[k] not in shut]
    return {str(lakes.lake_id[k]): float(km[k]) for k in usable[:MOST_ASKED]}
