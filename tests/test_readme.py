"""README and .ci/run say the same commands, and README knows every command of the program."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import click
import pytest

ROOT = Path(__file__).parents[1]
RUN = "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/emergence forecast data_demo"
TEST = "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest"


def _read(name: str) -> str:
    path = ROOT / name
    assert path.is_file(), f"{name} is missing"
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("command", [RUN, TEST])
def test_readme_gives_the_command_on_one_line(command: str) -> None:
    lines = [line.strip() for line in _read("README.md").splitlines()]
    assert command in lines, f"README.md lacks: {command}"


def test_readme_gives_the_windows_form() -> None:
    assert r".venv\Scripts" in _read("README.md"), r"README.md lacks the Windows form (.venv\Scripts\...)"


def test_readme_shows_files_that_exist() -> None:
    targets = re.findall(r"\]\(([^)#\s]+)\)|(?:src|href)=\"([^\"#]+)\"", _read("README.md"))
    local = [a or b for a, b in targets if "://" not in a + b]
    assert local, "README.md shows no picture of the result"
    assert not [name for name in local if not (ROOT / name).exists()]


def test_ci_runs_the_test_command_of_the_readme() -> None:
    lines = _read(".ci/run").splitlines()
    assert lines[:2] == ["#!/usr/bin/env bash", "set -euo pipefail"]
    for command in (TEST, ".venv/bin/ruff check", ".venv/bin/mypy"):
        assert [line for line in lines if line.startswith(command)], f".ci/run lacks: {command}"


def test_ci_stops_when_any_part_of_the_test_command_fails() -> None:
    """``set -e`` alone overlooks a failure before the last ``&&``."""
    assert f"{TEST} || exit" in _read(".ci/run").splitlines()


def test_ci_can_be_executed() -> None:
    assert os.access(ROOT / ".ci/run", os.X_OK), "chmod +x .ci/run"


def _commands(group: click.Command, words: str) -> Iterator[str]:
    if not isinstance(group, click.Group):
        yield words
        return
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None, f"{words} {name} is listed but cannot be had"
        if not command.hidden:
            yield from _commands(command, f"{words} {name}")


def test_readme_mentions_every_command() -> None:
    main = import_module("emergence.cli.main").main
    commands = list(_commands(main, "emergence"))
    assert "emergence forecast" in commands
    text = _read("README.md")
    missing = [words for words in commands if not re.search(rf"\b{re.escape(words)}\b", text)]
    assert not missing, f"README.md does not mention: {', '.join(missing)}"


def test_commands_are_found_in_groups() -> None:
    main, note, hidden = click.Group("main"), click.Group("note"), click.Command("secret", hidden=True)
    note.add_command(click.Command("undo"))
    for command in (note, click.Command("water"), hidden):
        main.add_command(command)
    assert list(_commands(main, "emergence")) == ["emergence note undo", "emergence water"]
