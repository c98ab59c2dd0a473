"""CSV text to cells, whole files at a time, knowing the row of the spreadsheet each cell stands in."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Cells:
    """All cells of a file, row after row: ``flat`` holds their text, ``widths`` the number in each row.

    A blank line is a row of one blank cell. ``error`` is not empty where the quotation marks do not match: the rows
    end before the one that is wrong.
    """

    flat: list[str]
    widths: NDArray[np.int64]
    error: str = ""

    @property
    def starts(self) -> NDArray[np.int64]:
        """Index of each row's first cell, shape (rows,)."""
        return np.cumsum(self.widths) - self.widths

    def row(self, i: int) -> list[str]:
        """Return the stripped cells of row ``i``, counted from 0."""
        start = int(self.widths[:i].sum())
        return [cell.strip() for cell in self.flat[start : start + int(self.widths[i])]]


def cut(text: str) -> Cells:
    """Return the cells of comma-separated text; quoted cells may hold commas and line breaks."""
    if '"' in text:
        return _cut_quoted(text)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    text = text.removesuffix("\n")
    codes = np.frombuffer(text.encode(), dtype=np.uint8)
    marks = codes[(codes == ord(",")) | (codes == ord("\n"))]
    ends = np.append(np.flatnonzero(marks == ord("\n")), len(marks))
    return Cells(text.replace("\n", ",").split(","), np.diff(ends, prepend=-1))


def _cut_quoted(text: str) -> Cells:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, skipinitialspace=True)
    flat: list[str] = []
    widths: list[int] = []

    error = ""
    try:
        for record in reader:
            flat.extend(record or [""])
            widths.append(max(len(record), 1))
    except csv.Error as problem:
        error = str(problem)
    return Cells(flat, np.array(widths, dtype=np.int64), error)


def columns_below(cells: Cells, top: int, width: int) -> tuple[list[list[str]], NDArray[np.int64], list[int]]:
    """Return the columns below the header row ``top`` (counted from 0), which has ``width`` cells.

    Returns
    -------
    columns
        Stripped text, ``width`` columns of equal length. Blank rows are gone, short rows are filled up with blanks.
    rows
        The rows' numbers in the spreadsheet, shape (rows,).
    ragged
        Rows, counted from 0, with text beyond the header's last column; they are not in ``columns``.
    """
    first = int(cells.widths[: top + 1].sum())
    columns = [_stripped(cells.flat[first + i :: width]) for i in range(width)]
    rows = np.arange(top + 2, len(cells.widths) + 1, dtype=np.int64)
    if (cells.widths[top + 1 :] == width).all():
        if all(columns[0]):
            return columns, rows, []
        kept = [any(row) for row in zip(*columns, strict=True)]
        if all(kept):
            return columns, rows, []
    return _careful_columns(cells, top, width)


def _stripped(column: list[str]) -> list[str]:
    joined = "".join(column)
    if joined.isascii() and joined.isprintable() and " " not in joined:
        return column
    return list(map(str.strip, column))


def _careful_columns(cells: Cells, top: int, width: int) -> tuple[list[list[str]], NDArray[np.int64], list[int]]:
    body: list[list[str]] = []
    rows, ragged = [], []
    starts, widths = cells.starts.tolist(), cells.widths.tolist()
    for i in range(top + 1, len(widths)):
        row = [cell.strip() for cell in cells.flat[starts[i] : starts[i] + widths[i]]]
        if any(row[width:]):
            ragged.append(i)
        elif any(row):
            body.append(row[:width] + [""] * (width - len(row)))
            rows.append(i + 1)
    columns = [list(column) for column in zip(*body, strict=True)] if body else [[] for _ in range(width)]
    return columns, np.array(rows, dtype=np.int64), ragged
