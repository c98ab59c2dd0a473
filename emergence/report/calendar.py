"""windows.ics: best weeks and even windows as all-day events (RFC 5545), whose dates a later run changes in place."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd
from icalendar import Calendar, Event, vText

from emergence.dates import day_number
from emergence.report import choose
from emergence.report.effects import effect_words
from emergence.report.text import plain
from emergence.report.words import (
    CAUTIONS,
    MAY_LIVE_HERE,
    NO_EVEN_DAY,
    blank,
    chance_words,
    day,
    day_and_year,
    percent,
    span,
)
from emergence.runs.results import NoteEffect, RunResult

PRODUCT = "-//aquatic-insect-emergence//windows//EN"
DOMAIN = "aquatic-insect-emergence"
KINDS = {"best_week": "best week", "even": "even window"}
KEYS = ["lake_id", "taxon", "brood", "event", "season"]
FIRST_BROOD = 1
"""The brood whose dates the effects of notes are told of."""
SEQUENCE_FROM = dt.date(2000, 1, 1)
"""Day 0 of SEQUENCE: a later issue date has the higher number."""


@dataclass(frozen=True)
class _Entry:
    """One event of the calendar: first day and the day after the last."""

    row: Any
    kind: str
    first: dt.date
    after: dt.date
    cancelled: bool = False


def calendar_text(result: RunResult, *, guest: bool = False, earlier: pd.DataFrame | None = None) -> str:
    """Return the calendar of a run, lines ended by CR LF.

    Parameters
    ----------
    result
        The run; for guests one with the lakes alone that they may see (`board_guest.guest_result`).
    guest
        Whether coordinates stay out.
    earlier
        Windows of the run before: what it had and this run lacks is sent as cancelled, or else an old even window
        would stay in the calendar.

    Notes
    -----
    Insects that may live in a lake are shown only where no insect is known to live there. UID depends on the season's
    name and the key of the window alone, SEQUENCE, DTSTAMP and LAST-MODIFIED on the issue date alone.
    """
    info = result.info
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", vText(plain(info.name) or "season"))
    calendar.add("x-wr-caldesc", vText(f"As of {day_and_year(info.as_of)}. {' '.join(CAUTIONS)}"))
    writer = _Writer(result, guest)
    for entry in [*_entries(_shown(result.windows)), *_cancelled(result, earlier)]:
        calendar.add_component(writer.event(entry))
    return str(calendar.to_ical(), "utf-8")


def uid(name: str, row: Any, kind: str) -> str:
    """Return the identifier of a window's event: the same in every run of the season."""
    key = "\x1f".join([name, *(str(getattr(row, part)) for part in KEYS), kind])
    return f"{hashlib.blake2b(key.encode('utf-8', 'surrogatepass'), digest_size=16).hexdigest()}@{DOMAIN}"


def _shown(windows: pd.DataFrame) -> pd.DataFrame:
    """Return rows of known residents, and of possible ones where a lake has no known one; lakes' own rows always."""
    insects = windows["taxon"] != "-"
    known = set(windows.loc[insects & (windows["residence"] == "yes"), "lake_id"])
    return windows[~insects | (windows["residence"] == "yes") | ~windows["lake_id"].isin(known)]


def _entries(windows: pd.DataFrame) -> Iterator[_Entry]:
    for row in windows.itertuples(index=False):
        yield from _of_row(row)


def _of_row(row: Any) -> Iterator[_Entry]:
    start = row.best_week_start
    if row.taxon != "-" and not blank(start) and row.best_week_chance >= choose.LEAST_CHANCE:
        yield _Entry(row, "best_week", _date(start), _date(start, 7))
    thin = not blank(start) and row.best_week_chance < choose.LEAST_WEEK
    if not blank(row.even_start) and (row.taxon == "-" or not thin):
        yield _Entry(row, "even", _date(row.even_start), _date(row.even_end, 1))


def _cancelled(result: RunResult, earlier: pd.DataFrame | None) -> Iterator[_Entry]:
    """Yield what the run before had of lakes and insects of this run, and this run has no more."""
    if earlier is None:
        return
    now = {(*_key(entry.row), entry.kind) for entry in _entries(_shown(result.windows))}
    asked = earlier["lake_id"].isin(result.info.lakes["lake_id"]) & earlier["taxon"].isin([*result.info.taxa, "-"])
    seasons = earlier["season"].isin(result.windows["season"])
    for entry in _entries(_shown(earlier[asked & seasons])):
        if (*_key(entry.row), entry.kind) not in now:
            yield _Entry(entry.row, entry.kind, entry.first, entry.after, cancelled=True)


def _key(row: Any) -> tuple[Any, ...]:
    return tuple(getattr(row, part) for part in KEYS)


def _date(value: Any, plus: int = 0) -> dt.date:
    return pd.Timestamp(value).date() + dt.timedelta(days=plus)


class _Writer:
    """Writes the events of one run."""

    def __init__(self, result: RunResult, guest: bool) -> None:
        info = result.info
        self.result, self.guest = result, guest
        self.lakes, self.insects = choose.lake_names(result), choose.insect_names(result)
        self.places: dict[str, Any] = {str(r.lake_id): r for r in info.lakes.itertuples(index=False)}
        self.stamp = dt.datetime(info.as_of.year, info.as_of.month, info.as_of.day, tzinfo=dt.UTC)
        self.sequence = max(day_number(info.as_of) - day_number(SEQUENCE_FROM), 0)
        self.effects: dict[tuple[Any, ...], list[NoteEffect]] = {}
        for effect in () if guest else info.note_effects:
            key = (effect.lake_id, effect.taxon, FIRST_BROOD, effect.event, effect.season)
            self.effects.setdefault(key, []).append(effect)

    def event(self, entry: _Entry) -> Event:
        """Return one VEVENT."""
        row, event = entry.row, Event()
        lake = self.lakes.get(row.lake_id, plain(row.lake_id))
        insect = self.insects.get((row.taxon, int(row.brood), row.event), plain(row.taxon))
        event.add("uid", uid(self.result.info.name, row, entry.kind))
        event.add("dtstamp", self.stamp)
        event.add("last-modified", self.stamp)
        event.add("sequence", self.sequence)
        event.add("dtstart", entry.first)
        event.add("dtend", entry.after)
        event.add("summary", f"{lake}: {insect}, {KINDS[entry.kind]}{_chance(entry)}")
        event.add("location", lake)
        event.add("description", "\n".join(self._said(entry)))
        event.add("categories", [KINDS[entry.kind]])
        event.add("status", "CANCELLED" if entry.cancelled else "TENTATIVE")
        event.add("transp", "TRANSPARENT")
        place = self.places.get(str(row.lake_id))
        if not self.guest and place is not None and not pd.isna(place.latitude) and not pd.isna(place.longitude):
            event.add("geo", (round(float(place.latitude), 5), round(float(place.longitude), 5)))
        return event

    def _said(self, entry: _Entry) -> list[str]:
        row, as_of = entry.row, day_and_year(self.result.info.as_of)
        if entry.cancelled:
            return [f"No longer so as of {as_of}."]
        lines = [*_chances(entry), *_reason(row)]
        for effect in self.effects.get(_key(row), []):
            lines.append(f"Your notes: {effect_words(effect)}.")
        if row.residence == "unsure":
            lines.append(f"The insect {MAY_LIVE_HERE}.")
        return [*lines, f"As of {as_of}. {' '.join(CAUTIONS)}"]


def _chance(entry: _Entry) -> str:
    return f" ({percent(entry.row.best_week_chance)})" if entry.kind == "best_week" and not entry.cancelled else ""


def _chances(entry: _Entry) -> Iterator[str]:
    """Yield the chance of the event."""
    row = entry.row
    if entry.kind == "best_week":
        chance = f"{percent(row.best_week_chance)} ({chance_words(row.best_week_chance)})"
        yield f"Best seven days: chance of at least one day on which they show {chance}."
        yield f"Days on which they show, expected: {row.best_week_days:.1f} of 7."
        even = span(row.even_start, row.even_end) or NO_EVEN_DAY
        yield f"Even window: {even}. Outer window: {span(row.outer_start, row.outer_end) or 'none'}."
    else:
        yield "Under way with at least an even chance on each of these days."
        yield f"Outer window (one in five): {span(row.outer_start, row.outer_end) or 'none'}."
    if row.chance_not_this_season >= 0.05:
        yield f"Not at all this season: {percent(row.chance_not_this_season)}."


def _reason(row: Any) -> Iterator[str]:
    """Yield why: when the possible seasons come to onset and peak."""
    parts = []
    for name, words in (("onset", "begins"), ("peak", "is at its peak")):
        middle, low, high = (getattr(row, f"{name}_{q}") for q in ("p50", "p10", "p90"))
        if blank(middle):
            continue
        ends = "" if blank(low) or blank(high) else f", in 8 of 10 {day(low)} to {day(high)}"
        parts.append(f"{words} {day(middle)}{ends}")
    if parts:
        what = "the lake has opened and warms" if row.taxon == "-" else "the water has gathered the heat it needs"
        yield f"Why: by then {what}; in the middle possible season it {'; it '.join(parts)}."
    if not pd.isna(row.strength_p50):
        yield f"Numbers against the lake's mean year: {row.strength_p50:.1f} times."
