"""Dates in the order the user reads them (``units.dates``): 24 May, or May 24."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from emergence.report import words
from emergence.report.words import MONTHS, Day, blank
from emergence.runs.results import RunInfo


@dataclass(frozen=True)
class Dates:
    """How dates are written; the month is a word, so that no order can be misread."""

    month_first: bool = False

    @classmethod
    def of(cls, info: RunInfo) -> Dates:
        """Return how a run's dates are written."""
        return cls(month_first=info.date_order == "month-day")

    @property
    def axis(self) -> str:
        """Return the format of a picture's dates."""
        return "%b %-d" if self.month_first else "%-d %b"

    def day(self, date: Day) -> str:
        """Return ``12 Jun`` or ``Jun 12``, nothing for a blank date."""
        if not self.month_first or blank(date):
            return words.day(date)
        return f"{MONTHS[date.month - 1]} {date.day}"

    def day_and_year(self, date: Day) -> str:
        """Return ``12 Jun 2024`` or ``Jun 12, 2024``, nothing for a blank date."""
        if not self.month_first or blank(date):
            return words.day_and_year(date)
        return f"{self.day(date)}, {date.year}"

    def span(self, start: Day, end: Day) -> str:
        """Return ``1-7 Jun`` or ``Jun 1-7``; without an end ``29 May on``, nothing without a start."""
        if not self.month_first or blank(start):
            return words.span(start, end)
        if blank(end):
            return f"{self.day(start)} on"
        if (start.year, start.month, start.day) == (end.year, end.month, end.day):
            return self.day(start)
        same = (start.year, start.month) == (end.year, end.month)
        return f"{self.day(start)}-{end.day if same else self.day(end)}"

    def week(self, start: Day) -> str:
        """Return the seven days from ``start`` on."""
        return "" if blank(start) else self.span(start, start + dt.timedelta(days=6))
