"""The shape of the house: who may import whom, no cycles, budgets, docstrings, words that do not belong."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from architecture import (
    EXCEPTIONS,
    GROUND,
    HINDCASTS_ALSO,
    MAY_IMPORT,
    MOST_EXCEPTIONS,
    PACKAGE,
    House,
    Source,
    budget_offences,
    code_lines,
    cycle_offences,
    docstring_offences,
    house_of,
    library_offences,
    reachable,
    room_offences,
    word_offences,
)

ROOT = Path(__file__).parents[1]
TEXT_FILES = {".py", ".toml", ".json", ".csv", ".txt", ".html", ".js", ".css", ".svg", ".j2"}
IMPORT_NAMES = {"vl-convert-python": "vl_convert"}
"""Import names of distributions that differ by more than a hyphen."""


def _texts() -> dict[str, str]:
    found = [p for p in sorted((ROOT / PACKAGE).rglob("*")) if p.is_file() and p.suffix in TEXT_FILES]
    return {p.relative_to(ROOT).as_posix(): p.read_text(encoding="utf-8") for p in found}


@pytest.fixture(scope="module")
def house() -> House:
    return house_of({path: text for path, text in _texts().items() if path.endswith(".py")})


def _declared() -> set[str]:
    """Return the import names that users get: dependencies and extras, without those of the tests."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [names for extra, names in project.get("optional-dependencies", {}).items() if extra != "test"]
    wanted = [name for names in (project["dependencies"], *extras) for name in names]
    bare = [re.match(r"[\w.-]+", name).group() for name in wanted]  # type: ignore[union-attr]
    return {IMPORT_NAMES.get(name, name.replace("-", "_")) for name in bare}


def _none(offences: list[str], rule: str) -> None:
    assert not offences, f"{rule}: {len(offences)}\n" + "\n".join(offences)


def test_rooms_import_only_what_they_may(house: House) -> None:
    _none(room_offences(house), "imports against the table of rooms")


def test_libraries_stay_in_their_rooms(house: House) -> None:
    _none(library_offences(house, _declared()), "imports of libraries that do not belong")


def test_no_cycles(house: House) -> None:
    _none(cycle_offences(house), "modules that import each other")


def test_every_folder_of_modules_is_a_package(house: House) -> None:
    folders = {path.rpartition("/")[0] for path in (source.path for source in house.values())}
    packages = {source.path.rpartition("/")[0] for source in house.values() if source.is_package}
    lacking = [f"{folder}/: no __init__.py" for folder in sorted(folders - packages)]
    _none(lacking, "folders of modules that are no packages")


def test_budgets(house: House) -> None:
    offences = budget_offences(house)
    _none([said for key, said in offences.items() if key not in EXCEPTIONS], "over budget")


def test_exceptions_are_few_reasoned_and_needed(house: House) -> None:
    assert len(EXCEPTIONS) <= MOST_EXCEPTIONS
    _none([key for key, reason in EXCEPTIONS.items() if len(reason) < 20], "exceptions without a reason")
    _none(sorted(set(EXCEPTIONS) - set(budget_offences(house))), "exceptions that nothing needs any more")


def test_public_names_have_docstrings(house: House) -> None:
    _none(docstring_offences(house), "public names without a docstring")


def test_no_unwanted_words() -> None:
    _none(word_offences(_texts()), "words that do not belong")


def test_limits_shared_by_modules_have_one_home() -> None:
    """Each was once written twice; a foot is 0.3048 m (international yard and pound agreement 1959) once a room."""
    texts = {path: path.read_text(encoding="utf-8") for path in (ROOT / "emergence").rglob("*.py")}
    for name in ("LEAST_ALIVE", "SHOWN_AFTER", "LEAST_NONE", "MANY_LAKES"):
        assert sum(len(re.findall(rf"^{name} = ", text, re.MULTILINE)) for text in texts.values()) == 1, name
    rooms = [path.parent.name for path, text in texts.items() for _ in re.findall(r"\b0\.3048\b", text)]
    assert rooms.count("report") == 1 and rooms.count("cli") == 0


def test_table_of_rooms_has_no_cycle() -> None:
    rooms = {
        room: {name.split(".")[0] for name in allowed} - set(GROUND)
        for room, allowed in MAY_IMPORT.items()
        if room not in GROUND
    }
    rooms["verification"] |= set(HINDCASTS_ALSO)
    assert not [room for room in rooms if room in reachable(room, rooms)]


# ---------------------------------------------------------------- the checker can fail


def _small(files: dict[str, str]) -> House:
    """Return a small house: {"water/lake": "..."} stands for emergence/water/lake.py."""
    faces = dict.fromkeys(("__init__", "water/__init__", "weather/__init__", "cli/__init__"), "")
    return house_of({f"{PACKAGE}/{name}.py": text for name, text in (faces | files).items()})


UPWARD = {
    "at the top": "import emergence.forecast.members",
    "in a function": "def f():\n    from emergence.forecast import members",
    "for types only": "if TYPE_CHECKING:\n    from emergence.forecast.members import M",
    "relative": "from ..forecast import members",
    "by name": "import importlib\nimportlib.import_module('emergence.forecast.members')",
    "by relative name": "import_module('..forecast.members', __package__)",
}


@pytest.mark.parametrize("text", UPWARD.values(), ids=UPWARD.keys())
def test_checker_finds_an_upward_import(text: str) -> None:
    house = _small({"water/lake": text, "forecast/__init__": "", "forecast/members": "M = 1"})
    (offence,) = room_offences(house)
    where, said = offence.split(": ", 1)
    assert where in ("emergence/water/lake.py:1", "emergence/water/lake.py:2")
    assert said.startswith("emergence.water.lake imports emergence.forecast")
    assert "water may import" in said


def test_checker_finds_an_import_by_a_computed_name() -> None:
    text = "import importlib\ndef f(n):\n    return importlib.import_module(n)"
    assert room_offences(_small({"cli/main": text})) == []
    (offence,) = room_offences(_small({"water/lake": text}))
    assert offence.startswith("emergence/water/lake.py:3: ")


@pytest.mark.parametrize(
    ("files", "count"),
    [
        ({"water/lake": "from emergence.weather.series import x", "weather/series": "x = 1"}, 0),
        ({"weather/series": "from emergence.water import lake", "water/lake": ""}, 1),
        ({"report/block": "from emergence.runs.results import R", "runs/results": "R = 1"}, 0),
        ({"runs/block": "from emergence.report import board", "report/board": ""}, 1),
        ({"report/board": "from emergence.water import lake", "water/lake": ""}, 1),
        ({"verification/hindcast": "from emergence.runs import block", "runs/block": ""}, 0),
        ({"verification/scores": "from emergence.runs import block", "runs/block": ""}, 1),
        ({"water/lake": "from emergence import cli"}, 1),
        ({"cli/main": "from emergence.water import lake", "water/lake": ""}, 0),
        ({"__main__": "from emergence.cli import main", "cli/main": ""}, 0),
        ({"dates": "from emergence import records", "records": ""}, 0),
        ({"dates": "from emergence.water import lake", "water/lake": ""}, 1),
        ({"kitchen/sink": "x = 1"}, 1),
    ],
)
def test_checker_knows_the_table(files: dict[str, str], count: int) -> None:
    assert len(room_offences(_small(files))) == count


@pytest.mark.parametrize(
    ("file", "text", "rule"),
    [
        ("water/lake", "def f():\n    import urllib.request", "only emergence.weather.meteostat"),
        ("water/lake", "from http import HTTPStatus", "only emergence.weather.meteostat"),
        ("weather/series", "import meteostat as ms", "only emergence.weather.meteostat"),
        ("runs/block", "import vl_convert", "only emergence.report"),
        ("report/board", "from matplotlib import pyplot", "nobody imports matplotlib"),
        ("dates", "import pandas as pd", "of libraries ground imports numpy"),
        ("water/lake", "import pvlib", "not among the dependencies"),
    ],
)
def test_checker_finds_a_library_in_the_wrong_room(file: str, text: str, rule: str) -> None:
    (offence,) = library_offences(_small({file: text}), {"numpy", "pandas", "meteostat", "vl_convert"})
    assert rule in offence


def test_checker_allows_libraries_in_their_rooms() -> None:
    house = _small(
        {
            "weather/meteostat": "import meteostat, socket, os.path",
            "report/board": "import vl_convert",
            "dates": "import numpy as np\nimport datetime",
            "water/lake": "import pandas",
        }
    )
    assert library_offences(house, {"numpy", "pandas", "meteostat", "vl_convert"}) == []


CYCLES = {
    "plain": {"water/a": "import emergence.water.b", "water/b": "import emergence.water.a"},
    "lazy": {"water/a": "from . import b", "water/b": "def f():\n    from emergence.water import a"},
    "for types": {"water/a": "from .b import B", "water/b": "if TYPE_CHECKING:\n    from .a import A"},
    "of three": {"water/a": "from . import b", "water/b": "from . import c", "water/c": "from . import a"},
    "by texts": {
        "cli/a": "COMMANDS = {'b': 'emergence.cli.b:b'}\ndef f(n):\n    return import_module(COMMANDS[n])",
        "cli/b": "from emergence.cli.a import f",
    },
    "through the face": {"water/__init__": "from .a import A", "water/a": "from emergence.water import Z"},
}


@pytest.mark.parametrize("files", CYCLES.values(), ids=CYCLES.keys())
def test_checker_finds_a_cycle(files: dict[str, str]) -> None:
    (offence,) = cycle_offences(_small(files))
    assert offence.startswith("cycle of emergence.")
    assert len(offence.splitlines()) == 1 + len(files)


def test_checker_allows_a_face_that_shows_its_own_modules() -> None:
    house = _small(
        {
            "water/__init__": "from emergence.water.lake import Lake\nfrom .ice import Ice",
            "water/lake": "from emergence.water.ice import Ice\nfrom . import ice",
            "water/ice": "import numpy",
        }
    )
    assert cycle_offences(house) == []


def _function(lines: int, signature: str) -> House:
    body = "".join(f"    x += {i}\n\n    # {i}\n" for i in range(lines))
    return _small({"water/lake": f'{signature}\n    """Say.\n\n    More.\n    """\n{body}'})


@pytest.mark.parametrize(
    ("lines", "signature", "found"),
    [
        (40, "def f(x):", 0),
        (41, "def f(x):", 1),
        (90, "def f(x):  # kernel", 0),
        (91, "def f(x):  # kernel", 1),
        (90, "def f(\n    x,\n):  # kernel", 0),
        (90, "def f(x):  # a kernel, nearly", 1),
        (41, "async def f(x):", 1),
    ],
)
def test_checker_counts_bodies(lines: int, signature: str, found: int) -> None:
    offences = budget_offences(_function(lines, signature))
    assert len(offences) == found
    if found:
        assert offences["emergence/water/lake.py:f"].startswith(
            f"emergence/water/lake.py:1: f has a body of {lines} code lines"
        )


def test_checker_finds_long_methods_and_nested_functions() -> None:
    body = "".join(f"            x = {i}\n" for i in range(41))
    house = _small({"water/lake": f"class A:\n    def f(self):\n        def g():\n{body}        return g\n"})
    assert set(budget_offences(house)) == {"emergence/water/lake.py:A.f", "emergence/water/lake.py:A.f.g"}


@pytest.mark.parametrize(("lines", "found"), [(400, 0), (401, 1)])
def test_checker_counts_modules(lines: int, found: int) -> None:
    text = '"""Say.\n\nMore.\n"""\n' + "".join(f'x{i} = {i}\n"""What."""\n# why\n\n' for i in range(lines))
    assert list(budget_offences(_small({"water/lake": text}))) == ["emergence/water/lake.py"] * found


def test_checker_counts_lines_of_long_texts_and_expressions() -> None:
    source = Source("emergence/a.py", 'A = """one\n\nthree\n"""\nB = (\n    1,  # one\n    # two\n)\n')
    assert code_lines(source) == {1, 3, 4, 5, 6, 8}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("def f(a, b, c, d, e, f, g): ...", 0),
        ("def f(a, b, c, d, e, f, g, h): ...", 1),
        ("def f(a, b, /, c, d, *, e, f, g, h): ...", 1),
        ("def f(a, b, c, d, e, f, *g, **h): ...", 1),
        ("class A:\n    def f(self, a, b, c, d, e, f, g): ...", 0),
        ("class A:\n    @staticmethod\n    def f(a, b, c, d, e, f, g, h): ...", 1),
        ("@main.command()\ndef f(a, b, c, d, e, f, g, h): ...", 0),
        ("@click.option('--a')\ndef f(a, b, c, d, e, f, g, h): ...", 0),
        ("@cache\ndef f(a, b, c, d, e, f, g, h): ...", 1),
    ],
)
def test_checker_counts_parameters(text: str, found: int) -> None:
    offences = list(budget_offences(_small({"water/lake": text})).values())
    assert len(offences) == found
    assert all("8 parameters" in offence for offence in offences)


def test_checker_finds_missing_docstrings() -> None:
    text = "class A:\n    def f(self): ...\n    def _g(self): ...\nclass _B:\n    def f(self): ...\n"
    text += "def g():\n    def h(): ...\n"
    offences = docstring_offences(house_of({"emergence/a.py": text}))
    assert [offence.split(":", 1)[1] for offence in offences] == [
        "1: the module has no docstring",
        "1: A has no docstring",
        "2: A.f has no docstring",
        "6: g has no docstring",
    ]


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("x = 1  # TODO later", 1),
        ("raise NotImplementedError", 1),
        ("except NotImplementedError:", 0),
        ("x = 1  # pragma: no cover", 1),
        ("open('/tmp/x.csv')", 1),
        ("see /home/ann/x", 1),
        (r"C:\Users\ann", 1),
        ("mean/max depth, weather/ID.csv, https://example.org/home/x", 0),
        ("runs/work of the day; 10:\\n", 0),
        ("<p>text</p><var>x</var>", 0),
    ],
)
def test_checker_finds_unwanted_words(line: str, found: int) -> None:
    assert len(word_offences({"emergence/a.py": f"\n{line}\n"})) == found


def test_checks_pass_a_sound_house() -> None:
    house = house_of({"emergence/__init__.py": '"""The house."""\n', "emergence/dates.py": '"""Dates."""\n'})
    assert room_offences(house) == cycle_offences(house) == docstring_offences(house) == []
    assert budget_offences(house) == {}
