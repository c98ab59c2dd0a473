"""What this season's notes did, in words."""

from __future__ import annotations

from collections.abc import Callable

from emergence.report.words import Day, count, day, shift_words
from emergence.runs.results import NoteEffect

KINDS = {"water": "water note", "sightings": "sighting"}


def effect_size(effect: NoteEffect) -> float:
    """Return by how many days the middle moved or the spread changed, whichever is more; 99: a date came or went."""
    if (effect.before is None) != (effect.after is None):
        return 99.0
    moved = 0 if effect.before is None or effect.after is None else abs((effect.after - effect.before).days)
    if effect.width_before is None or effect.width_after is None:
        return float(moved)
    return float(max(moved, abs(effect.width_after - effect.width_before)))


def effect_words(effect: NoteEffect, date_words: Callable[[Day], str] = day) -> str:
    """Return a sentence such as "empty skins on 2 Jun moved it 4 days earlier and narrowed it from 17 to 12 days"."""
    last = f"{effect.latest} on {date_words(effect.latest_date)}"
    what = last if effect.notes == 1 else f"{count(effect.notes, KINDS[effect.kind])}, the last {last},"
    parts = [part for part in (_moved(effect, date_words), _spread(effect)) if part]
    return f"{what} {' and '.join(parts).removesuffix(',') or 'changed nothing'}{_carried(effect)}"


def _carried(effect: NoteEffect) -> str:
    """Return how few of the possible seasons the sightings left standing, where fresh ones were drawn around these."""
    if not effect.fresh or effect.effective is None:
        return ""
    fit = max(round(effect.effective), 1)
    return f"; only some {fit} of {effect.members} possible seasons fitted them, so fresh ones were drawn around these"


def _moved(effect: NoteEffect, date_words: Callable[[Day], str]) -> str:
    before, after = effect.before, effect.after
    if before is None or after is None:
        return "" if before is after else f"gave it a date, {date_words(after)}" if after else "left it without a date"
    days = (after - before).days
    return f"moved it {shift_words(days)}, to {date_words(after)}," if days else f"left it at {date_words(after)}"


def _spread(effect: NoteEffect) -> str:
    low, high = effect.width_before, effect.width_after
    if low is None or high is None or low == high:
        return ""
    return f"{'narrowed' if high < low else 'widened'} it from {low} to {high} days"
