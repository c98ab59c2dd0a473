"""overrules.csv: the user's last word on values that were doubted, or that were not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.records import Days, Overrules, Words
from emergence.season.columns import choices, dates, normal, text
from emergence.season.names import Names, did_you_mean
from emergence.season.tables import Rules, Sheet, no_rows, twin_name

OVERRULE_RULES = Rules(required=("file", "date", "keep"), optional=("id", "column", "note"), row="row")
COLUMNS = {"weather": ("tmin_c", "tmax_c", "tmean_c"), "readings": ("water_c",), "ice": ("event",)}
NOTES = ("readings", "ice")
LAST_DAY = 2_932_896
"""Day number of 9999-12-31 [d]: an overrule may speak of any day."""
SPAN = "/"


def read_overrules(sheet: Sheet | None, lakes: Names | None, stations: Names | None) -> Overrules:
    """Return the usable rows in the file's order.

    ``file`` becomes "weather", "readings" or "ice"; a blank ``column`` means all columns; ``date`` may be a span
    FIRST/LAST, both days included.
    """
    if sheet is None or not len(sheet):
        return no_rows(Overrules)
    file, named = _files(sheet)
    ids = _ids(sheet, file, named, lakes, stations)
    first, last = _spans(sheet)
    column = _columns(sheet, file)
    keep = choices(sheet, "keep", ("yes", "no"), required=True)
    note = text(sheet, "note", long=True)
    return Overrules(file, ids, first, last, column, keep, note, sheet.rows.astype(np.int64)).take(~sheet.bad)


def _words(cells: list[str]) -> Words:
    words = np.full(len(cells), "", dtype=object)
    words[:] = cells
    return words


def _files(sheet: Sheet) -> tuple[Words, Words]:
    """Return "weather", "readings" or "ice" for each row, and the station that the file's name gives, both (rows,)."""
    kinds, named = [], []
    for cell in sheet.cells["file"]:
        stem = normal(cell).removesuffix(".gz").removesuffix(".csv")
        whole, _, station = stem.partition("/")
        fits = whole == "weather" or stem in NOTES
        kinds.append(whole if fits else "")
        named.append(station if whole == "weather" else "")
    file = _words(kinds)
    remedy = "Write weather/ID.csv with the station's id, readings.csv or ice.csv."
    sheet.flag(file == "", "file", "only weather, readings and ice dates can be overruled", remedy)
    return file, _words(named)


def _ids(sheet: Sheet, file: Words, named: Words, lakes: Names | None, stations: Names | None) -> Words:
    given = _words([normal(cell) for cell in sheet.cells["id"]]) if "id" in sheet.cells else _words([""] * len(sheet))
    clash = (given != "") & (named != "") & (given != named)
    sheet.flag(clash, "id", "file and id name two stations", "Let both name the same one.")
    ids = np.where(given == "", named, given)
    sheet.flag((ids == "") & (file != ""), "id", "the id is missing", "Write the station's or the lake's id.")
    for kind, known, where in (("weather", stations, "stations.csv"), *((n, lakes, "lakes.csv") for n in NOTES)):
        if known is not None:
            _flag_strangers(sheet, ids, file == kind, known, where)
    return ids


def _flag_strangers(sheet: Sheet, ids: Words, mine: NDArray[np.bool_], known: Names, where: str) -> None:
    strange = mine & np.array([i != "" and i not in known for i in ids], dtype=bool)

    def remedy(i: int) -> str:
        return f"{known.suggestion(str(ids[i]))}Correct it."

    sheet.flag(strange, "id", f"this id is not in {where}", remedy)


def _spans(sheet: Sheet) -> tuple[Days, Days]:
    """Return first and last day of each row; a single date is both."""
    cells = sheet.cells["date"]
    parts = [cell.partition(SPAN) for cell in cells]
    sheet.cells["date"] = [first.strip() for first, _, _ in parts]
    first = dates(sheet, "date", LAST_DAY, "")
    sheet.cells["date"] = [(last if mark else start).strip() for start, mark, last in parts]
    last = dates(sheet, "date", LAST_DAY, "")
    sheet.cells["date"] = cells
    backwards = (last < first) & ~sheet.bad
    sheet.flag(
        backwards, "date", "the last day lies before the first", "Write FIRST/LAST, such as 2024-05-01/2024-05-31."
    )
    return first, last


def _columns(sheet: Sheet, file: Words) -> Words:
    """Return our name of each row's column, "" for all of them."""
    cells = [cell.lower() for cell in sheet.cells.get("column", [""] * len(sheet))]
    ours = {spelling: name for names in COLUMNS.values() for name in names for spelling in (name, twin_name(name))}
    column = _words([ours.get(cell, cell) for cell in cells])
    wrong: NDArray[np.bool_] = np.array(
        [bool(c) and f != "" and c not in COLUMNS[f] for f, c in zip(file, column, strict=True)], dtype=bool
    )
    rule = "no such column can be overruled there"

    def remedy(i: int) -> str:
        options = COLUMNS[str(file[i])]
        return f"{did_you_mean(cells[i], options)}Write {', '.join(options)}, or leave it blank for all."

    sheet.flag(wrong, "column", rule, remedy)
    return column
