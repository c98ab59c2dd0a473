"""Reads the catalogue of taxa: the packaged TOML files, then what the user adds or overrides."""

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from emergence.errors import CatalogueError, Problem
from emergence.sources import Quantity
from emergence.taxa.model import Taxon
from emergence.taxa.names import plain
from emergence.taxa.toml_lines import KeyLines, Path

Table = dict[str, Any]

LIMITS = {
    "°C": (-10.0, 45.0), "°C·day": (0.0, 10000.0), "1": (0.0, 10.0), "h": (0.0, 24.0), "day": (0.0, 366.0),
    "m": (0.0, 6000.0), "ha": (0.0, 1e7), "°": (0.0, 90.0),
}  # fmt: skip
"""What a number of each unit can be at all; our prior."""

_KIND_WORDS = {
    "string_type": "must be text in quotation marks",
    "tuple_type": "must be a list in square brackets",
    "float_type": "must be a number, without quotes",
    "float_parsing": "must be a number, without quotes",
    "string_pattern_mismatch id": "must be 2 to 40 small letters, digits or '_', with a letter first, such as my_midge",
    "string_pattern_mismatch month_day": "must be a day of every year, written month-day, such as 03-01",
}
"""Rules in plain words by pydantic's kind of error, with the key where it matters."""

_NUMBER_HELP = 'a table: { value = 230, unit = "°C·day", source = "own notes", standing = "our prior" }'


class TaxonFilesError(CatalogueError):
    """Taxon files break the catalogue's rules; carries every fault found, ``row`` being the line."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(_sentence(p) for p in problems))
        self.problems = problems


@dataclass(frozen=True)
class _File:
    """One taxon file: its own text and what is to be checked, laid over the packaged taxon it overrides."""

    name: str
    text: str
    table: Table

    def fault(self, path: Path, found: object, rule: str, remedy: str) -> Problem:
        value = "" if found is None or isinstance(found, dict | list) else str(found)[:60]
        line = KeyLines(self.text).line(path)
        return Problem(self.name, line, _dotted(path), value, rule, remedy, "stop")


def _sentence(problem: Problem) -> str:
    """Return a fault of a taxon file as one line for a person."""
    where = problem.file + (f", line {problem.row}" if problem.row else "")
    where += f", {problem.column}" if problem.column else ""
    found = f" (found {problem.value!r})" if problem.value else ""
    return f"{where}: {problem.rule}{found}. {problem.remedy}"


def load_catalogue(own: Mapping[str, str] | None = None) -> dict[str, Taxon]:
    """Return the catalogue, in the order of the ids.

    Parameters
    ----------
    own
        The user's taxon files: path to TOML text. A file with a new ``id`` must be complete, or name a
        catalogue taxon that it is ``like`` and give at least its own ``name``; all it leaves out is that
        taxon's. A file with the id of a catalogue taxon changes only the keys it gives: tables are merged key by
        key, lists (``also_called``, ``broods``, ``gates``) are replaced as a whole, and a number that gets a new
        ``value`` must bring its own ``source`` and ``standing``.

    Returns
    -------
    dict[str, Taxon]
        Taxa by id.

    Raises
    ------
    TaxonFilesError
        A file breaks a rule; lists all faults of all files.
    """
    problems: list[Problem] = []
    sources = {key: _File(f"catalogue/{key}.toml", text, table) for key, (text, table) in _packaged().items()}
    mine: set[str] = set()
    for name, text in sorted((own or {}).items()):
        file, faults = _own_file(name, text, mine)
        problems += faults
        if file is not None:
            sources[file.table["id"]] = file
            mine.add(file.table["id"])
    taxa: dict[str, Taxon] = {}
    for key in sorted(sources):
        taxon, faults = _validated(sources[key])
        problems += faults
        if taxon is not None:
            taxa[key] = taxon
    problems += _doubled_words(taxa, sources, mine)
    if problems:
        raise TaxonFilesError(tuple(sorted(problems)))
    return taxa


@lru_cache(maxsize=1)
def _packaged() -> dict[str, tuple[str, Table]]:
    """Return the packaged files: id to text and parsed table; nobody may change the tables."""
    folder = files("emergence").joinpath("taxa", "catalogue")
    found: dict[str, tuple[str, Table]] = {}
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".toml"):
            text = entry.read_text(encoding="utf-8")
            found[entry.name.removesuffix(".toml")] = (text, tomllib.loads(text))
    return found


def _own_file(name: str, text: str, mine: set[str]) -> tuple[_File | None, list[Problem]]:
    """Parse a user's file and lay it over the packaged taxon of the same id."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"at line (\d+)", str(error))
        line = int(place[1]) if place else len(text.splitlines())
        rule = f"not readable as TOML: {error}"
        return None, [Problem(name, line, "", "", rule, "Correct the line.", "stop")]
    except (ValueError, RecursionError):
        rule = "not readable as TOML: a value is far too long or too deep"
        return None, [Problem(name, 0, "", "", rule, "Correct or remove it.", "stop")]
    bare = _File(name, text, table)
    key = table.get("id")
    if not isinstance(key, str) or not key:
        remedy = 'Write id = "my_midge" for an own taxon, or the id of the catalogue taxon to be changed.'
        return None, [bare.fault(("id",), key, "id must be given as text", remedy)]
    if key in mine:
        rule = "another of your taxon files has this id"
        return None, [bare.fault(("id",), key, rule, "Join the two files.")]
    if "like" in table:
        return _alike(bare, key)
    if key not in _packaged():
        return bare, []
    base = _packaged()[key][1]
    return _File(name, text, _merged(base, table)), list(_unsourced(bare, base, table, ()))


def _alike(bare: _File, key: str) -> tuple[_File | None, list[Problem]]:
    """Lay a new taxon over the catalogue taxon that it is like, without that one's names."""
    like, packaged = bare.table["like"], _packaged()
    own = {k: v for k, v in bare.table.items() if k != "like"}
    if key in packaged:
        remedy = "Take out like: a file with a catalogue id changes that taxon."
        return None, [bare.fault(("like",), like, "a catalogue taxon cannot be like another", remedy)]
    if like not in packaged:
        remedy = f"{_nearest(str(like), list(packaged))}'emergence taxa' lists them all."
        return None, [bare.fault(("like",), like, "no catalogue taxon has this id", remedy)]
    if "name" not in own:
        return None, [bare.fault(("name",), None, "'name' is missing", "Add it: names are not taken over.")]
    base = {k: v for k, v in packaged[like][1].items() if k not in ("name", "also_called")}
    return _File(bare.name, bare.text, _merged(base, own)), list(_unsourced(bare, base, own, ()))


def _merged(base: Table, own: Table) -> Table:
    """Return ``base`` with the keys of ``own`` laid over it, tables key by key; neither is changed."""
    merged = dict(base)
    for key, value in own.items():
        old = merged.get(key)
        merged[key] = _merged(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return merged


def _unsourced(file: _File, base: Table, own: Table, path: Path) -> Iterator[Problem]:
    """Yield new values that would stand under the old citation."""
    for key, value in own.items():
        old = base.get(key)
        if isinstance(old, dict) and isinstance(value, dict):
            yield from _unsourced(file, old, value, (*path, key))
    missing = [key for key in ("source", "standing") if key not in own]
    if "value" in own and "value" in base and missing:
        rule = f"a new value needs its own {' and '.join(missing)}"
        remedy = 'Add, for example, source = "own notes 2019-2024" and standing = "our prior".'
        yield file.fault((*path, "value"), own["value"], rule, remedy)


def _validated(file: _File) -> tuple[Taxon | None, list[Problem]]:
    """Return the taxon, or every rule that the file breaks."""
    problems: dict[str, Problem] = {}
    taxon = None
    try:
        taxon = Taxon.model_validate(file.table)
    except ValidationError as error:
        for detail in error.errors(include_url=False, include_context=False):
            problem = _explained(file, detail)
            problems.setdefault(problem.column, problem)
    for problem in _impossible(file):
        problems.setdefault(problem.column, problem)
    return taxon, list(problems.values())


def _explained(file: _File, detail: Mapping[str, Any]) -> Problem:
    """Turn one finding of pydantic into words."""
    path, kind, said = detail["loc"], detail["type"], detail["msg"].removeprefix("Value error, ")
    found = None if kind == "missing" else detail["input"]
    model = _model_at(path)
    if kind == "extra_forbidden":
        allowed = list(_model_fields(_model_at(path[:-1])))
        remedy = f"{_nearest(str(path[-1]), allowed)}Allowed here: {', '.join(allowed)}."
        return file.fault(path, None, f"unknown key {path[-1]!r}", remedy)
    if kind == "missing":
        remedy = f"Add it as {_NUMBER_HELP}." if model is Quantity else "Add it."
        return file.fault(path, found, f"{path[-1]!r} is missing", remedy)
    if kind in ("model_type", "model_attributes_type"):
        number = model is Quantity
        rule = "a number must say its unit and source" if number else "must be a table"
        shape = f"Write it as {_NUMBER_HELP}." if number else f"Keys: {', '.join(_model_fields(model))}."
        return file.fault(path, found, rule, shape)
    if kind == "literal_error":
        words = re.findall(r"'([^']*)'", said)
        remedy = f"{_nearest(str(found), words)}Correct the value."
        return file.fault(path, found, said[0].lower() + said[1:], remedy)
    if plain_rule := _KIND_WORDS.get(kind) or _KIND_WORDS.get(f"{kind} {_dotted(path[-1:])}"):
        return file.fault(path, found, plain_rule, "Correct the value.")
    named = re.match(r"([a-z_.]+): (.*)", said, re.S) if kind == "value_error" else None
    if named:
        path, said = (*path, *named[1].split(".")), named[2]
    return file.fault(path, found, said[0].lower() + said[1:], "Correct the value.")


def _impossible(file: _File) -> Iterator[Problem]:
    """Yield what the schema lets pass but no taxon can have: impossible numbers, dates of no calendar."""
    for path, table in _tables(file.table, ()):
        low, high = LIMITS.get(str(table.get("unit")), (-math.inf, math.inf))
        for key in {"value", "low", "high"} & set(table) if "unit" in table else ():
            number = table[key]
            if not isinstance(number, int | float) or isinstance(number, bool):
                rule = "must be a number, without quotes"
                yield file.fault((*path, key), number, rule, "Correct the value.")
            elif not (math.isfinite(number) and low <= number <= high):
                rule = f"must lie between {low:g} and {high:g} {table['unit']}"
                yield file.fault((*path, key), number, rule, "Correct the value or the unit.")
    start = file.table.get("start")
    month_day = start.get("month_day") if isinstance(start, dict) else None
    if isinstance(month_day, str) and re.fullmatch(r"\d\d-\d\d", month_day):
        try:
            dt.date.fromisoformat(f"2001-{month_day}")
        except ValueError:
            rule = "must be a day of every year, written month-day"
            yield file.fault(("start", "month_day"), month_day, rule, 'Write, for example, "03-01".')


def _tables(node: object, path: Path) -> Iterator[tuple[Path, Table]]:
    if isinstance(node, dict):
        yield path, node
    children = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, child in children:
        yield from _tables(child, (*path, key))


def _doubled_words(taxa: Mapping[str, Taxon], sources: Mapping[str, _File], mine: set[str]) -> Iterator[Problem]:
    """Yield names that would lead to two taxa; the user's file is the one to change."""
    owner: dict[str, str] = {}
    for key in sorted(taxa, key=lambda k: (k in mine, k)):
        taxon = taxa[key]
        trade = [("also_called", word) for word in taxon.also_called]
        for column, word in [("id", key), ("name", taxon.name), *trade]:
            holder = owner.setdefault(plain(word), key)
            if holder != key:
                remedy = f"Take another name, or take this one from {holder} by a file of your own."
                yield sources[key].fault((column,), word, f"this name already leads to {holder}", remedy)


def _nearest(word: str, options: list[str]) -> str:
    near = get_close_matches(word, options, n=1, cutoff=0.6)
    return f"Did you mean {near[0]!r}? " if near else ""


def _model_at(path: Path) -> type[BaseModel] | None:
    """Return the model that stands at a place of a taxon, None where there is a plain value."""
    model: type[BaseModel] | None = Taxon
    for part in path:
        if isinstance(part, str):
            field = model.model_fields.get(part) if model else None
            model = _model_in(field.annotation) if field else None
    return model


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_in, get_args(annotation)) if m), None)


def _model_fields(model: type[BaseModel] | None) -> tuple[str, ...]:
    return tuple(model.model_fields) if model else ()


def _dotted(path: Path) -> str:
    """Return a path as people write it: growth.lower, gates[1].shut_at (elements counted from 1)."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".")
