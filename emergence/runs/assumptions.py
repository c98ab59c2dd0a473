"""What a run took for granted, in sentences: every default that entered a result is listed in it."""

from __future__ import annotations

import numpy as np

from emergence.dates import to_date
from emergence.runs.plan import RunPlan
from emergence.water.coefficients import load_coefficients
from emergence.weather.gaps import CALENDAR, GAP_POLICY, NEIGHBOUR

FAR_KM, HIGH_M = 40.0, 300.0  # from here on the way from station to lake is worth a line; our prior
MOST_NAMES = 8
FEW_YEARS = 10  # our prior
SILENT_DAYS = 30


def assumptions(plan: RunPlan) -> tuple[str, ...]:
    """Return the sentences, most general first."""
    lines = [*_weather(plan), *_water(plan), *_life(plan), *_notes(plan)]
    return tuple(lines)


def _names(plan: RunPlan, mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> str:
    ids = plan.lakes.lake_id[mask].tolist()
    more = f" and {len(ids) - MOST_NAMES} more" if len(ids) > MOST_NAMES else ""
    return ", ".join(str(i) for i in ids[:MOST_NAMES]) + more


def _weather(plan: RunPlan) -> list[str]:
    years = plan.slots.slot_year
    lines = [
        f"The weather to come is drawn from {len(years)} past springs ({years.min()}-{years.max()}), each with "
        f"{plan.replicates} possible lakes; no weather forecast is used."
        if years.min() >= 0
        else "No past year can be laid on the days to come: the calendar mean stands in, without its spread.",
        f"Gaps in station records: {GAP_POLICY}; the days filled are counted in run.json.",
        "Air temperature is moved from station to lake height by 5.5 °C/km in the mean, 6.5 for maxima and 4.0 for "
        "minima, with a monthly shape.",
    ]
    far = (plan.distance_km > FAR_KM) | (np.abs(plan.dz_m) > HIGH_M)
    if far.any():
        lines.append(f"Station more than {FAR_KM:.0f} km or {HIGH_M:.0f} m of height away: {_names(plan, far)}.")
    used = sorted(set(plan.station_index.tolist()))
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
        "Heat is counted from the daily mean of surface water, its daily range taken as nil, as the needs were fitted.",
        "Insects without a line in residents.csv are kept as unsure unless depth, area, height or latitude rule "
        "them out.",
    ]


def _notes(plan: RunPlan) -> list[str]:
    season, lines = plan.season, []
    if plan.learned is not None:
        fitted = [k for k in plan.lakes.lake_id.tolist() if k in plan.learned.lakes or k in plan.learned.ice]
        lines.append(
            f"Water of {len(fitted)} lakes is fitted to notes from before {to_date(plan.learned.before)} "
            "(learned.json)."
        )
    first = min(job.span.sim_start for job in plan.jobs)
    now = {
        "readings": (season.readings.day >= first) & (season.readings.day <= plan.as_of),
        "ice dates": (season.ice.day >= first) & (season.ice.day <= plan.as_of),
    }
    told = ", ".join(f"{int(mask.sum())} {word}" for word, mask in now.items() if mask.any())
    if told:
        lines.append(f"Used from this season's notes: {told}.")
    past = int((season.readings.day < first).sum() + (season.ice.day < first).sum())
    if past and plan.learned is None:
        lines.append(
            f"{past} readings and ice dates of past seasons are not used: run 'emergence learn' once a winter."
        )
    if len(season.sightings):
        lines.append(f"{len(season.sightings)} sightings were checked, but this version does not yet learn from them.")
    return lines
