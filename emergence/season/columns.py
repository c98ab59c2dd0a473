"""Columns of text to numbers, dates, ids and words, whole columns at a time."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import day_number, to_date
from emergence.records import NO_DAY, Days, Floats, Words
from emergence.season.intake import shorten
from emergence.season.names import Names, did_you_mean
from emergence.season.tables import Sheet

FIRST_DAY = day_number(dt.date(1800, 1, 1))
"""No earlier day [d] is taken."""

_PLAIN = re.compile(r"[0-9eE+\-.]*")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_MISSING = frozenset({"", "na", "n/a", "nan", "null"})
_COMMA = re.compile(r"([+-]?\d+),(\d+)")
_ID = re.compile(r"\w[\w.\-]{0,63}")
_IDS = re.compile(r"(?:\w[\w.\-]{0,63}\n)*")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_LONG_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
_DATE_LENGTH = 10
_SLACK = 1e-9

_UNITS = {"m": "m", "ft": "ft", "ha": "ha", "ac": "acres", "c": "°C", "f": "°F"}
_FACTORS = {"ft": 0.3048, "ac": 0.40468564224}


@dataclass(frozen=True)
class Bounds:
    """What a number may be, in our unit, ends included; ``hint`` tells the user how to write it."""

    low: float
    high: float
    hint: str = ""


def _suffix(header: str) -> str:
    return header.rpartition("_")[2] if "_" in header else ""


def to_our_unit(values: Floats, header: str) -> Floats:
    """Return values [unit of the header's suffix] in metres, hectares or °C, same shape."""
    suffix = _suffix(header)
    if suffix == "f":
        return (values - 32.0) / 1.8
    return values * _FACTORS[suffix] if suffix in _FACTORS else values


def _in_user_unit(value: float, header: str) -> str:
    suffix = _suffix(header)
    if suffix == "f":
        value = value * 1.8 + 32.0
    elif suffix in _FACTORS:
        value = float(f"{value / _FACTORS[suffix]:.4g}")
    return f"{value:.10g}"


def parse_numbers(cells: list[str]) -> tuple[Floats, NDArray[np.bool_]]:
    """Return numbers and the truth of "unreadable", shape (rows,); blank, NA, NaN and null are NaN."""
    number = _number_by_text(set(cells))
    values = np.fromiter(map(number.__getitem__, cells), dtype=np.float64, count=len(cells))
    wrong = np.isinf(values)
    values[wrong] = np.nan
    return values, wrong


def _number_by_text(different: set[str]) -> dict[str, float]:
    if _PLAIN.fullmatch("".join(different)):
        try:
            return {cell: float(cell) if cell else math.nan for cell in different}
        except ValueError:
            pass
    return {cell: _number(cell) for cell in different}


def _number(cell: str) -> float:
    if _NUMBER.fullmatch(cell):
        return float(cell)
    return math.nan if cell.lower() in _MISSING else math.inf


def parse_dates(cells: list[str]) -> tuple[Days, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return day numbers (0 where bad), the truth of "written as YYYY-MM-DD" and of "in the calendar"."""
    codes = _codes(cells)
    hyphen, digits = codes[:, (4, 7)], codes[:, (0, 1, 2, 3, 5, 6, 8, 9)] - ord("0")
    shaped = (hyphen == ord("-")).all(1) & ((digits >= 0) & (digits <= 9)).all(1) & (codes[:, -1] == 0)
    digits[~shaped] = 0
    year = digits[:, :4] @ np.array([1000, 100, 10, 1])
    month = digits[:, 4] * 10 + digits[:, 5]
    day = digits[:, 6] * 10 + digits[:, 7]
    months = ((year - 1970) * 12 + np.clip(month, 1, 12) - 1).astype("datetime64[M]")
    first = months.astype("datetime64[D]").astype(np.int64)
    length = (months + 1).astype("datetime64[D]").astype(np.int64) - first
    real = shaped & (month >= 1) & (month <= 12) & (day >= 1) & (day <= length)
    return np.where(real, first + day - 1, 0), shaped, real


def _codes(cells: list[str]) -> NDArray[np.int64]:
    """Return the characters' numbers, shape (rows, 11), 0 beyond a cell's end; longer cells are cut."""
    width = _DATE_LENGTH + 1
    joined = "".join(cells)
    if joined.isascii() and set(map(len, cells)) <= {_DATE_LENGTH}:
        plain = np.frombuffer(joined.encode(), dtype=np.uint8).reshape(-1, _DATE_LENGTH)
        return np.pad(plain, ((0, 0), (0, 1))).astype(np.int64)
    short = [cell[:width] for cell in cells]
    return np.array(short, dtype=f"U{width}").view(np.uint32).reshape(len(cells), width).astype(np.int64)


def _number_remedy(cell: str, hint: str, required: bool) -> str:
    comma = _COMMA.fullmatch(cell)
    if comma:
        return f"Write {shorten(f'{comma[1]}.{comma[2]}')} with a point, not a comma."
    blank = "" if required else ", or leave the cell blank if it is not known"
    return f"Write only the number, without its unit{blank}. {hint}".rstrip()


def raw_numbers(sheet: Sheet, name: str, hint: str = "", *, required: bool = False) -> Floats:
    """Return a column as numbers in our unit, shape (rows,); NaN where blank, unreadable or absent."""
    if name not in sheet.cells:
        return np.full(len(sheet), np.nan)
    cells, header = sheet.cells[name], sheet.written[name]
    values, wrong = parse_numbers(cells)
    sheet.flag(wrong, name, f"{header} must be a number", lambda i: _number_remedy(cells[i], hint, required))
    if required:
        blank = np.isnan(values) & ~wrong
        sheet.flag(blank, name, f"{header} must not be blank", f"Fill it in. {hint}".rstrip())
    return to_our_unit(values, header)


def within(sheet: Sheet, name: str, values: Floats, bounds: Bounds, *, required: bool = False) -> None:
    """Flag the values of a column that lie outside their bounds."""
    if name not in sheet.cells:
        return
    header = sheet.written[name]
    low, high = _in_user_unit(bounds.low, header), _in_user_unit(bounds.high, header)
    unit = f" {_UNITS[_suffix(header)]}" if _suffix(header) in _UNITS else ""
    least, most = bounds.low - _SLACK * abs(bounds.low), bounds.high + _SLACK * abs(bounds.high)
    outside = (values < least) | (values > most)
    blank = "" if required else ", or leave it blank if it is not known"
    remedy = f"Correct it{blank}. {bounds.hint}".rstrip()
    sheet.flag(outside, name, f"{header} must lie between {low} and {high}{unit}", remedy)


def numbers(sheet: Sheet, name: str, bounds: Bounds, *, required: bool = False) -> Floats:
    """Return a column as checked numbers in our unit, shape (rows,); NaN where blank, bad or absent."""
    values = raw_numbers(sheet, name, bounds.hint, required=required)
    within(sheet, name, values, bounds, required=required)
    return values


def dates(sheet: Sheet, name: str, last: int, last_rule: str, *, required: bool = True) -> Days:
    """Return a column of dates as day numbers [d], shape (rows,), 0 where bad; later than ``last`` is bad.

    Where it is not ``required``, blank cells and an absent column give ``NO_DAY``.
    """
    if name not in sheet.cells:
        return np.full(len(sheet), NO_DAY, dtype=np.int64)
    cells = sheet.cells[name]
    days, shaped, real = parse_dates(cells)
    blank = np.fromiter(map("".__eq__, cells), dtype=bool, count=len(cells))
    how = "Write it as year-month-day, such as 2024-05-31; in a spreadsheet format the column as yyyy-mm-dd."
    if required:
        sheet.flag(blank, name, "the date is missing", how)
    else:
        days[blank] = NO_DAY
    sheet.flag(~shaped & ~blank, name, "the date must be written as YYYY-MM-DD", how)
    sheet.flag(shaped & ~real, name, "there is no such day in the calendar", "Correct the month or the day.")
    sheet.flag(real & (days < FIRST_DAY), name, "dates before 1800 are not taken", "Correct the year.")
    remedy = "Correct the date, or remove the row."
    sheet.flag(real & (days > last), name, f"{last_rule} ({to_date(last)})", remedy)
    return days


def reversed_days(first: Days, last: Days) -> NDArray[np.bool_]:
    """Return which rows' last day lies before the first, shape (rows,); bad (0) and blank dates tell nothing."""
    known = np.all([(days != 0) & (days != NO_DAY) for days in (first, last)], axis=0)
    return np.asarray(known & (last < first))


def text(sheet: Sheet, name: str, *, long: bool = False) -> Words:
    """Return a column of free text, shape (rows,); ``""`` where blank or absent.

    Control characters are refused; ``long`` allows line breaks.
    """
    words = np.full(len(sheet), "", dtype=object)
    if name in sheet.cells:
        cells = sheet.cells[name]
        words[:] = cells
        pattern = _LONG_CONTROL if long else _CONTROL
        if pattern.search("".join(cells)):
            wrong = np.array([pattern.search(cell) is not None for cell in cells], dtype=bool)
            sheet.flag(wrong, name, f"{name} holds line breaks or invisible characters", "Type it again.")
    return words


def choices(sheet: Sheet, name: str, allowed: tuple[str, ...], *, required: bool = False) -> Words:
    """Return a column of words from a fixed list, in lower case, shape (rows,); ``""`` where blank."""
    words = np.full(len(sheet), "", dtype=object)
    if name not in sheet.cells:
        return words
    lower = {cell: cell.lower() for cell in set(sheet.cells[name])}
    cells = [lower[cell] for cell in sheet.cells[name]]
    words[:] = cells
    fine = {*allowed} if required else {*allowed, ""}
    if not fine.issuperset(cells):
        wrong = np.array([cell not in fine for cell in cells], dtype=bool)
        rule = f"{name} must be one of {', '.join(allowed)}"
        sheet.flag(wrong, name, rule, lambda i: f"{did_you_mean(cells[i], allowed)}Write one of these words.")
    return words


def ids(sheet: Sheet, name: str) -> Words:
    """Return a column of ids, shape (rows,), checked for allowed characters and for being there once only."""
    cells = _normals(sheet.cells[name])
    words = np.full(len(sheet), "", dtype=object)
    words[:] = cells
    lines = "\n".join([*cells, ""])
    if lines.count("\n") == len(cells) and _IDS.fullmatch(lines):
        wrong = np.zeros(len(cells), dtype=bool)
    else:
        wrong = np.array([_ID.fullmatch(cell) is None for cell in cells], dtype=bool)
    rule = f"{name} must be 1 to 64 letters, digits, '_', '-' or '.', and start with a letter, a digit or '_'"
    remedy = "Give it a short id without spaces; the full name belongs in the column name."
    sheet.flag(wrong, name, rule, remedy)
    if len(set(cells)) < len(cells):
        first: dict[str, int] = {}
        earlier = [first.setdefault(cell, i) for i, cell in enumerate(cells)]
        twice = (np.array(earlier) != np.arange(len(cells))) & ~wrong
        sheet.flag(twice, name, f"this {name} is there twice", lambda i: _twice_remedy(sheet, earlier[i]))
    return words


def _twice_remedy(sheet: Sheet, first: int) -> str:
    return f"It is already in row {sheet.rows[first]}; remove one of the rows or give it another id."


def normal(name: str) -> str:
    """Return a name in Unicode's composed form, so that the same letters compare equal."""
    return name if name.isascii() else unicodedata.normalize("NFC", name)


def _normals(names: list[str]) -> list[str]:
    return names if "".join(names).isascii() else [normal(name) for name in names]


def references(sheet: Sheet, name: str, known: Names | None, where: str, *, required: bool = True) -> Words:
    """Return a column of ids defined in the file ``where``, shape (rows,); unknown ones are flagged.

    ``known=None`` means that ``where`` itself could not be read: only blanks are flagged.
    """
    words = np.full(len(sheet), "", dtype=object)
    if name not in sheet.cells:
        return words
    cells = _normals(sheet.cells[name])
    words[:] = cells
    if required:
        blank = np.array([not cell for cell in cells], dtype=bool)
        sheet.flag(blank, name, f"{name} must not be blank", f"Write a {name} of {where}.")
    if known is not None and not known.ids.issuperset(cells):
        strange = np.array([bool(cell) and cell not in known for cell in cells], dtype=bool)
        remedy = f"Correct it, or add it to {where}."
        rule = f"this {name} is not in {where}"
        sheet.flag(strange, name, rule, lambda i: known.suggestion(cells[i]) + remedy)
    return words
