"""How well past forecasts did: hindcast.csv summed up for the guide, and with the scores for the curious."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.report.board_parts import Part, Table
from emergence.report.score_words import off_sentence
from emergence.report.text import plain
from emergence.report.words import event_words
from emergence.runs.results import RunInfo

DATES = ("truth_from", "truth_to", "p10", "p50", "p90")
SCORES = ("crps", "crps_mean_date", "crps_calendar")
LATEST = pd.Timestamp("2200-01-01")
"""Where a date lies beyond the season."""
SAID_AHEAD = ("6 weeks before", "2 weeks before")
Row = dict[str, Any]
RULE = (
    "Past seasons forecast again as if on a day of theirs, with nothing known of what came after. Off: how many days, "
    "in the mean, the middle date lay from those between which it came, and the calendar: the mean date of other "
    "years. In the range: how much of these days lay "
    "between the early and the late date; honest ranges hold about 80\u00a0%. Heat in the water: the days on which it "
    "passed given sums, from readings."
)
SCORE_RULE = "CRPS in days, the smaller the better; by how much it beats the mean date of other years and the calendar."


NONE_YET = (
    "Not tried yet. On the computer, emergence hindcast SEASON forecasts the seasons gone by again, as if on a day of "
    "each, with nothing known of what came after, and scores its dates; the next forecast shows the scores here. It "
    "takes readings of several years, two weeks apart at most, or insects looked for in vain and then seen in five."
)


def no_past_part() -> Part:
    """Return the part that stands in the guide's board until past forecasts have been scored."""
    return Part(key="past", tab="Past forecasts", heading="How well past forecasts did", rule=NONE_YET, tables=[])


def read_hindcast(path: Path) -> pd.DataFrame:
    """Return the rows of a hindcast.csv with dates and scores typed.

    Raises
    ------
    ValueError
        It lacks a column that is needed.
    """
    rows = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    wanted = ("taxon", "event", "lead_days", *DATES, *SCORES)
    if missing := [name for name in wanted if name not in rows]:
        raise ValueError(f"{path.name} is not a table of past forecasts: it lacks {', '.join(missing)}")
    rows["mean_date"] = rows["mean_date"] if "mean_date" in rows else ""  # files of version 0.1 have none
    for name in (*DATES, "mean_date"):
        rows[name] = pd.to_datetime(rows[name].replace("", None))
    for name in ("lead_days", *SCORES):
        rows[name] = pd.to_numeric(rows[name].replace("", None))
    return rows


def past_part(hindcast: pd.DataFrame, info: RunInfo) -> Part | None:
    """Return the board's part on past forecasts, None where nothing can be told of any."""
    rows = past_rows(hindcast, info)
    if not rows:
        return None
    told = [(r["what"], r["ahead"], str(r["cases"]), r["off"], r["usual_off"], r["inside"]) for r in rows]
    scores = [(r["what"], r["ahead"], r["crps"], r["mean_date"], r["calendar"]) for r in rows]
    heads = ("What", "Forecast", "CRPS, days", "Better than the mean date", "Better than the calendar")
    past = ("What", "Forecast", "Cases", "Off, days", "Calendar off", "In the range")
    numbers = frozenset((2, 3, 4))
    return Part(
        key="past",
        tab="Past forecasts",
        heading="How well past forecasts did",
        rule=" ".join([*_sentences(rows), RULE]),
        tables=[Table("Past forecasts", past, told, numbers | {5})],
        curious=[Table("Scores", heads, scores, numbers)],
        curious_rule=SCORE_RULE,
        for_guests=True,
    )


def past_rows(hindcast: pd.DataFrame, info: RunInfo) -> list[Row]:
    """Return, for each insect, event and lead, how past forecasts did.

    Returns
    -------
    list
        what, ahead (in words), cases, off (mean distance of the middle date from what was seen), usual_off (that of the
        mean date of other years, blank in older files), inside (share of the days seen that lie between the 10 and
        90 % dates, 80 % if honest), crps, by how much it beats the mean date and the calendar, and of the water's dates
        what is ``said`` of the lead in a sentence.
    """
    out = []
    for (taxon, event, lead), rows in hindcast.groupby(["taxon", "event", "lead_days"], sort=False):
        known = rows[rows["p50"].notna() & rows["truth_from"].notna()]
        if not len(known):
            continue
        off, usual = _off(known, "p50"), _off(known[known["mean_date"].notna()], "mean_date")
        crps, mean_date, calendar = (float(rows[name].mean()) for name in SCORES)
        out.append(
            {
                "what": _what(info, str(taxon), str(event)),
                "ahead": _ahead(int(str(lead).partition(".")[0])),
                "cases": len(known),
                "off": f"{off.mean():.1f}",
                "usual_off": f"{usual.mean():.1f}" if len(usual) else "",
                "said": _said(str(taxon), int(str(lead).partition(".")[0]), off, usual),
                "inside": f"{100 * _inside(known).mean():.0f}\u00a0%",
                "crps": f"{crps:.1f}",
                "mean_date": _gain(crps, mean_date),
                "calendar": _gain(crps, calendar),
            }
        )
    return out


def _inside(known: pd.DataFrame) -> pd.Series[Any]:
    """Return which share [0..1] of the days between which it came lies between the 10 and 90 % dates."""
    early, late = known["p10"], known["p90"].fillna(LATEST)
    low = known["truth_from"].where(known["truth_from"] > early, early)
    high = known["truth_to"].where(known["truth_to"] < late, late)
    days = (known["truth_to"] - known["truth_from"]).dt.days + 1
    return ((high - low).dt.days + 1).clip(lower=0) / days


def _sentences(rows: list[Row]) -> list[str]:
    """Return the sentences on the water's dates six and two weeks ahead, else the first two."""
    said = [(r["ahead"], r["said"]) for r in rows if r["said"]]
    return [words for ahead, words in said if ahead in SAID_AHEAD] or [words for _, words in said[:2]]


def _off(rows: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Return how far a date lies outside the days on which it can have come [d]."""
    before, after = (rows["truth_from"] - rows[name]).dt.days, (rows[name] - rows["truth_to"]).dt.days
    return np.asarray(np.maximum(np.maximum(before.to_numpy(), after.to_numpy()), 0), dtype=np.float64)


def _said(taxon: str, lead: int, off: NDArray[np.float64], usual: NDArray[np.float64]) -> str:
    """Return the plain sentence on the water's dates; the insects' are few and stand in the table."""
    if taxon != "-" or not len(usual):
        return ""
    return off_sentence(lead, float(np.median(off)), float(np.median(usual)))


def _what(info: RunInfo, taxon: str, event: str) -> str:
    label = info.taxa.get(taxon)
    words = event_words(event, label.leaving if label else "hatch")
    return words if taxon == "-" else f"{plain(label.name if label else taxon)}, {words}"


def _ahead(days: int) -> str:
    weeks, rest = divmod(days, 7)
    if days == 0:
        return "on the usual date"
    if rest:
        return f"{days} days before"
    return f"{weeks} week{'s' if weeks > 1 else ''} before"


def _gain(ours: float, other: float) -> str:
    return "" if not other > 0 else f"{100 * (1 - ours / other):+.0f}\u00a0%"
