"""Why a date is what it is, in the guide's words and a small table."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json

from emergence.report.effects import effect_words
from emergence.report.text import wrap
from emergence.report.words import CAUTIONS, MAY_LIVE_HERE, count, day, event_words, percent
from emergence.runs.results import Explained, GateState

WIDTH = 80
VARIABLES = {
    "water_mean": ("water", "°C"),
    "air_max": ("afternoon air", "°C"),
    "air_dusk": ("air at dusk", "°C"),
    "day_length": ("day length", "h"),
    "water_change": ("change of the water", "°C"),
}
MOVERS = {
    "need": "the heat these insects need here; empty skins or moving nymphs seen on a date tell it",
    "water": "the lake's own water; a thermometer tells it",
    "ice": "the date of ice-off; a noted date tells it",
    "weather": "the weather to come; nothing tells it yet",
}
ABSENT_BY = {
    "residents.csv": "residents.csv",
    "habitat": "the lake's depth, area, height, latitude or stems",
    "sightings": "your sightings (looked for again and again, never seen)",
}


def why(e: Explained) -> str:
    """Return the explanation as text that fits 80 columns."""
    lines = [f"{e.lake}, {e.name}, as of {day(e.as_of)} {e.as_of.year}", ""]
    for sentence in _sentences(e):
        lines += wrap(sentence, WIDTH)
    lines += ["", *_table(e), ""]
    if e.stages:
        lines += [*_stages(e), ""]
    if e.notes:
        lines += [*_notes(e), ""]
    if e.movers:
        lines.append("What moves the middle date most (days, for a usual difference):")
        for mover in e.movers:
            lines += wrap(f"{mover.days:+5.1f}  {MOVERS[mover.what]}", WIDTH, rest="       ")
        lines.append("")
    lines += [line for caution in CAUTIONS for line in wrap(caution, WIDTH)]
    return "\n".join(lines) + "\n"


def why_json(e: Explained) -> str:
    """Return the explanation as JSON with a format version."""
    return (
        json.dumps({"format": 1, **dataclasses.asdict(e)}, ensure_ascii=False, indent=1, default=dt.date.isoformat)
        + "\n"
    )


def _sentences(e: Explained) -> list[str]:
    what = event_words(e.event)
    low, middle, high = e.peak
    said = [
        *_lives(e),
        f"Middle of {what}: {_date(middle)}; in 8 of 10 possible seasons between {_date(low)} and {_date(high)}."
        if middle
        else f"In at least half of the possible seasons there is no {what} this season.",
    ]
    if e.started >= 0.995:
        said.append(f"Counting starts {e.biofix_rule}: {_date(e.biofix[1])}.")
    else:
        said.append(
            f"Counting starts {e.biofix_rule}: has begun in {percent(e.started)} of the possible seasons, "
            f"in the middle one on {_date(e.biofix[1])}."
        )
    if e.days_ahead_of_normal is not None:
        ahead = round(e.days_ahead_of_normal)
        said.append(
            "Heat so far is that of the middle past year."
            if ahead == 0
            else f"Heat so far is {count(abs(ahead), 'day')} {'ahead of' if ahead > 0 else 'behind'} the middle past "
            "year."
        )
    return [*said, _to_go(e), *map(_gate, e.gates), *_numbers(e)]


def _lives(e: Explained) -> list[str]:
    if e.residence == "no":
        return [f"It does not live here by {ABSENT_BY[e.residence_from]}: no forecast; these are dates it would have."]
    return [f"It {MAY_LIVE_HERE}; nobody has said that it does."] if e.residence == "unsure" else []


def _to_go(e: Explained) -> str:
    to_go = max(e.need[1] - e.gathered[1], 0.0)
    if to_go == 0:
        return "The middle insect has the heat it needs."
    if e.a_day < 0.1:
        return f"Still to go: {to_go:.0f} °C·day; in the last week the water gave none."
    return (
        f"Still to go for the middle insect: {to_go:.0f} °C·day, {count(round(to_go / e.a_day), 'day')} at the rate of "
        "the last week (spring days grow warmer, so the date may come sooner)."
    )


def _numbers(e: Explained) -> list[str]:
    said = []
    if e.strength:
        low, mid, high = e.strength
        said.append(
            f"Numbers maturing this year against the lake's mean year: {mid:.1f} times ({low:.1f} to {high:.1f})."
        )
    ages = [f"{percent(share)} of {count(k, 'year')}" for k, share in enumerate(e.ages, start=1) if share >= 0.02]
    if ages:
        said.append(f"Of the maturing nymphs: {', '.join(ages)}.")
    return said


def _gate(gate: GateState) -> str:
    name, unit = VARIABLES.get(gate.variable, (gate.variable, ""))
    side = "at most" if gate.falling else "at least"
    return (
        f"Ready insects wait for {name} of {side} {gate.open_at:g} {unit}: open on {gate.recent_d:.0f} of the last 7 "
        f"days, expected on {gate.coming_d:.0f} of the next 14."
    )


def _table(e: Explained) -> list[str]:
    head = f"{'°C·day above ' + format(e.lower_c, 'g') + ' °C':<28}{'low':>8}{'middle':>8}{'high':>8}"
    rows = [("gathered so far", e.gathered), ("needed by the middle insect", e.need)]
    return [head, *(f"{name:<28}" + "".join(f"{v:>8.0f}" for v in values) for name, values in rows)]


def _notes(e: Explained) -> list[str]:
    """Return what each note did to the date: the sentence of the forecast, one for each note that was used."""
    head = "What each of this season's notes did to this date (each taken out in turn; a day or so is chance):"
    lines = wrap(head, WIDTH)
    for note in e.notes:
        lines += wrap(effect_words(note), WIDTH, first="  ", rest="    ")
    return lines


def _stages(e: Explained) -> list[str]:
    """Return the stage board: what is about today and in the weeks to come, of all that live in or above the lake."""
    moves = any(s.moving >= 0.005 for s in e.stages) or e.event == "migration"
    head = f"{'about on':<10}{'young':>8}{'mature':>8}" + (f"{'moving':>8}" if moves else "") + f"{'adults':>8}"
    rows = []
    for s in e.stages:
        values = [s.young, s.mature, *([s.moving] if moves else []), s.adult]
        rows.append(f"{_date(s.date):<10}" + "".join(f"{percent(v):>8}" for v in values))
    return [head, *rows]


def _date(text: str) -> str:
    return day(dt.date.fromisoformat(text)) if text else "beyond this season"
