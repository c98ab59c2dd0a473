"""What a run took for granted, in sentences: every default that entered a result is listed in it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from emergence.dates import YEAR_DAYS, to_date
from emergence.errors import Problem
from emergence.learning.widening import Widening
from emergence.records import Lakes
from emergence.runs.plan import RunPlan
from emergence.water.coefficients import load_coefficients
from emergence.water.depth import MEAN_OF_MAX_DEPTH
from emergence.weather.constants import AHEAD_DOUBLING, AHEAD_SD, LONGEST_LEAD, WIDE_HEIGHT
from emergence.weather.gaps import CALENDAR, GAP_POLICY, NEIGHBOUR
from emergence.weather.lapse import VARIABLES

FAR_KM, HIGH_M = 40.0, 300.0  # from here on the way from station to lake is worth a line; our prior
MOST_NAMES = 8
FEW_YEARS = 10  # our prior
SILENT_DAYS = 30
TROPICAL_LATITUDE = 25.0
"""Nearer to the equator [°] no winter sets the year's start and dates mean little; our prior."""


def far_from_the_model(lakes: Lakes) -> Iterator[Problem]:
    """Yield a note on the lakes nearer to the equator than the model was made for."""
    near = np.abs(lakes.latitude) < TROPICAL_LATITUDE
    if near.any():
        rule = (
            f"within {TROPICAL_LATITUDE:.0f}° of the equator lies {some([str(i) for i in lakes.lake_id[near]])}: the "
            "model was made for temperate and northern lakes, and dates there mean little"
        )
        yield Problem("lakes.csv", 0, "latitude", "", rule, "Trust what you see there.", "note")


def assumptions(plan: RunPlan) -> tuple[str, ...]:
    """Return the sentences, most general first."""
    lines = [*_weather(plan), *_water(plan), *_life(plan), *_notes(plan)]
    return tuple(lines)


def _names(plan: RunPlan, mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> str:
    return some([str(i) for i in plan.lakes.lake_id[mask]])


def some(names: list[str]) -> str:
    """Return the first names and how many more there are."""
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return ", ".join(names[:MOST_NAMES]) + more


def _weather(plan: RunPlan) -> list[str]:
    years = plan.slots.slot_year
    lines = [
        f"The weather to come is drawn from {len(years)} past springs ({years.min()}-{years.max()}), each with "
        f"{plan.replicates} possible lakes{_forecast_words(plan)}"
        if years.min() >= 0
        else "No past year can be laid on the days to come: the calendar mean stands in, without its spread.",
        f"Gaps in station records: {GAP_POLICY}; the days filled are counted in run.json.",
        *_days_to_come(plan),
        *_stations(plan),
    ]
    used = plan.links.in_use
    estimated = [plan.filled[k].station_id for k in used if plan.filled[k].range_estimated[-365:].mean() > 0.5]
    if estimated:
        lines.append(f"Minima and maxima are estimated from the daily mean at {', '.join(estimated)}.")
    silent = [plan.filled[k].station_id for k in used if (plan.filled[k].how[-30:] == CALENDAR).sum() > 3]
    if silent:
        lines.append(f"More than 3 of the last 30 days are calendar means at {', '.join(silent)}.")
    few = [plan.slots.station_id[k] for k in used if plan.slots.distinct_years[k] < FEW_YEARS]
    if few:
        lines.append(
            f"Fewer than {FEW_YEARS} past years at {', '.join(few)}: the spread of the weather to come is too narrow."
        )
    ended = [
        plan.filled[k].station_id for k in used if (plan.filled[k].how[-SILENT_DAYS:] == NEIGHBOUR).sum() == SILENT_DAYS
    ]
    if ended:
        lines.append(f"The last {SILENT_DAYS} days are a neighbour's at {', '.join(ended)}.")
    apart = [plan.slots.station_id[k] for k in used if not plan.slots.joint[k].all()]
    if apart and years.min() >= 0:
        lines.append(f"Some past springs are substitutes of another year (not the same sky) at {', '.join(apart)}.")
    return lines


def _forecast_words(plan: RunPlan) -> str:
    used = [plan.slots.outlook_of(int(k)) for k in plan.links.in_use]
    return "." if any(o is not None and o.ahead is not None for o in used) else "; no weather forecast is used."


def _days_to_come(plan: RunPlan) -> list[str]:
    """Return what was done to the past springs before they were laid on this one."""
    used = {plan.filled[k].station_id: o for k in plan.links.in_use if (o := plan.slots.outlook_of(int(k))) is not None}
    fits = [o.persistence for o in used.values()]
    if not fits:
        return []
    decade = 10.0 * YEAR_DAYS * np.array([f.warming_c for f in fits])
    kept = np.mean([f.kept([1, 7]) for f in fits], axis=0)
    lines = [
        "Past springs are the latest years, moved to today's climate by each station's own warming, drawn to none "
        f"where the record is short ({decade.min():+.2f} to {decade.max():+.2f} °C in ten years).",
        "The last days' departure from the usual is carried on and fades as fitted to each station's record: of one "
        f"warm day {_percent(kept[0, 0] + kept[1, 0] / 5 + kept[2, 0] / 30)} is left on the next day, of a warm month "
        f"{_percent(kept[:, 1].sum())} after a week.",
    ]
    ahead = {name: o.ahead for name, o in used.items() if o.ahead is not None}
    if ahead:
        most, last = max(len(a.day) for a in ahead.values()), max(int(a.day[-1]) for a in ahead.values())
        told = [name if a.source == name else f"{name} (those of {a.source})" for name, a in ahead.items()]
        lines.append(
            f"{most} forecast days (to {to_date(last)}) are used at {some(told)}; their daily mean is "
            f"taken to be off by {AHEAD_SD.value:.1f} °C on the first day, twice that every {AHEAD_DOUBLING.value:.0f} "
            "days."
        )
    elif plan.season.ahead:
        why = (
            f"they were made later than {to_date(plan.as_of)}"
            if plan.as_of < plan.last_weather_day
            else f"none lies within {LONGEST_LEAD.value:.0f} days of its making and after {to_date(plan.as_of)}"
        )
        lines.append(f"The forecast days of {some(list(plan.season.ahead))} are not used: {why}.")
    return lines


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _stations(plan: RunPlan) -> list[str]:
    """Return what was taken for granted on the way from stations to lakes."""
    lines, found = [_height_rates(plan)], plan.assignment
    several = (found.weight > 0.0).sum(axis=1) > 1
    if several.any():
        lines.append(
            f"The air over {int(several.sum())} of {len(several)} lakes is a mean of up to "
            f"{int((found.weight > 0.0).sum(axis=1).max())} stations, weighted by distance and height; run.json has "
            "the weights."
        )
    far = (found.distance_km[:, 0] > FAR_KM) | (np.abs(found.dz_m[:, 0]) > HIGH_M)
    if far.any():
        lines.append(f"Station more than {FAR_KM:.0f} km or {HIGH_M:.0f} m of height away: {_names(plan, far)}.")
    wide = np.abs(found.dz_m[:, 0]) > WIDE_HEIGHT.value
    if wide.any():
        lines.append(
            f"Station more than {WIDE_HEIGHT.value:.0f} m above or below; the spread is widened for it: "
            f"{_names(plan, wide)}."
        )
    return lines


def _height_rates(plan: RunPlan) -> str:
    """Return how temperature is moved from station to lake height."""
    table = "5.5 °C/km in the mean, 6.5 for maxima and 4.0 for minima, with a monthly shape"
    used = plan.links.in_use
    learned = used[plan.lapse.learned_from[used] > 0]
    if len(learned) == 0:
        return f"Air temperature is moved from station to lake height by {table}."
    mean = [plan.lapse.rate_c_km[learned, v].mean() for v in range(len(VARIABLES))]
    told = ", ".join(f"{rate:.1f} for {word}" for rate, word in zip(mean, ("minima", "means", "maxima"), strict=True))
    rest = "" if len(learned) == len(used) else f"; elsewhere by {table}"
    return (
        "Air temperature is moved from station to lake height by monthly rates learned from up to "
        f"{plan.lapse.learned_from[learned].max()} stations and drawn towards published ones (year's mean, °C/km: "
        f"{told}){rest}."
    )


def _water(plan: RunPlan) -> list[str]:
    spread, guess = load_coefficients()["spread"], load_coefficients()["guess"]
    lines = [
        "Water is simulated from air temperature, day length and the lake's shape: on lakes never measured it is off "
        "by about 1.3 °C in the middle case, and the dates carry that."
    ]
    if plan.shape.area_guessed.any():
        lines.append(f"Area taken as {guess['area_ha']:.0f} ha (blank): {_names(plan, plan.shape.area_guessed)}.")
    deep = plan.shape.depth_guessed
    if deep.any():
        lines.append(f"Mean depth guessed from maximum depth or area (blank; wider spread): {_names(plan, deep)}.")
    blank = np.isnan(plan.lakes.max_depth_m)
    if blank.any():
        lines.append(f"Greatest depth guessed as mean depth / {MEAN_OF_MAX_DEPTH} (blank): {_names(plan, blank)}.")
    high = plan.shape.elevation_m > spread["mountain_from_m"]
    if high.any():
        lines.append(
            f"Above {spread['mountain_from_m']:.0f} m little was fitted, snow is not seen: {_names(plan, high)}."
        )
    return lines


def _life(plan: RunPlan) -> list[str]:
    return [
        "Heat needed by each insect is a prior from the literature (emergence taxa NAME shows the sources); "
        "neighbouring waters differ by one to three weeks.",
        "Heat is counted from the daily mean water at the depths where each insect lives, its daily range as nil, as "
        "the needs were fitted; wind, which decides how deep a lake is stirred, is not known and taken as usual.",
        "Strength of insects that live for years as nymphs comes from the lakes' past 30 summers, short records "
        "repeated; fish, water level and crowding are guesses, so it tells weak from strong years and no more.",
        "Insects without a line in residents.csv are kept as unsure unless depth, area, height or latitude rule "
        "them out.",
    ]


def _widened(found: Widening) -> list[str]:
    if not found.dates:
        return []
    return [
        f"What is not known of their water is taken {found.factor:.2f} times as large as the model says: of "
        f"{found.dates} dates of past years the 8-in-10 span then held {100 * found.held_after:.0f} %, "
        f"{100 * found.held_before:.0f} % without."
    ]


def _learned(plan: RunPlan) -> list[str]:
    """Return what past seasons' fits did."""
    if plan.learned is None:
        return []
    lines, run = [], plan.lakes.lake_id.tolist()
    fitted = sum(k in plan.learned.lakes or k in plan.learned.ice for k in run)
    before = f"from before {to_date(plan.learned.before)}"
    if fitted:
        lines.append(f"Water of {_lakes(fitted)} is fitted to notes {before} (learned.json).")
    lines += _widened(plan.learned.widening)
    if seen := sum(k in plan.learned.needs for k in run):
        said = f"Heat needed is fitted to sightings on {_lakes(seen)} {before}; near lakes and relatives share in it."
        lines.append(said)
    return lines


def _lakes(number: int) -> str:
    return "1 lake" if number == 1 else f"{number} lakes"


def _notes(plan: RunPlan) -> list[str]:
    season, lines = plan.season, _learned(plan)
    first, run = min(job.span.sim_start for job in plan.jobs), plan.lakes.lake_id.tolist()
    readings, ice, seen_here = (
        table.day[np.isin(table.lake_id.astype(str), run)] for table in (season.readings, season.ice, season.sightings)
    )
    now = {
        word: int(((day >= first) & (day <= plan.as_of)).sum())
        for word, day in (("readings", readings), ("ice dates", ice), ("sightings", seen_here))
    }
    told = ", ".join(f"{number} {word}" for word, number in now.items() if number)
    if told:
        lines.append(f"Used from this season's notes: {told}.")
    past = int((readings < first).sum() + (ice < first).sum())
    hint = "" if plan.aside else ": run 'emergence learn' once a winter"
    if plan.aside:
        lines.append(f"What past seasons taught (learned.json) is left aside: {plan.aside}.")
    if past and plan.learned is None:
        lines.append(f"{past} readings and ice dates of past seasons are not used{hint}.")
    past_seen = int((seen_here < first).sum())
    if past_seen and (plan.learned is None or not plan.learned.needs):
        lines.append(f"{past_seen} sightings of past seasons are not used{hint}.")
    return lines
