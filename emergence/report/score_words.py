"""Scores of hindcasts in plain words for the terminal, and as JSON."""

from __future__ import annotations

import json
from pathlib import Path
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
SCORE_TABLES = ("leads", "alone", "lakes", "insects", "reliability", "pit")
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


def off_sentence(lead_days: int, off_days: float, calendar_days: float) -> str:
    """Return how far off our date was in the middle case, and the calendar."""
    lead = lead_words(lead_days)
    return (
        f"{lead[0].upper()}{lead[1:]} our date was off by {_days(off_days)} in the middle case; "
        f"the calendar by {_days(calendar_days)}."
    )


def lead_sentences(row: pd.Series[Any]) -> tuple[str, str]:
    """Return what a row of ``HindcastResult.leads`` says: how far off, and how honest the span was."""
    return (
        off_sentence(row["lead_days"], row["off_days"], row["off_mean_date"]),
        f"{100 * row['cover_80']:.0f} % came in our 8-in-10 span of {_days(row['width_80'])}.",
    )


def about_lines(unseen: bool) -> list[str]:
    """Return what the dates and the usual date are."""
    if unseen:
        return [
            "Each lake is taken as never read before. The calendar (the usual date) is the mean date, in",
            "other years, of the lakes within 300 km and 500 m of height.",
        ]
    return ["The calendar (the usual date) is the mean date of the other years."]


LEGEND = (
    "Off: days between the middle date (ours, the usual one) and what came, mean.",
    "Better: how much smaller our error, spread counted in (CRPS), than the other years'",
    "dates', and than the rule 'usual date, ten days either way in 8 of 10 years'.",
    "Span: how often what came fell into our 5-in-10, 8-in-10 and 9-in-10 span; its days.",
)
NAME_WIDTH = 18
HEADS = (
    f"{'':<{NAME_WIDTH}} dates  off, days  better than  5-in-10    8-in-10    9-in-10",
    f"{'':<{NAME_WIDTH}}        us usual  usual   rule  span days  span days  span days",
)


def _indented(first: str, second: str) -> list[str]:
    return [first, f"  {second}"]


def _days(value: float) -> str:
    return "1 day" if round(value) == 1 else f"{value:.0f} days"


def score_lines(result: HindcastResult) -> list[str]:
    """Return the terminal's table: what was scored, thermal dates by lead and lake, insects by lead, chances."""
    rows = result.rows
    seasons = f"{rows['season'].min()}-{rows['season'].max()}"
    lakes = count(rows["lake_id"].nunique(), "lake")
    return [
        f"PAST SEASONS FORECAST AGAIN: {clip(result.name, 40)}, {len(rows)} dates, {lakes}, {seasons}",
        f"{KNOWN[result.known_years].capitalize()};",
        "of the season itself nothing after the issue date, and",
        f"{result.readings}.",
        *about_lines(result.unseen),
        *(_thermal(result) if len(result.leads) else []),
        *(_insects(result.insects) if len(result.insects) else []),
        "",
        *LEGEND,
        *_chances(result),
    ]


def _thermal(result: HindcastResult) -> list[str]:
    names = [clip(str(lake), 60) for lake in dict.fromkeys(result.lakes["lake_id"])]
    lines = [
        "",
        "HEAT IN THE WATER: the days on which it passed given degree-days, from readings.",
        *[line for _, row in result.leads.iterrows() for line in _indented(*lead_sentences(row))],
        "",
        *_block("ALL LAKES" if len(names) > 1 else names[0], result.leads, heads=True),
    ]
    if not result.unseen:
        lines += _block("the lake model alone, in whose water the insects of a forecast live", result.alone)
    if len(names) > 1:
        for lake, part in result.lakes.groupby("lake_id", sort=False):
            lines += ["", *_block(clip(str(lake), 60), part)]
    return [*lines, *_left_out(result)]


def _insects(table: pd.DataFrame) -> list[str]:
    lines = [
        "",
        "INSECTS as the forecast gives them: between the last look in vain and the first sight.",
        *HEADS,
    ]
    for (taxon, event), part in table.groupby(["taxon", "event"], sort=False):
        lines += _block(f"{clip(str(taxon), 30)}, {BEGINS[str(event)]}", part)
    return lines


def _block(name: str, table: pd.DataFrame, *, heads: bool = False) -> list[str]:
    return [name, *(HEADS if heads else ()), *(_line(lead_words(row["lead_days"]), row) for _, row in table.iterrows())]


def _left_out(result: HindcastResult) -> list[str]:
    """Return which lakes the model cannot follow."""
    part = result.lakes.groupby("lake_id", sort=False)["model_weight"].mean()
    lost = [clip(str(lake), 40) for lake, weight in part.items() if weight < LITTLE]
    if not lost:
        return []
    return ["", f"The model can hardly follow {', '.join(lost)}: dates given by recent air or the mean date, mostly."]


def _line(name: str, row: pd.Series[Any]) -> str:
    spans = "  ".join(f"{100 * row[f'cover_{p}']:>3.0f} % {row[f'width_{p}']:>3.0f}" for p in (50, 80, 90))
    return (
        f"{name:<{NAME_WIDTH}} {int(row['dates']):>5} {row['mae_days']:>4.1f} {row['mae_mean_date']:>5.1f} "
        f"{_better(row['skill_mean_date'])} {_better(row['skill_calendar'])} {spans}"
    )


def _better(skill: float) -> str:
    return f"{100 * skill:>+4.0f} %"


def _chances(result: HindcastResult) -> list[str]:
    """Return how honest the chances were: what was said and what came, the Brier score, where the truth stood."""
    bins, tables = result.reliability, [t for t in (result.leads, result.insects) if len(t)]
    scores = pd.concat(tables).groupby("lead_days", sort=True)[["brier", "brier_mean_date"]].mean()
    share = result.pit["share"].to_numpy()
    ahead = [f"{d // 7} weeks" if d % 7 == 0 else f"{d} days" for d in scores.index]
    return [
        "",
        "CHANCES that it has come by then, on each day three weeks either side of the usual date:",
        "  said        " + "".join(_part(v) for v in bins["chance"]),
        "  had come    " + "".join(_part(v) for v in bins["share"]),
        "  their Brier score (0 is perfect)",
        "    ahead     " + "".join(f"{name:>9}" for name in ahead),
        "    ours      " + "".join(f"{v:>9.3f}" for v in scores["brier"]),
        "    calendar  " + "".join(f"{v:>9.3f}" for v in scores["brier_mean_date"]),
        f"  Before our early (1-in-10) date came {100 * share[0]:.0f} %, after our late one {100 * share[-1]:.0f} %; "
        "honest: 10 % each.",
    ]


def _part(value: float) -> str:
    return f"{'-':>6}" if value != value else f"{100 * value:>4.0f} %"  # NaN: no case


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
        "alone": _records(result.alone),
        "lakes": _records(result.lakes),
        "insects": _records(result.insects),
        "reliability": _records(result.reliability),
        "pit": _records(result.pit),
        "hindcast": _records(rows[list(columns("hindcast"))]),
    }
    return json.dumps(table, indent=1, allow_nan=False) + "\n"


def read_hindcast_json(path: Path) -> HindcastResult:
    """Return the scores that `hindcast_json` wrote; of the rows, dates stay text. Tables it had not yet are empty.

    Raises
    ------
    ValueError
        It is not such a file, or one of a newer format.
    """
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        if stored["table"] != "hindcast" or stored["format"] > FORMAT:
            raise ValueError(f"{path.name} is no table of past forecasts of a format known here ({FORMAT})")
        tables = {name: pd.DataFrame(stored.get(name, [])) for name in SCORE_TABLES}
        return HindcastResult(
            name=str(stored["name"]),
            known_years=str(stored["known_years"]),
            readings=str(stored["notes_used"]),
            unseen=bool(stored["unseen"]),
            rows=pd.DataFrame(stored["hindcast"]),
            **tables,
        )
    except (KeyError, TypeError) as error:
        raise ValueError(f"{path.name} is no table of past forecasts: it lacks {error}") from error


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
