"""The wheel holds what a user needs, and nothing else."""

from __future__ import annotations

import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from configparser import ConfigParser
from email.parser import Parser
from pathlib import Path, PurePosixPath

import pytest

import emergence

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[zipfile.ZipFile]:
    """Build the wheel from the working tree, offline."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    if built.returncode:
        said = (built.stdout + built.stderr).splitlines()[-8:]
        pytest.fail("\n".join(["the wheel cannot be built", *said]), pytrace=False)
    (path,) = folder.glob("*.whl")
    with zipfile.ZipFile(path) as opened:
        yield opened


def _info(wheel: zipfile.ZipFile, name: str) -> str:
    (path,) = (n for n in wheel.namelist() if n.endswith(f".dist-info/{name}"))
    return wheel.read(path).decode()


def test_wheel_holds_every_file_of_the_package(wheel: zipfile.ZipFile) -> None:
    files = [p for p in (ROOT / "emergence").rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    wanted = {p.relative_to(ROOT).as_posix() for p in files if not p.name.startswith(".")}
    assert "emergence/py.typed" in wanted
    assert any(name.endswith(".toml") for name in wanted), "no taxon catalogue under emergence/"
    missing = sorted(wanted - set(wheel.namelist()))
    assert not missing, f"not in the wheel (ignored by .gitignore?): {missing}"


def test_wheel_data_are_the_same_bytes(wheel: zipfile.ZipFile) -> None:
    data = [n for n in wheel.namelist() if n.startswith("emergence/") and not n.endswith(".py")]
    assert not [name for name in data if wheel.read(name) != (ROOT / name).read_bytes()]


def test_wheel_holds_nothing_else(wheel: zipfile.ZipFile) -> None:
    paths = [PurePosixPath(name) for name in wheel.namelist()]
    roots = {path.parts[0] for path in paths}
    assert roots == {"emergence", f"aquatic_insect_emergence-{PROJECT['version']}.dist-info"}
    unwanted = {"tests", "data_demo", "__pycache__", "conftest.py"}
    assert not [str(path) for path in paths if unwanted & set(path.parts)]


def test_wheel_holds_the_licence(wheel: zipfile.ZipFile) -> None:
    assert _info(wheel, "licenses/LICENSE") == (ROOT / "LICENSE").read_text(encoding="utf-8")


def test_wheel_metadata_are_the_projects(wheel: zipfile.ZipFile) -> None:
    metadata = Parser().parsestr(_info(wheel, "METADATA"))
    assert metadata["Name"] == "aquatic-insect-emergence"
    assert metadata["Version"] == PROJECT["version"] == emergence.__version__
    assert metadata["Requires-Python"] == ">=3.11"
    assert metadata["License-Expression"] == "MIT"
    asked = [line for line in metadata.get_all("Requires-Dist") or [] if "extra ==" not in line]
    assert len(asked) == len(PROJECT["dependencies"])


def test_wheel_installs_the_command(wheel: zipfile.ZipFile) -> None:
    points = ConfigParser()
    points.read_string(_info(wheel, "entry_points.txt"))
    assert dict(points["console_scripts"]) == {"emergence": "emergence.cli.main:main"}
    assert "emergence/cli/main.py" in wheel.namelist()
