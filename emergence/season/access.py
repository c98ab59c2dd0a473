"""closures.csv, access.csv and travel.csv: when lakes may be fished, and how long the roads are."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from emergence.records import Access, Closures, Floats, Travel, Words
from emergence.season.columns import Bounds, choices, dates, normal, numbers, references, reversed_days, text
from emergence.season.names import Names
from emergence.season.tables import Rules, Sheet, no_rows
from emergence.season.trips import LAST_DAY, LATE

CLOSURE_RULES = Rules(required=("lake_id", "from", "to"), optional=("reason",))
ACCESS_RULES = Rules(
    required=("lake_id",),
    optional=("open_from", "open_to", "permit", "quota_days", "parties_per_day", "parties_per_week", "note"),
)
TRAVEL_RULES = Rules(required=("from", "to", "hours"))
QUOTA = Bounds(0, 10_000, "Write the guided days allowed in a season.")
PARTIES = Bounds(0, 100, "Write how many parties, as a whole number.")
HOURS = Bounds(0, 48, "Write hours on the road one way, such as 1.5.")


def read_closures(sheet: Sheet | None, lakes: Names | None) -> Closures:
    """Return the closures in the file's order; bad rows are flagged in the sheet."""
    if sheet is None:
        return no_rows(Closures)
    closures = Closures(
        lake_id=references(sheet, "lake_id", lakes, "lakes.csv"),
        first=dates(sheet, "from", LAST_DAY, LATE),
        last=dates(sheet, "to", LAST_DAY, LATE),
        reason=text(sheet, "reason"),
        row=sheet.rows.astype(np.int64),
    )
    backwards = reversed_days(closures.first, closures.last)
    sheet.flag(backwards, "to", "the last day lies before the first", "Exchange or correct them.")
    return closures


def read_access(sheet: Sheet | None, lakes: Names | None) -> Access:
    """Return the rules of access, one row a lake; bad rows are flagged in the sheet."""
    if sheet is None:
        return no_rows(Access)
    lake_id = references(sheet, "lake_id", lakes, "lakes.csv")
    _only_once(sheet, lake_id)
    access = Access(
        lake_id=lake_id,
        open_from=dates(sheet, "open_from", LAST_DAY, LATE, required=False),
        open_to=dates(sheet, "open_to", LAST_DAY, LATE, required=False),
        permit=choices(sheet, "permit", ("held", "missing")),
        quota_days=_counts(sheet, "quota_days", QUOTA),
        parties_per_day=_counts(sheet, "parties_per_day", PARTIES),
        parties_per_week=_counts(sheet, "parties_per_week", PARTIES),
        note=text(sheet, "note", long=True),
        row=sheet.rows.astype(np.int64),
    )
    backwards = reversed_days(access.open_from, access.open_to)
    sheet.flag(backwards, "open_to", "the last day lies before the first", "Exchange or correct them.")
    return access


def _only_once(sheet: Sheet, lake_id: Words) -> None:
    first: dict[str, int] = {}
    earlier = [first.setdefault(str(lake), i) for i, lake in enumerate(lake_id)]
    twice = np.array([j != i for i, j in enumerate(earlier)], dtype=bool)
    sheet.flag(
        twice,
        "lake_id",
        "this lake is there twice",
        lambda i: (
            f"It is already in row {sheet.rows[earlier[i]]}; keep one row a lake, and write gaps in closures.csv."
        ),
    )


def _counts(sheet: Sheet, name: str, bounds: Bounds) -> Floats:
    values = numbers(sheet, name, bounds)
    sheet.flag(np.isfinite(values) & (values % 1 != 0), name, f"{name} must be a whole number", bounds.hint)
    return values


def read_travel(sheet: Sheet | None, lakes: Names | None, bases: Iterable[str]) -> tuple[Travel, Names | None]:
    """Return the hours on the road and the names of the places in the file.

    ``bases`` are those of the guides; other places must be lakes.
    """
    if sheet is None:
        return no_rows(Travel), Names(lakes.ids if lakes else ())
    known = None if lakes is None else Names({*lakes.ids, *(normal(base) for base in bases if base)})
    travel = Travel(
        origin=_places(sheet, "from", known),
        destination=_places(sheet, "to", known),
        hours=numbers(sheet, "hours", HOURS, required=True),
        row=sheet.rows.astype(np.int64),
    )
    first: dict[tuple[str, str], int] = {}
    pairs = list(zip(travel.origin, travel.destination, strict=True))
    earlier = [first.setdefault(pair, i) for i, pair in enumerate(pairs)]
    again = np.array([j != i and travel.hours[j] != travel.hours[i] for i, j in enumerate(earlier)], dtype=bool)
    rule = "this way is there twice with other hours"
    sheet.flag(again & ~sheet.bad, "hours", rule, lambda i: f"Row {sheet.rows[earlier[i]]} says otherwise; keep one.")
    return travel, Names({*travel.origin, *travel.destination, *(lakes.ids if lakes else ())})


def _places(sheet: Sheet, name: str, known: Names | None) -> Words:
    words = np.full(len(sheet), "", dtype=object)
    words[:] = [normal(cell) for cell in sheet.cells[name]]
    sheet.flag(words == "", name, "the place is missing", "Write a lake_id, or the base of a guide.")
    if known is not None:
        strange = np.array([word != "" and word not in known for word in words], dtype=bool)
        rule = "this place is neither a lake of lakes.csv nor the base of a guide in guides.csv"
        sheet.flag(strange, name, rule, lambda i: f"{known.suggestion(str(words[i]))}Correct it.")
    return words
