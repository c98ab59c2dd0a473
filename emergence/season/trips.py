"""trips.csv and guides.csv: parties and guides; any error in them stops the run."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from emergence.dates import day_number
from emergence.records import NO_DAY, WANTED_STAGES, Days, Floats, Guides, Lakes, Trips, Want, Words
from emergence.season.columns import (
    Bounds,
    choices,
    dates,
    normal,
    numbers,
    parse_numbers,
    references,
    reversed_days,
    text,
)
from emergence.season.lakes import LATITUDE, LONGITUDE
from emergence.season.names import Names, did_you_mean
from emergence.season.tables import Rules, Sheet, no_rows

TRIP_RULES = Rules(
    required=("party", "size", "earliest", "latest", "days", "wants"),
    optional=(
        *("consecutive", "change_lake", "lakes", "regions", "not_lakes", "not_regions", "skills"),
        *("booking", "booked_lake", "booked_start", "decide_by", "move_cost_days", "poor_days", "note"),
    ),
)
GUIDE_RULES = Rules(
    required=("guide",),
    optional=(
        *("from", "to", "off", "boats", "guests_per_boat", "skills", "base"),
        *("base_latitude", "base_longitude", "note"),
    ),
)
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
LAST_DAY = day_number(dt.date(2200, 1, 1))
LATE = "no trips are planned after"
SIZE = Bounds(1, 60, "Write how many guests, as a whole number.")
DAYS = Bounds(1, 30, "Write how many days on the water, as a whole number.")
BOATS = Bounds(0, 30, "Write how many boats, as a whole number; 0 for guiding from the shore.")
SEATS = Bounds(1, 12, "Write how many guests a boat takes, as a whole number.")
MOVE_COST = Bounds(0, 100, "Write expected moving days, such as 1.5.")
WANT_FORM = "Write taxon:stage:weight, such as coenagrion:moving:2; several are separated by semicolons."
WANT_STAGE = f"the stage must be one of {', '.join(WANTED_STAGES)}"
WANT_WEIGHT = "the weight must be a number above 0, at most 100"
OFF_FORM = "Write weekdays (mon to sun) or dates (2026-06-12), separated by semicolons."


def name_key(word: str) -> str:
    """Return a name as it is compared: composed letters, without case."""
    return normal(word).casefold()


def named_once(sheet: Sheet, name: str) -> Words:
    """Return a column of people's names, shape (rows,): not blank, none twice, whatever the case of its letters."""
    words = text(sheet, name)
    for i, word in enumerate(words):
        words[i] = normal(str(word))
    sheet.flag(words == "", name, f"the {name} has no name", "Write a name.")
    long = np.array([len(word) > 80 for word in words], dtype=bool)
    sheet.flag(long, name, "the name is longer than 80 letters", "Shorten it.")
    first: dict[str, int] = {}
    earlier = [first.setdefault(name_key(word), i) for i, word in enumerate(words)]
    twice = np.array([j != i for i, j in enumerate(earlier)], dtype=bool) & (words != "")
    rule = f"this {name} is there twice"
    sheet.flag(twice, name, rule, lambda i: f"It is already in row {sheet.rows[earlier[i]]}; give each its own name.")
    return words


def whole_numbers(sheet: Sheet, name: str, bounds: Bounds, blank: int | None = None) -> Days:
    """Return a column of whole numbers, shape (rows,); ``blank`` stands for blank cells, None forbids them."""
    values = numbers(sheet, name, bounds, required=blank is None)
    sheet.flag(np.isfinite(values) & (values % 1 != 0), name, f"{name} must be a whole number", bounds.hint)
    return np.where(np.isfinite(values), values, 0 if blank is None else blank).astype(np.int64)


def yes_no(sheet: Sheet, name: str, blank: str) -> Words:
    """Return a column of yes and no, shape (rows,)."""
    words = choices(sheet, name, ("yes", "no"))
    return np.where(words == "", blank, words)


def lists(sheet: Sheet, name: str, known: Names | None = None, where: str = "") -> Words:
    """Return a column of words separated by semicolons, as tuples, shape (rows,); unknown ones are flagged."""
    found = np.empty(len(sheet), dtype=object)
    cells = sheet.cells.get(name, [""] * len(sheet))
    for i, cell in enumerate(cells):
        found[i] = tuple(dict.fromkeys(part for p in cell.split(";") if (part := normal(p.strip()))))
    if known is not None:
        strange = [[w for w in words if w not in known] for words in found]

        def remedy(i: int) -> str:
            return f"{known.suggestion(strange[i][0])}Write names of {where}, separated by semicolons."

        rule = f"a name in {name} is not in {where}"
        sheet.flag(np.array([bool(s) for s in strange], dtype=bool), name, rule, remedy)
    return found


def read_trips(sheet: Sheet | None, lakes: Lakes, known: Names | None) -> Trips:
    """Return the parties in the file's order; bad rows are flagged in the sheet.

    ``known`` are the lakes' names, None where lakes.csv is unreadable.
    """
    if sheet is None:
        return no_rows(Trips)
    regions = None if known is None else Names(str(r) for r in lakes.region if r)
    booking = choices(sheet, "booking", ("movable", "fixed"))
    trips = Trips(
        party=named_once(sheet, "party"),
        size=whole_numbers(sheet, "size", SIZE),
        earliest=dates(sheet, "earliest", LAST_DAY, LATE),
        latest=dates(sheet, "latest", LAST_DAY, LATE),
        days=whole_numbers(sheet, "days", DAYS),
        consecutive=yes_no(sheet, "consecutive", "yes"),
        change_lake=yes_no(sheet, "change_lake", "no"),
        wants=_wants(sheet),
        lakes=lists(sheet, "lakes", known, "lakes.csv"),
        regions=lists(sheet, "regions", regions, "the column region of lakes.csv"),
        not_lakes=lists(sheet, "not_lakes", known, "lakes.csv"),
        not_regions=lists(sheet, "not_regions", regions, "the column region of lakes.csv"),
        skills=lists(sheet, "skills"),
        booking=np.where(booking == "", "movable", booking),
        booked_lake=references(sheet, "booked_lake", known, "lakes.csv", required=False),
        booked_start=dates(sheet, "booked_start", LAST_DAY, LATE, required=False),
        decide_by=dates(sheet, "decide_by", LAST_DAY, LATE, required=False),
        move_cost_days=numbers(sheet, "move_cost_days", MOVE_COST),
        poor_days=yes_no(sheet, "poor_days", "no"),
        note=text(sheet, "note", long=True),
        row=sheet.rows.astype(np.int64),
    )
    _check_spans(sheet, trips)
    return trips


def _check_spans(sheet: Sheet, trips: Trips) -> None:
    good = ~sheet.bad
    backwards = reversed_days(trips.earliest, trips.latest)
    sheet.flag(backwards, "latest", "the latest date lies before the earliest", "Exchange or correct them.")
    room = trips.latest - trips.earliest + 1
    short = good & ~backwards & (room < trips.days)

    def remedy(i: int) -> str:
        return f"There are {room[i]} days from {sheet.cells['earliest'][i]} to {sheet.cells['latest'][i]}; widen them."

    sheet.flag(short, "days", "more days are wanted than lie between earliest and latest", remedy)
    half = (trips.booked_lake == "") != (trips.booked_start == NO_DAY)
    rule = "booked_lake and booked_start belong together"
    sheet.flag(half, "booked_lake", rule, "Fill in both, or leave both blank.")
    booked = good & (trips.booked_start != NO_DAY)
    end = trips.booked_start + trips.days - 1
    outside = booked & ((trips.booked_start < trips.earliest) | (end > trips.latest))
    rule = "what is booked lies outside earliest and latest"
    sheet.flag(outside, "booked_start", rule, "Correct the booking, or widen the dates.")


def _wants(sheet: Sheet) -> Words:
    """Return the tuples of wants, shape (rows,)."""
    found = np.empty(len(sheet), dtype=object)
    told: list[tuple[str, str]] = [("", "")] * len(sheet)
    for i, cell in enumerate(sheet.cells["wants"]):
        wants = []
        for part in (p.strip() for p in cell.split(";")):
            if part:
                want, told[i] = _want(part, told[i])
                wants.append(want)
        found[i] = tuple(wants)
        if not wants:
            told[i] = ("it must be said what the party wants", WANT_FORM)
    for rule in dict.fromkeys(rule for rule, _ in told if rule):
        mask = np.array([r == rule for r, _ in told], dtype=bool)
        sheet.flag(mask, "wants", rule, _advice(told))
    return found


def _advice(told: list[tuple[str, str]]) -> Callable[[int], str]:
    return lambda i: told[i][1]


def _want(part: str, told: tuple[str, str]) -> tuple[Want, tuple[str, str]]:
    """Return one want and the first thing wrong with the cell."""
    taxon, stage, weight, *rest = [*(w.strip() for w in part.split(":")), "", ""]
    stage = stage.lower() or "moving"
    values, wrong = parse_numbers([weight])
    share = 1.0 if not weight else float(values[0])
    if not taxon or any(rest):
        told = told if told[0] else ("this cannot be read as wants", WANT_FORM)
    elif stage not in WANTED_STAGES:
        told = told if told[0] else (WANT_STAGE, f"{did_you_mean(stage, WANTED_STAGES)}{WANT_FORM}")
    elif wrong[0] or not 0 < share <= 100:
        told = told if told[0] else (WANT_WEIGHT, WANT_FORM)
    return Want(normal(taxon), stage, share), told


def read_guides(sheet: Sheet | None, places: Names | None) -> Guides:
    """Return the guides in the file's order; ``places`` are the names of travel.csv, None where it is unreadable."""
    if sheet is None:
        return no_rows(Guides)
    latitude = numbers(sheet, "base_latitude", LATITUDE)
    longitude = numbers(sheet, "base_longitude", LONGITUDE)
    half = np.isnan(latitude) != np.isnan(longitude)
    sheet.flag(half & ~sheet.bad, "base_latitude", "a base needs both coordinates", "Fill in both, or neither.")
    guides = Guides(
        guide=named_once(sheet, "guide"),
        first=dates(sheet, "from", LAST_DAY, LATE, required=False),
        last=dates(sheet, "to", LAST_DAY, LATE, required=False),
        off=_days_off(sheet),
        boats=whole_numbers(sheet, "boats", BOATS, blank=1),
        guests_per_boat=whole_numbers(sheet, "guests_per_boat", SEATS, blank=2),
        skills=lists(sheet, "skills"),
        base=text(sheet, "base"),
        base_latitude=latitude,
        base_longitude=longitude,
        row=sheet.rows.astype(np.int64),
    )
    backwards = reversed_days(guides.first, guides.last)
    sheet.flag(backwards, "to", "the last day lies before the first", "Exchange or correct them.")
    if places is not None:
        _check_bases(sheet, guides.base, np.isnan(latitude), places)
    return guides


def _check_bases(sheet: Sheet, base: Words, nowhere: NDArray[np.bool_], places: Names) -> None:
    strange = nowhere & np.array([b != "" and b not in places for b in base], dtype=bool)
    rule = "this base is not a place in travel.csv and has no coordinates"
    remedy = "Add it to travel.csv, or fill in base_latitude and base_longitude."
    sheet.flag(strange, "base", rule, lambda i: places.suggestion(str(base[i])) + remedy)


def _days_off(sheet: Sheet) -> Words:
    """Return weekdays and ISO dates on which a guide does not work, tuples, shape (rows,)."""
    found = lists(sheet, "off")
    wrong: Floats | NDArray[np.bool_] = np.zeros(len(sheet), dtype=bool)
    for i, words in enumerate(found):
        found[i] = tuple(w.lower() for w in words)
        wrong[i] = not all(w in WEEKDAYS or _is_date(w) for w in found[i])
    sheet.flag(wrong.astype(bool), "off", "days off must be weekdays or dates", OFF_FORM)
    return found


def _is_date(word: str) -> bool:
    try:
        dt.date.fromisoformat(word)
    except ValueError:
        return False
    return len(word) == 10
