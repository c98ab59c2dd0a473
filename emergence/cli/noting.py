"""What the ``note`` commands share: the season's names, tables of notes, the writing itself, notes in words."""

from __future__ import annotations

import datetime as dt
import getpass
import re
import sys
import tempfile
import zoneinfo
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import click

from emergence.dates import day_number, to_date
from emergence.errors import CatalogueError, Problem, SeasonError, WrongUseError
from emergence.journal.checks import FOOT_M, Place
from emergence.journal.drafts import Fault, Known, TaxonWords, read_draft
from emergence.journal.entries import COLUMNS, KINDS, Added, Body, Entry, IceDate, Kind, Note, Reading, Stamp, standing
from emergence.journal.notes import open_journal, read_notes
from emergence.journal.plain_files import UNION
from emergence.journal.words import find_level, find_stage, nearest, plain
from emergence.records import Settings
from emergence.season.columns import normal
from emergence.season.intake import Intake
from emergence.season.lakes import LAKE_RULES, read_lakes
from emergence.season.settings import read_settings
from emergence.season.tables import Rules, Sheet, read_sheet
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.model import Taxon
from emergence.taxa.names import find_taxon, group_taxa, nearest_taxon

WITH_PUPA = ("midge", "phantom midge", "caddis", "other")
MOST_LINES = 20
"""So many notes are named one by one where many are doubtful, or undone."""
_MISSING = frozenset({"na", "n/a", "nan", "null"})
_DATE = re.compile(r"\b[12]\d{3}-[01]\d-[0-3]\d\b", re.ASCII)
_BARE = re.compile(r"[+-]?[\d.,]+")
_UNITS = {"c": "C", "f": "F", "m": "m", "ft": "ft"}
Cells = dict[str, str]


def now() -> dt.datetime:
    """Return the moment, in UTC."""
    return dt.datetime.now(dt.UTC)


def writer() -> str:
    """Return the name under which the user is logged in, "" where it cannot be told."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def created() -> str:
    """Return the moment as the journal writes it."""
    return f"{now():%Y-%m-%dT%H:%M:%S.%fZ}"


@dataclass(frozen=True)
class Desk:
    """What is needed to note something in a season folder."""

    folder: Path
    settings: Settings
    lake_names: Mapping[str, str]
    known: Known

    def last_lake(self) -> str:
        """Return the lake of the latest standing note, or the only lake; "" where neither is there."""
        used = [n.body.lake_id for n in standing(read_notes(self.folder)) if n.body.lake_id in self.lake_names]
        return used[-1] if used else next(iter(self.lake_names)) if len(self.lake_names) == 1 else ""


def open_desk(folder: Path) -> Desk:
    """Read the names and units of a season folder; its observations are not needed, its weather not yet.

    Raises
    ------
    SeasonError
        lakes.csv or season.toml cannot be used at all.
    CatalogueError
        A file of the user's own taxa is at fault.
    """
    intake = season_intake(folder)
    intake.list_files("weather", "note")
    settings = read_settings(intake)
    file = intake.find("lakes", "stop")
    sheet = read_sheet(intake, file, LAKE_RULES) if file else None
    lakes, _ = read_lakes(sheet, None)
    if sheet is None or not len(lakes):
        missing = Problem("lakes.csv", 0, "", "", "there is no lake to note anything of", "Add one row a lake.", "stop")
        told = intake.problems + (sheet.problems if sheet is not None else [])
        problems = tuple(p for p in told if p.severity == "stop") or (missing,)
        raise SeasonError("\n".join(p.sentence() for p in problems), problems)
    names = dict(zip(lakes.lake_id.tolist(), lakes.name.tolist(), strict=True))
    words = {plain(name): lake for lake, name in reversed(names.items())} | {plain(lake): lake for lake in names}
    at = (lakes.latitude.tolist(), lakes.elevation_m.tolist(), lakes.max_depth_m.tolist())
    places = zip(names, map(Place, *at), strict=True)
    texts = {name: intake.text(name, "stop") or "" for name in sorted(intake.paths) if _is_taxon_file(name)}
    known = _known(settings, words, dict(places), load_catalogue(texts))
    known = replace(known, weather_after=_weather_after(intake))
    return Desk(folder, settings, names, known)


def season_intake(folder: Path) -> Intake:
    """Return the door of a season folder.

    Raises
    ------
    WrongUseError
        It is no folder.
    """
    if not folder.is_dir():
        raise WrongUseError(f"{folder} is not a folder. A season is a folder that holds lakes.csv and weather/.")
    intake = Intake(folder)
    intake.list_files("", "stop")
    intake.list_files("taxa", "stop")
    return intake


def _is_taxon_file(name: str) -> bool:
    return name.startswith("taxa/") and name.endswith(".toml")


def _known(settings: Settings, lakes: dict[str, str], places: dict[str, Place], taxa: dict[str, Taxon]) -> Known:
    def near(word: str) -> str | None:
        group = group_taxa(word, taxa)
        return " or ".join(group) or nearest_taxon(word, taxa)

    return Known(
        lakes=lakes,
        places=places,
        find_taxon=lambda word: find_taxon(word, taxa),
        near_taxon=near,
        taxa={key: TaxonWords(taxon.stage_words, taxon.group in WITH_PUPA) for key, taxon in taxa.items()},
        today=_today(settings),
        temperature="F" if settings.temperature_unit == "F" else "C",
        length="ft" if settings.length_unit == "ft" else "m",
    )


def _weather_after(intake: Intake) -> Callable[[int], str]:
    """Return a function that tells the first date of the season's weather where it lies after a day, else ""."""
    files = sorted(n for n in intake.paths if n.startswith("weather/") and n.endswith((".csv", ".csv.gz")))

    @cache
    def first_date(file: str) -> str:
        return min(_DATE.findall(intake.text(file, "note") or ""), default="")

    def after(day: int) -> str:
        firsts: list[str] = []
        for file in files:
            if first := first_date(file):
                if first <= to_date(day).isoformat():
                    return ""
                firsts.append(first)
        return min(firsts, default="")

    return after


def _today(settings: Settings) -> int:
    """Return today's day number in the season's time zone, in the computer's where season.toml names none."""
    zone = zoneinfo.ZoneInfo(settings.time_zone) if "time_zone" in settings.said else None
    return day_number(now().astimezone(zone).date())


# ---------------------------------------------------------------- what was typed


def split_sighting(words: Sequence[str], known: Known) -> Cells:
    """Return taxon, stage and level of the words of a sighting, quoted or not: insect, stage, how many.

    "How many" may come first (many damsels climbing). A word that is both (migrating nymph) gives insect and stage;
    without "how many" it is few.
    """
    flat = " ".join(words).split()
    if not _insect_first(flat, known):
        for i in range(len(flat) - 1, 0, -1):
            if find_level(" ".join(flat[:i])) and _insect_first(flat[i:], known):
                flat = [*flat[i:], *flat[:i]]
                break
    best: Cells | None = None
    for i in range(len(flat), 0, -1):
        taxon = known.find_taxon(" ".join(flat[:i]))
        if taxon is None:
            continue
        own = known.taxa[taxon].stages
        for j in range(len(flat), i - 1, -1):
            named, level = " ".join(flat[i:j]), " ".join(flat[j:])
            stage = named or (" ".join(flat[:i]) if find_stage(" ".join(flat[:i]), own) else "")
            cells = {"taxon": taxon, "stage": stage, "level": level or "few"}
            if not stage or not find_stage(stage, own) or (level and not find_level(level)):
                continue
            if named:
                return cells
            best = best or cells
    return best or _as_typed(flat, known)


def _insect_first(flat: list[str], known: Known) -> bool:
    return any(known.find_taxon(" ".join(flat[:i])) for i in range(1, len(flat) + 1))


def _as_typed(flat: list[str], known: Known) -> Cells:
    """Return the likeliest parts of words that do not fit, so that the right one is found fault with."""
    reach = [i for i in range(len(flat), 0, -1) if known.find_taxon(" ".join(flat[:i]))]
    i = reach[0] if reach else 1
    rest = flat[i:]
    counted = [j for j in range(len(rest)) if find_level(" ".join(rest[j:]))]
    staged = [j for j in range(len(rest) - 1, 0, -1) if find_stage(" ".join(rest[:j]))]
    at = counted[0] if counted else staged[0] if staged else len(rest)
    stage, level = rest[:at], " ".join(rest[at:]) or "few"
    return {"taxon": " ".join(flat[:i]), "stage": " ".join(stage), "level": level}


def draft_of(kind: Kind, cells: Cells, desk: Desk) -> Entry:
    """Return the note of one command line; lake and day are the last lake and today where not said.

    Raises
    ------
    WrongUseError
        Something is wrong with it; all of it is told.
    """
    whole = {**cells, "lake_id": cells.get("lake_id") or desk.last_lake(), "date": cells.get("date") or "today"}
    draft = read_draft(kind, whole, desk.known)
    if isinstance(draft, Entry):
        return draft
    raise WrongUseError("nothing was noted.\n" + "\n".join(f"  {fault.sentence()}" for fault in draft))


# ---------------------------------------------------------------- tables of notes


@dataclass(frozen=True)
class Row:
    """A row of a table of notes, and the note it makes or what is wrong with it."""

    where: str
    draft: Entry | tuple[Fault, ...]


def read_rows(file: str, kind: Kind | None, desk: Desk) -> list[Row]:
    """Return the rows of a CSV ("-": standard input) of one kind, or with a column ``kind`` of all kinds.

    Without that column the other columns tell the kind: they are those of readings.csv, ice.csv or sightings.csv.

    Raises
    ------
    SeasonError
        The file cannot be read as a whole.
    """
    if file != "-":
        return list(_rows(Path(file), Path(file).name, kind, desk))
    with tempfile.TemporaryDirectory(prefix="journal-") as elsewhere:
        path = Path(elsewhere, "input.csv")
        path.write_bytes(sys.stdin.buffer.read())
        return list(_rows(path, "standard input", kind, desk))


def _rows(path: Path, name: str, kind: Kind | None, desk: Desk) -> Iterator[Row]:
    intake = Intake(path.parent)
    intake.paths[name] = path
    required = ("lake_id", "date") if kind is None else _required(kind)
    columns = UNION if kind is None else COLUMNS[kind]
    rules = Rules(required, tuple(c for c in columns if c not in required), row="row")
    sheet = read_sheet(intake, name, rules)
    if sheet is None:
        told = "\n".join(f"  {problem.sentence()}" for problem in intake.problems)
        raise SeasonError(f"nothing was noted.\n{told}", tuple(intake.problems))
    if kind is None and "kind" not in sheet.cells:
        kind = _kind_by_columns(name, sheet)
    for problem in sheet.problems:
        fault = Fault(problem.column or "the row", problem.value, problem.rule, problem.remedy)
        if problem.severity == "note":
            click.echo(problem.sentence(), err=True)
        else:
            yield Row(f"{name}, row {problem.row}", (fault,))
    cells = {column: _with_unit(column, sheet.written[column], sheet.cells[column]) for column in sheet.cells}
    for i, number in enumerate(sheet.rows.tolist()):
        row = {column: values[i] for column, values in cells.items()}
        yield Row(f"{name}, row {number}", _row_draft(kind, row, desk))


def _required(kind: Kind) -> tuple[str, ...]:
    return {
        "reading": ("lake_id", "date", "water_c"),
        "ice": ("lake_id", "date", "event"),
        "sighting": ("lake_id", "date", "taxon", "stage", "level"),
    }[kind]


def _kind_by_columns(name: str, sheet: Sheet) -> Kind:
    fits = [kind for kind in KINDS if all(column in sheet.cells for column in _required(kind))]
    if len(fits) == 1:
        return fits[0]
    rule = "the column kind is missing, and the other columns are not those of one kind of note"
    remedy = f"Add a column kind: {', '.join(KINDS)}, or give those of readings.csv, ice.csv or sightings.csv alone."
    problem = Problem(name, 1, "kind", "", rule, remedy, "stop")
    raise SeasonError(f"nothing was noted.\n  {problem.sentence()}", (problem,))


def _with_unit(column: str, header: str, values: list[str]) -> list[str]:
    """Return a column's cells with the unit of its header, blank where a number is said to be missing."""
    if column not in ("water_c", "depth_m", "hour", "minutes"):
        return [normal(value) for value in values]
    unit = _UNITS.get(header.rpartition("_")[2], "")
    known = ["" if value.lower() in _MISSING else value for value in values]
    return [value + unit if _BARE.fullmatch(value) else value for value in known]


def _row_draft(kind: Kind | None, row: Cells, desk: Desk) -> Entry | tuple[Fault, ...]:
    said = row.pop("kind", "").casefold().removesuffix("s")
    found = kind or next((k for k in KINDS if k == said), None)
    if found is None:
        return (Fault("kind", said, f"it must be one of {', '.join(KINDS)}", "Say what kind of note the row is."),)
    if not row.get("date"):
        return (Fault("date", "", "the date is missing", "Write it as 2026-05-24."),)
    return read_draft(found, row, desk.known)


# ---------------------------------------------------------------- writing


def write(desk: Desk, entries: Sequence[Entry], source: str) -> list[Added]:
    """Write notes in the journal and say so; they are on the disk when a line says that they are noted."""
    with open_journal(desk.folder, now=now()) as journal:
        added = journal.add(entries, Stamp(created(), source, writer()))
        if len(entries) == 1:
            _say(desk, entries[0], added[0])
        if trouble := journal.keep_copy(now()):
            click.echo(f"The note is safe, but {trouble}", err=True)
    return added


def _say(desk: Desk, entry: Entry, added: Added) -> None:
    words = in_words(entry.body, desk.settings, desk.lake_names)
    if added.against:
        body = entry.body
        assert isinstance(body, IceDate)
        raise WrongUseError(
            f"nothing was noted: note {added.id} says the opposite of ice {body.event} for the same lake and day. "
            f"If that one is wrong, undo it first: emergence note undo SEASON {added.id}"
        )
    if not added.new:
        click.echo(f"note {added.id} says that already (counted once): {words}")
        return
    click.echo(f"note {added.id}: {words}")
    if entry.doubt and not entry.confirmed:
        click.echo(
            f"kept, but marked as doubtful: {entry.doubt}. If it is wrong: emergence note undo SEASON {added.id}",
            err=True,
        )


def ask_about(entry: Entry) -> Entry | None:
    """Ask about a doubtful note where somebody sits at a terminal; None means that it is not to be written."""
    if not entry.doubt or not at_terminal():
        return entry
    try:
        if not click.confirm(f"Doubtful: {entry.doubt}. Note it all the same?", default=True, err=True):
            return None
    except click.Abort:
        click.echo(err=True)
        return None
    return Entry(entry.body, entry.doubt, confirmed=True)


def at_terminal() -> bool:
    """Return whether somebody can answer."""
    return sys.stdin.isatty() and sys.stderr.isatty()


# ---------------------------------------------------------------- notes in words


def in_words(body: Body, settings: Settings, names: Mapping[str, str]) -> str:
    """Return a note in one line: lake, date, what."""
    date = to_date(body.day)
    return f"{names.get(body.lake_id, body.lake_id)}, {date.day} {date:%b %Y}, {what(body, settings)}"


def what(body: Body, settings: Settings) -> str:
    """Return what a note says, in the units to show."""
    if isinstance(body, IceDate):
        return f"ice {body.event}"
    if isinstance(body, Reading):
        warm = f"{body.water_c:.3g} °C"
        if settings.temperature_unit == "F":
            warm = f"{body.water_c * 1.8 + 32.0:.3g} °F ({warm})"
        return warm + _depth(body.depth_m, settings) + _hour(body.hour)
    stage = body.stage.replace("_", " ")
    looked = f", looked {body.minutes:g} min" if body.minutes is not None else ""
    rest = [text for text in (body.observer, body.note) if text]
    return ", ".join([f"{body.taxon} {stage}: {body.level}{looked}", *rest])


def _depth(depth_m: float | None, settings: Settings) -> str:
    if depth_m is None:
        return ""
    return f" at {depth_m / FOOT_M:.3g} ft" if settings.length_unit == "ft" else f" at {depth_m:.3g} m"


def _hour(hour: float | None) -> str:
    if hour is None:
        return ""
    minutes = round(hour * 60)
    return f", {minutes // 60:02d}:{minutes % 60:02d}"


def lake_names(folder: Path) -> tuple[Mapping[str, str], Settings]:
    """Return lake names and units for showing notes; a folder with faults gets ids and the defaults."""
    try:
        desk = open_desk(folder)
    except (SeasonError, CatalogueError):
        return {}, Settings()
    return desk.lake_names, desk.settings


def asked_lake(folder: Path, word: str, noted: Collection[str]) -> str:
    """Return the lake_id that a word names among a season's lakes and those ``noted``, "" for no word.

    Raises
    ------
    WrongUseError
        There is no such lake; the nearest name is suggested.
    """
    if not word or word in noted:
        return word
    names, _ = lake_names(folder)
    known = {plain(name): lake for lake, name in names.items()} | {plain(lake): lake for lake in (*names, *noted)}
    found = known.get(plain(word))
    if found is None:
        raise WrongUseError(f"no lake is called {word!r}. {nearest(word, known)}".strip())
    return found


def shortened(lines: Sequence[str], rest: str) -> Sequence[str]:
    """Return the first lines of many, and how many there are more."""
    if len(lines) <= MOST_LINES:
        return lines
    return (*lines[:MOST_LINES], f"and {len(lines) - MOST_LINES} more {rest}")


def marks(note: Note) -> str:
    """Return what stands behind a listed note: undone, doubtful."""
    if note.undone:
        return f"  (undone {note.undone[:10]})"
    return f"  (doubtful{', confirmed' if note.confirmed else ''}: {note.doubt})" if note.doubt else ""
