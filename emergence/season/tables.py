"""CSV text to a sheet of columns: headers and their units, ragged rows, row numbers of the spreadsheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from emergence.errors import Problem, Severity
from emergence.records import Table
from emergence.season.cells import columns_below, cut
from emergence.season.intake import SAVE_AS, Intake, shorten, shown_name
from emergence.season.names import did_you_mean

T = TypeVar("T", bound=Table)

_DTYPES = {"Words": object, "Floats": np.float64, "Days": np.int64}
_TWINS = {"m": "ft", "ha": "ac", "c": "f"}
_SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "bars"}


@dataclass(frozen=True)
class Rules:
    """What columns a table has, and how bad a breach is: ``whole`` for the file, ``row`` for one row."""

    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    whole: Severity = "stop"
    row: Severity = "stop"


def twin_name(name: str) -> str:
    """Return the column's name in the other unit (``elevation_m``: ``elevation_ft``), or the same name."""
    stem, _, suffix = name.rpartition("_")
    return f"{stem}_{_TWINS[suffix]}" if stem and suffix in _TWINS else name


def no_rows(kind: type[T]) -> T:
    """Return a record of that kind without rows."""
    return kind(**{f.name: np.zeros(0, dtype=_DTYPES[str(f.type)]) for f in fields(kind)})


@dataclass
class Sheet:
    """A table as text, column by column.

    ``cells`` maps a column's name to its stripped text, one per row; absent columns are absent. ``written``
    maps it to the header the user wrote (the other unit's name, where that was used). ``rows`` are row
    numbers of the spreadsheet, ``bad`` marks rows with a problem.
    """

    file: str
    rules: Rules
    rows: NDArray[np.int64]
    cells: dict[str, list[str]]
    written: dict[str, str]
    problems: list[Problem]
    bad: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.rows)

    def flag(self, mask: NDArray[np.bool_], name: str, rule: str, remedy: str | Callable[[int], str]) -> None:
        """Add one problem for each row of ``mask``; ``remedy`` may be a function of the row's index."""
        if not mask.any():
            return
        self.bad |= mask
        column, cells = self.written.get(name, name), self.cells.get(name)
        for i in np.flatnonzero(mask).tolist():
            value = shorten(cells[i]) if cells else ""
            advice = remedy if isinstance(remedy, str) else remedy(i)
            row = int(self.rows[i])
            self.problems.append(Problem(self.file, row, column, value, rule, advice, self.rules.row))

    def fail(self, rule: str, remedy: str, *, row: int = 0, column: str = "", value: str = "") -> None:
        """Give up the whole file: one problem takes the place of those of its rows."""
        kept = [p for p in self.problems if p.severity == "note"]
        problem = Problem(self.file, row, column, shorten(value), rule, remedy, self.rules.whole)
        self.problems[:] = [*kept, problem]
        self.bad[:] = True


def read_sheet(intake: Intake, file: str, rules: Rules) -> Sheet | None:
    """Return a file's table, or ``None`` (with problems in ``intake``) if it is unreadable as a whole.

    Problems of single rows and notes stay with the sheet until the caller has judged the file.
    """
    text = intake.text(file, rules.whole)
    if text is None:
        return None
    cells = cut(text)
    if cells.error:
        rule = f"the quotation marks do not match, or a cell is far too long ({cells.error})"
        remedy = 'Look at this row and those below; inside a quoted cell a quotation mark is written "".'
        intake.problems.append(Problem(file, len(cells.widths) + 1, "", "", rule, remedy, rules.whole))
        return None
    top = next((i for i in range(len(cells.widths)) if any(cells.row(i))), 0)
    header = [head.lower() for head in cells.row(top)]
    resolved, problems = _resolve(file, header, top + 1, rules)
    if any(p.severity == rules.whole for p in problems):
        intake.problems.extend(problems)
        return None
    columns, rows, ragged = columns_below(cells, top, len(header))
    for i in ragged:
        rule = f"the row has more cells than the header, which has {len(header)}"
        remedy = "Put text that holds a comma in quotation marks, or remove the extra cells."
        extra = ",".join(cells.row(i)[len(header) :])
        problems.append(Problem(file, i + 1, "", shorten(extra), rule, remedy, rules.row))
    problems.extend(_unnamed(file, header, top + 1, columns))
    taken = {name: columns[i] for name, (i, _) in resolved.items()}
    written = {name: head for name, (_, head) in resolved.items()}
    return Sheet(file, rules, rows, taken, written, problems, np.zeros(len(rows), dtype=bool))


def _resolve(file: str, header: list[str], row: int, rules: Rules) -> tuple[dict[str, tuple[int, str]], list[Problem]]:
    wanted = rules.required + rules.optional
    known = {spelling for name in wanted for spelling in (name, twin_name(name))}
    unknown = [shorten(shown_name(head)) for head in header if head and head not in known]
    resolved: dict[str, tuple[int, str]] = {}
    problems: list[Problem] = []

    def add(severity: Severity, column: str, value: str, rule: str, remedy: str) -> None:
        problems.append(Problem(file, row, column, shorten(value), rule, remedy, severity))

    if len(header) == 1 and (mark := next((m for m in _SEPARATORS if m in header[0]), "")):
        rule = f"the columns are separated by {_SEPARATORS[mark]}, but they must be separated by commas"
        add(rules.whole, "", header[0], rule, f"{SAVE_AS} Write decimals with a point.")
        return resolved, problems
    for name in wanted:
        places = [i for i, head in enumerate(header) if head in (name, twin_name(name))]
        heads = [header[i] for i in places]
        if len(set(heads)) > 1:
            rule = f"{name} and {twin_name(name)} say the same thing in two units"
            add(rules.whole, name, ", ".join(heads), rule, "Keep one of the two columns.")
        elif len(places) > 1:
            add(rules.whole, heads[0], heads[0], "the column is there twice", "Keep one of the two columns.")
        elif places:
            resolved[name] = (places[0], heads[0])
        elif name in rules.required:
            either = name if twin_name(name) == name else f"{name} (or {twin_name(name)})"
            remedy = f"{did_you_mean(name, tuple(unknown))}The first row must hold the columns' names."
            add(rules.whole, name, ",".join(header), f"the column {either} is missing", remedy)
    for head in dict.fromkeys(unknown):
        absent = [spelling for n in wanted if n not in resolved for spelling in (n, twin_name(n))]
        remedy = f"{did_you_mean(head, tuple(absent))}Nothing to do if it is only for yourself."
        add("note", head, head, "this column is not known and was not read", remedy)
    return resolved, problems


def _unnamed(file: str, header: list[str], row: int, columns: list[list[str]]) -> list[Problem]:
    problems = []
    for i, head in enumerate(header):
        value = next((cell for cell in columns[i] if cell), "") if not head else ""
        if value:
            rule = f"column {i + 1} has no name and was not read"
            problems.append(Problem(file, row, "", shorten(value), rule, "Give the column a name.", "note"))
    return problems
