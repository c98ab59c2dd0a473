"""One glossary of names and units (data/glossary.toml), held against the signatures of the science rooms.

A new parameter name needs one line in the glossary. A name that ends in a unit must have that unit; where a
docstring gives a unit in [brackets] for a parameter, it must be one of the glossary's.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest
from architecture import public_names

ROOT = Path(__file__).parents[1]
ROOMS = ("solar", "degreedays", "weather", "water", "taxa", "forecast", "verification")
SUFFIXES = {
    "_c": "°C", "_m": "m", "_km": "km", "_ha": "ha", "_deg": "degrees", "_h": "h", "_hours": "h", "_d": "d",
    "_days": "d", "_dd": "°C·day",
}  # fmt: skip
"""Endings of names that promise a unit."""
FOREIGN = {"°F", "K", "ft", "ac", "km", "km2", "rad", "s", "min", "kPa", "hPa", "Pa"}
"""Units that count as units in a docstring even where the glossary has none of them."""

Units = Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class Parameter:
    """One parameter of one public function and the units that the docstring gives it."""

    where: str
    name: str
    said: frozenset[str]


def parameters(path: str, text: str) -> Iterator[Parameter]:
    """Yield the parameters of the public functions and methods of one module."""
    for qualified, node in public_names(ast.parse(text, path)):
        if isinstance(node, ast.ClassDef):
            continue
        a = node.args
        said = documented_units(ast.get_docstring(node) or "")
        for arg in (*a.posonlyargs, *a.args, *a.kwonlyargs, a.vararg, a.kwarg):
            if arg is not None and arg.arg not in ("self", "cls") and not arg.arg.startswith("_"):
                yield Parameter(f"{path}:{node.lineno}: {qualified}", arg.arg, said.get(arg.arg, frozenset()))


def documented_units(docstring: str) -> dict[str, frozenset[str]]:
    """Return what stands in [brackets] at each parameter of a numpy docstring."""
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\S[^\n]*\n-{3,}$|\Z)", docstring, re.M | re.S)
    units: dict[str, frozenset[str]] = {}
    names: list[str] = []
    for line in section[1].splitlines() if section else ():
        if line and not line[0].isspace():
            names = [name.strip(" *") for name in line.split(":")[0].split(",")]
        for name in names:
            brackets = re.findall(r"\[([^\]]+)\]", line)
            units[name] = units.get(name, frozenset()) | {part.split(",")[0].strip() for part in brackets}
    return units


def glossary_offences(found: list[Parameter], glossary: Units) -> list[str]:
    """Return parameters that the glossary lacks or gives another unit."""
    known = FOREIGN | {unit for units in glossary.values() for unit in units}
    offences = []
    unknown: dict[str, list[str]] = {}
    for p in found:
        if p.name not in glossary:
            unknown.setdefault(p.name, []).append(p.where)
        elif (units := p.said & known) and not units <= set(glossary[p.name]):
            offences.append(f"{p.where}: {p.name!r} said in {sorted(units)}, glossary has {glossary[p.name]}")
    for name, places in sorted(unknown.items()):
        more = f" and {len(places) - 1} more" if len(places) > 1 else ""
        offences.append(f"{places[0]}{more}: {name!r} is not in the glossary; rename or add it")
    return offences


@pytest.fixture(scope="module")
def entries() -> dict[str, dict[str, object]]:
    return tomllib.loads((ROOT / "tests/data/glossary.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def glossary(entries: dict[str, dict[str, object]]) -> Units:
    return {name: tuple(str(entry["unit"]).split(" or ")) for name, entry in entries.items()}


@pytest.fixture(scope="module")
def found() -> list[Parameter]:
    files = [path for room in ROOMS for path in sorted((ROOT / "emergence").glob(f"{room}/**/*.py"))]
    files += [path for room in ROOMS for path in (ROOT / "emergence").glob(f"{room}.py")]
    names = [(path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8")) for path in files]
    return [parameter for path, text in names for parameter in parameters(path, text)]


def test_every_parameter_is_in_the_glossary(found: list[Parameter], glossary: Units) -> None:
    offences = glossary_offences(found, glossary)
    assert not offences, "\n".join(offences)


def test_glossary_has_no_unused_names(found: list[Parameter], glossary: Units) -> None:
    unused = sorted(set(glossary) - {p.name for p in found})
    assert not unused, f"no public function of these rooms has: {', '.join(unused)}; take them out"


def test_glossary_entries_are_complete(entries: dict[str, dict[str, object]]) -> None:
    wrong = [name for name, e in entries.items() if set(e) != {"unit", "means"} or not all(e.values())]
    assert not wrong, f"each entry has a unit ('-' for none) and what it means: {wrong}"


def test_names_that_end_in_a_unit_have_it(glossary: Units) -> None:
    wrong = [
        f"{name}: {units}, its ending says {unit}"
        for name, units in glossary.items()
        for suffix, unit in SUFFIXES.items()
        if name.endswith(suffix) and units != (unit,)
    ]
    assert not wrong, "\n".join(wrong)


FUNCTION = '''
def melt(water_c, days, *, depth):
    """Say.

    Parameters
    ----------
    water_c : array
        Temperatures [{unit}], shape (days, cells).
    days, depth
        Numbers [d], see [2].

    Returns
    -------
    out
        Depths [m].
    """


class Lake:
    def warm(self, _hidden, *rest): ...

    def _cool(self, unseen): ...


def _private(unseen): ...
'''


def test_checker_reads_signatures_and_docstrings() -> None:
    found = list(parameters("a.py", FUNCTION.format(unit="°C")))
    assert [(p.name, sorted(p.said)) for p in found] == [
        ("water_c", ["°C"]),
        ("days", ["2", "d"]),
        ("depth", ["2", "d"]),
        ("rest", []),
    ]


WORDS = {"water_c": ("°C",), "days": ("d",), "depth": ("d", "m"), "rest": ("-",)}


@pytest.mark.parametrize(
    ("unit", "glossary", "rules"),
    [
        ("°C", WORDS, []),
        ("m", WORDS, ["'water_c' said in"]),
        ("K", WORDS, ["'water_c' said in"]),
        ("°C", WORDS | {"depth": ("m",)}, ["'depth' said in"]),
        ("°C", {name: WORDS[name] for name in ("water_c", "days", "depth")}, ["'rest' is not in"]),
    ],
)
def test_checker_finds_unknown_names_and_other_units(unit: str, glossary: Units, rules: list[str]) -> None:
    offences = glossary_offences(list(parameters("a.py", FUNCTION.format(unit=unit))), glossary)
    assert len(offences) == len(rules)
    assert all(rule in offence for rule, offence in zip(rules, offences, strict=True))
