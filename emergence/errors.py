"""Errors and warnings that a user may meet, and the problems found in input files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["stop", "file", "row", "note"]


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong with an input file.

    Parameters
    ----------
    file
        Path relative to the season folder, with forward slashes.
    row
        Line number in the file as a spreadsheet shows it (header = 1), 0 when the whole file is meant.
    column
        Column or key, empty when the whole row is meant.
    value
        What was found, as text, shortened.
    rule
        What the file must hold to.
    remedy
        What the user can do.
    severity
        ``stop`` (the run cannot go on), ``file`` (the file is unreadable as a whole and what depends on it is
        left out), ``row`` (this row or value is left out), ``note`` (used, but worth knowing).
    """

    file: str
    row: int
    column: str
    value: str
    rule: str
    remedy: str
    severity: Severity = "row"

    def sentence(self) -> str:
        """Return the problem as one line for a person."""
        where = self.file + (f", row {self.row}" if self.row else "") + (f", {self.column}" if self.column else "")
        found = f" (found {self.value!r})" if self.value else ""
        return f"{where}: {self.rule}{found}. {self.remedy}"


class EmergenceError(Exception):
    """Base of every error that carries a message for the user; its exit code is 1."""

    exit_code = 1


class SeasonError(EmergenceError):
    """The season folder cannot be used; carries every problem found."""

    def __init__(self, message: str, problems: tuple[Problem, ...] = ()) -> None:
        super().__init__(message)
        self.problems = problems


class CatalogueError(EmergenceError):
    """A taxon file breaks the catalogue's rules."""


class WrongUseError(EmergenceError):
    """The command was asked for something that makes no sense (exit code 2)."""

    exit_code = 2


class NoWeatherError(EmergenceError):
    """No lake has weather that can be used (exit code 4)."""

    exit_code = 4

    def __init__(self, message: str, problems: tuple[Problem, ...] = ()) -> None:
        super().__init__(message)
        self.problems = problems


class EmergenceWarning(UserWarning):
    """Base of the warnings, so that a user can filter them."""
