"""Scores of hindcasts in plain words for the terminal, and as JSON."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from emergence.report.tables import FORMAT, columns, published
from emergence.report.text import clip
from emergence.report.words import count
from emergence.runs.results import HindcastResult

KNOWN = {
    "other": "all other years, later ones too, served as skies and for fits (leave one year out)",
    "past": "earlier years alone served as skies and for fits",
}
WEEKS = {0: "on the usual date", 7: "one week ahead"}
BEGINS = {"migration": "nymphs on the move", "emergence": "leaving the water"}
LITTLE = 0.4
"""Mean weight of the model below which a lake is named; our choice."""
NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def lead_words(lead_days: int) -> str:
    """Return ``six weeks ahead`` for 42 days; the lead counts to the usual date."""
    weeks, rest = divmod(int(lead_days), 7)
    if lead_days in WEEKS:
        return WEEKS[int(lead_days)]
    if rest:
        return f"{lead_days} days ahead"
    return f"{NUMBERS[weeks] if weeks < len(NUMBERS) else weeks} weeks ahead"


def lead_sentences(row: pd.Series[Any]) -> tuple[str, str]:
    """Return what a row of ``HindcastResult.leads`` says: how far off, and how honest the span was."""
    ours, theirs = _days(row["off_days"]), _days(row["off_mean_date"])
    lead = lead_words(row["lead_days"])
    return (
        f"{lead[0].upper()}{lead[1:]} our date was off by {ours} in the middle case; the calendar by {theirs}.",
        f"{100 * row['cover_80']:.0f} % came in our 8-in-10 span, {_days(row['width_80'])}.",
    )


def about_lines(unseen: bool) -> list[str]:
    """Return what the dates and the calendar are."""
    if unseen:
        return [
            "Each lake is taken as never read before. The calendar is the mean date, in other years, of the lakes",
            "within 300 km and 500 m of height. Skill: 1 perfect, 0 no better, below 0 worse.",
        ]
    return [
        "The calendar is the mean date of the other years. Skill: 1 perfect, 0 no better, below 0 worse.",
        "'Model alone' is the water in which the forecast's insects live; all else is joined with recent air.",
    ]


def _indented(first: str, second: str) -> list[str]:
    return [first, f"  {second}"]


def _days(value: float) -> str:
    return "1 day" if round(value) == 1 else f"{value:.0f} days"


def score_lines(result: HindcastResult) -> list[str]:
    """Return the terminal's table: what was scored, thermal dates by lead and lake, insects by lead."""
    rows = result.rows
    seasons = f"{rows['season'].min()}-{rows['season'].max()}"
    lakes = count(rows["lake_id"].nunique(), "lake")
    return [
        f"PAST SEASONS FORECAST AGAIN: {result.name}, {len(rows)} dates, {lakes}, {seasons}",
        f"{KNOWN[result.known_years].capitalize()};",
        f"of the season itself nothing after the issue date, and {result.readings}.",
        *about_lines(result.unseen),
        *(_thermal(result) if len(result.leads) else []),
        *(_insects(result.insects) if len(result.insects) else []),
    ]


def _thermal(result: HindcastResult) -> list[str]:
    lines = [
        "",
        "HEAT IN THE WATER: the days on which it passed given degree-days, from readings.",
        *[line for _, row in result.leads.iterrows() for line in _indented(*lead_sentences(row))],
        "",
        *_head("ALL LAKES"),
    ]
    lines += [_line(lead_words(row["lead_days"]), row) for _, row in result.leads.iterrows()]
    for lake, part in result.lakes.groupby("lake_id", sort=False):
        lines += ["", clip(str(lake), 60)]
        lines += [_line(lead_words(row["lead_days"]), row) for _, row in part.iterrows()]
    return [*lines, *_left_out(result)]


def _insects(table: pd.DataFrame) -> list[str]:
    lines = [
        "",
        "INSECTS: when what was seen began, between the last look in vain and the first sight; the forecast's members.",
    ]
    for (taxon, event), part in table.groupby(["taxon", "event"], sort=False):
        lines += ["", *_head(f"{clip(str(taxon), 30)}, {BEGINS[str(event)]}", alone=False)]
        lines += [_line(lead_words(row["lead_days"]), row) for _, row in part.iterrows()]
    return lines


def _head(name: str, *, alone: bool = True) -> list[str]:
    first = f"{name:<17} dates  off by  calendar  skill over  skill over   inside   inside   inside"
    if len(name) > 17:
        first = f"{name}\n{'':<17} dates  off by  calendar  skill over  skill over   inside   inside   inside"
    second = f"{'':<26}days      off   mean date    calendar   5 in 10  8 in 10  9 in 10"
    return [first + "  model alone:", second + "   skill  8 in 10"] if alone else [*first.split("\n"), second]


def _left_out(result: HindcastResult) -> list[str]:
    """Return which lakes the model cannot follow."""
    part = result.lakes.groupby("lake_id", sort=False)["model_weight"].mean()
    lost = [clip(str(lake), 40) for lake, weight in part.items() if weight < LITTLE]
    if not lost:
        return []
    return ["", f"The model can hardly follow {', '.join(lost)}: dates given by recent air or the mean date, mostly."]


def _line(name: str, row: pd.Series[Any]) -> str:
    inside = "".join(f"{100 * row[f'cover_{p}']:>7.0f} %" for p in (50, 80, 90))
    if "skill_alone" in row:
        inside += f" {row['skill_alone']:>7.2f} {100 * row['cover_80_alone']:>6.0f} %"
    return (
        f"{name:<17} {int(row['dates']):>5} {row['mae_days']:>7.1f} {row['mae_mean_date']:>8.1f} "
        f"{row['skill_mean_date']:>11.2f} {row['skill_calendar']:>11.2f} {inside}"
    )


def hindcast_json(result: HindcastResult) -> str:
    """Return the JSON twin of hindcast.csv, with the scores by lead and by lake beside the rows."""
    rows = published(result.rows, "hindcast")
    table = {
        "format": FORMAT,
        "table": "hindcast",
        "name": result.name,
        "known_years": result.known_years,
        "notes_used": result.readings,
        "unseen": result.unseen,
        "leads": _records(result.leads),
        "lakes": _records(result.lakes),
        "insects": _records(result.insects),
        "reliability": _records(result.reliability),
        "pit": _records(result.pit),
        "hindcast": _records(rows[list(columns("hindcast"))]),
    }
    return json.dumps(table, indent=1, allow_nan=False) + "\n"


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    shown = frame.copy()
    for name in shown:
        if pd.api.types.is_datetime64_any_dtype(shown[name]):
            shown[name] = shown[name].dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_float_dtype(shown[name]):
            shown[name] = shown[name].round(4)
    values = shown.astype(object).where(shown.notna(), None)
    names = [str(name) for name in values.columns]
    return [dict(zip(names, row, strict=True)) for row in values.values.tolist()]
