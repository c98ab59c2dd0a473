"""What a screen shows first: what is on now, what comes next, what is over; names that tell lakes apart."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any

import pandas as pd

from emergence.dates import day_number, season_year
from emergence.report.text import plain
from emergence.report.words import EVENT_ORDER, insect_words
from emergence.runs.results import RunResult

KEYS = ["lake_id", "taxon", "brood", "event"]
EVEN = 0.5
SOON_DAYS = 28
LEAST_CHANCE = 0.2
"""Best weeks with a smaller chance are not among what comes next; the outer window's limit."""
LEAST_WEEK = 0.1
"""A brood whose best week has a smaller chance is thin: it has no best week; our prior."""
SURE_NOT = 0.95
"""From this chance of "not this season" on a brood is said to have no date; our prior."""


def lake_names(result: RunResult) -> dict[str, str]:
    """Return what each lake is called: its name, with its id where two lakes share a name."""
    lakes = result.info.lakes
    ids = [str(key) for key in lakes["lake_id"]]
    names = [plain(name) or plain(key) for key, name in zip(ids, lakes["name"].fillna(""), strict=True)]
    times = Counter(names)
    return {key: name if times[name] == 1 else f"{name} ({plain(key)})" for key, name in zip(ids, names, strict=True)}


def insect_names(result: RunResult) -> dict[tuple[str, int, str], str]:
    """Return what each (taxon, brood, event) is called; a brood is named only where a taxon has more than one."""
    rows = result.windows[["taxon", "brood", "event"]].drop_duplicates()
    several = {taxon for taxon, group in rows.groupby("taxon") if group["brood"].nunique() > 1}
    return {
        (taxon, int(brood), event): plain(
            insect_words(result.info.taxa.get(taxon), taxon, event, int(brood) if taxon in several else 0)
        )
        for taxon, brood, event in rows.itertuples(index=False)
    }


def tomorrow(result: RunResult) -> dt.date:
    """Return the day after the issue date: the first day that is forecast."""
    return result.info.as_of + dt.timedelta(days=1)


def this_season(result: RunResult) -> pd.Series[Any]:
    """Return for each row of windows whether tomorrow lies in its season."""
    day = day_number(tomorrow(result))
    south = result.info.lakes.set_index("lake_id")["latitude"] < 0
    year = {key: season_year(day, bool(southern)) for key, southern in south.items()}
    return result.windows["season"] == result.windows["lake_id"].map(year)


def with_tomorrow(result: RunResult) -> pd.DataFrame:
    """Return windows with ``active`` and ``moving``: tomorrow's chances, 0 where days has no row."""
    days = result.days[pd.to_datetime(result.days["date"]) == pd.Timestamp(tomorrow(result))]
    chances = days[[*KEYS, "chance_active", "chance_moving"]].drop_duplicates(KEYS)
    rows = result.windows.merge(chances, on=KEYS, how="left")
    here = this_season(result).to_numpy()
    rows["active"] = rows.pop("chance_active").where(here).fillna(0.0)
    rows["moving"] = rows.pop("chance_moving").where(here).fillna(0.0)
    return rows


def on_now(result: RunResult) -> pd.DataFrame:
    """Return what is under way tomorrow with at least an even chance, the most certain first."""
    rows = _ranked(with_tomorrow(result))
    rows = rows[rows["active"] >= EVEN]
    return rows.sort_values(["active", "moving", "rank"], ascending=[False, False, True], kind="stable")


def moving_days(result: RunResult, rows: pd.DataFrame) -> pd.Series[Any]:
    """Return for each row of `on_now` the moving days expected in the seven days from tomorrow on [d]."""
    first = pd.Timestamp(tomorrow(result))
    date = pd.to_datetime(result.days["date"])
    week = result.days[(date >= first) & (date < first + pd.Timedelta(days=7))]
    days = week.groupby(KEYS, sort=False)["chance_moving"].sum().rename("days").reset_index()
    return rows[KEYS].merge(days, on=KEYS, how="left")["days"].fillna(0.0).set_axis(rows.index)


def coming(result: RunResult, *, days: int = SOON_DAYS) -> pd.DataFrame:
    """Return what is not on yet and has its best week still ahead, beginning within ``days`` [d], the soonest first.

    What fades after its best week is not coming, and a chance below ``LEAST_CHANCE`` is not told.
    """
    rows = _ranked(with_tomorrow(result))
    issue = pd.Timestamp(result.info.as_of)
    soon = rows["ahead_week_start"] <= issue + pd.Timedelta(days=days)
    rising = rows["best_week_start"] + pd.Timedelta(days=6) > issue
    rows = rows[soon & rising & (rows["active"] < EVEN) & (rows["ahead_week_chance"] >= LEAST_CHANCE)]
    order = ["ahead_week_start", "rank", "ahead_week_chance"]
    return rows.sort_values(order, ascending=[True, True, False], kind="stable")


def soonest_first(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows by best week ahead, migration before emergence on the same day, rows without one last."""
    order = ["ahead_week_start", "best_week_start", "rank"]
    return _ranked(rows).sort_values(order, kind="stable", na_position="last")


def is_thin(rows: pd.DataFrame) -> pd.Series[Any]:
    """Return for each row whether its insects are so few or so spread out that no week is the best."""
    return (rows["taxon"] != "-") & rows["best_week_start"].notna() & (rows["best_week_chance"] < LEAST_WEEK)


def has_date(rows: pd.DataFrame) -> pd.Series[Any]:
    """Return for each row whether it has a best week or a middle (turnover: a start) and may well come this season."""
    middle = rows["peak_p50"].where(rows["event"] != "turnover", rows["onset_p50"])
    week = (rows["ahead_week_start"].notna() | rows["best_week_start"].notna()) & ~is_thin(rows)
    return (week | middle.notna()) & (rows["chance_not_this_season"] < SURE_NOT)


def is_over(rows: pd.DataFrame, as_of: dt.date) -> pd.Series[Any]:
    """Return for each row whether its best week and its outer window lie behind the issue date."""
    issue = pd.Timestamp(as_of)
    week_over = rows["best_week_start"] + pd.Timedelta(days=6) <= issue
    return week_over & ~(rows["outer_end"] > issue)


def _ranked(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.assign(rank=rows["event"].map({event: i for i, event in enumerate(EVENT_ORDER)}))
