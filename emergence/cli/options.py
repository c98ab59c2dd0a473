"""Options and small helpers that several commands share."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from emergence.errors import Problem
    from emergence.records import Season


class DateType(click.ParamType[int]):
    """A calendar date YYYY-MM-DD, as a day number."""

    name = "date"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the day number."""
        if isinstance(value, int):
            return value
        try:
            date = dt.date.fromisoformat(str(value).strip())
        except ValueError:
            self.fail(f"{value!r} is no date; write it as 2026-05-24", param, ctx)
        return (date - dt.date(1970, 1, 1)).days


DATE = DateType()
NOT_USED = "; not used"
SEASON = click.Path(path_type=Path)


def today() -> int:
    """Return the clock's date as a day number."""
    return (dt.date.today() - dt.date(1970, 1, 1)).days


def open_season(folder: Path) -> Season:
    """Read a season folder, its journal's notes included, and tell on stderr what was left out where the run stops."""
    from emergence.errors import SeasonError, WrongUseError
    from emergence.runs.notes_join import with_journal
    from emergence.season import read_season

    if not folder.is_dir():
        raise WrongUseError(f"{folder} is not a folder. A season is a folder that holds lakes.csv and weather/.")
    try:
        return with_journal(read_season(folder, today=today()), today=today())
    except SeasonError as error:
        _tell(tuple(p for p in error.problems if p.severity != "stop"), "")
        raise


@contextlib.contextmanager
def hint_to_fetch(season: Season) -> Iterator[None]:
    """Say how to fetch weather where there is none and season.toml wants it fetched."""
    from emergence.errors import NoWeatherError

    try:
        yield
    except NoWeatherError as error:
        if season.settings.weather_source == "files":
            raise
        words = f"{error}\nFetch it: emergence weather update {season.folder}"
        raise NoWeatherError(words, error.problems) from error


def tell_problems(season: Season, *, more: str = "; run.json lists all") -> None:
    """Tell on stderr which rows and files were left out, the worst first; ``more`` says where the rest is listed."""
    _tell(season.problems, more)


def tell_checked(season: Season, others: tuple[Problem, ...] = (), *, most: int = 4) -> None:
    """Tell on stderr which weather values and readings quality control left out; `emergence weather check` has all."""
    weather = [p for p in season.problems if p.file.startswith("weather/") and p.rule.endswith(NOT_USED)]
    for found, where in ((weather, "; 'emergence weather check' lists them"), (list(others), "")):
        for problem in found[:most]:
            click.echo(f"doubted: {problem.sentence()}", err=True)
        if len(found) > most:
            click.echo(f"doubted: {len(found) - most} more like these{where}", err=True)
    for problem in season.problems:
        if problem.file.startswith("overrules.csv") and problem.severity == "note":
            click.echo(problem.sentence(), err=True)


def _tell(problems: tuple[Problem, ...], more: str, *, most: int = 8) -> None:
    ranked = sorted(problems, key=lambda p: ("stop", "file", "row", "note").index(p.severity))
    shown = [p for p in ranked if p.severity != "note"]
    for problem in shown[:most]:
        click.echo(f"left out: {problem.sentence()}", err=True)
    if len(shown) > most:
        click.echo(f"left out: {len(shown) - most} more{more}", err=True)
