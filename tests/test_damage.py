"""Damaged season folders: a clear message or a result, never a traceback; nothing changed, nothing half-written."""

from __future__ import annotations

import csv
import gzip
import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from damage import DAMAGES, Draft, damaged, small_season
from damage.check import (
    Outcome,
    draw_command,
    judge_row,
    judge_words,
    read_rows,
    run_and_judge,
    snapshot,
)
from damage.draft import bytes_of, cells_of, rows_of
from damage.settings import learned_table
from damage.wide import NOTES, run_wide, season_with_everything, stored_files, wide
from season_folder import LAKES, RESIDENTS, SETTINGS, STATIONS, season_files, weather_high

FILES = season_files()
SEEDS = range(40)
WIDE_SEEDS = range(8)
"""Quick shares; ``python -m tests.benchmarks.damage [--wide]`` runs 300 and more."""


def run(tmp_path: Path, changes: dict[str, str], command: str = "forecast") -> Outcome:
    """Run on the small season with some files changed; a run must be faultless whatever its exit code."""
    draft = small_season(FILES)
    draft.files |= {name: text.encode() for name, text in changes.items()}
    outcome = run_and_judge(draft.write(tmp_path / "season"), tmp_path / "work", command)
    assert not outcome.faults, f"{outcome.faults}\n{outcome.output}\n{outcome.trace}"
    return outcome


@pytest.fixture(scope="module")
def sound_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the results of the sound folder."""
    root = tmp_path_factory.mktemp("sound")
    run_and_judge(small_season(FILES).write(root / "season"), root / "work", "forecast")
    return root / "work" / "out"


@pytest.mark.parametrize("seed", SEEDS)
def test_a_damaged_folder(tmp_path: Path, seed: int) -> None:
    draft = damaged(FILES, seed)
    season = draft.write(tmp_path / "season")
    outcome = run_and_judge(season, tmp_path / "work", draw_command(seed))
    told = "\n".join([outcome.command, f"exit {outcome.exit_code}", *draft.done, outcome.output, outcome.trace])
    assert not outcome.faults, f"{outcome.faults}\n{told}"


@pytest.mark.parametrize("command", ["forecast --members --json", "forecast dated", "water", "learn"])
def test_the_sound_folder_gives_a_result(tmp_path: Path, command: str) -> None:
    assert run(tmp_path, {}, command).exit_code == 0


def test_no_weather_up_to_the_issue_date(tmp_path: Path) -> None:
    assert run(tmp_path, {}, "forecast --as-of 1990-01-01").exit_code == 4


def test_a_seed_gives_the_same_damage_again() -> None:
    a, b = damaged(FILES, 5), damaged(FILES, 5)
    assert (a.files, a.instead, a.done) == (b.files, b.instead, b.done)


@pytest.mark.parametrize("kind", DAMAGES)
def test_every_kind_changes_the_folder(kind: str) -> None:
    sound = small_season(FILES)
    for seed in range(8):
        draft = small_season(FILES)
        DAMAGES[kind](draft, np.random.default_rng(seed))
        if (draft.files, draft.instead) != (sound.files, sound.instead):
            return
    pytest.fail("eight draws left the folder as it was")


@pytest.mark.parametrize("seed", WIDE_SEEDS)
def test_a_damaged_folder_with_everything(tmp_path: Path, seed: int) -> None:
    draft, stored, command = wide(FILES, seed)
    outcome = run_wide(draft.write(tmp_path / "season"), tmp_path / "work", stored, command)
    told = "\n".join([command, f"exit {outcome.exit_code}", *draft.done, outcome.output, outcome.trace])
    assert not outcome.faults, f"{outcome.faults}\n{told}"


@pytest.mark.parametrize("command", ["trips --bookings plan.csv", "regions --json", "note import notes.csv"])
def test_the_sound_folder_with_everything_gives_a_result(tmp_path: Path, command: str) -> None:
    season = season_with_everything(FILES).write(tmp_path / "season")
    stored = Draft(dict(stored_files()) | {"notes.csv": NOTES.encode()})
    outcome = run_wide(season, tmp_path / "work", stored, command)
    assert outcome.exit_code == 0 and not outcome.faults, f"{outcome.faults}\n{outcome.output}"


def test_regions_of_both_hemispheres_are_told(tmp_path: Path) -> None:
    draft = season_with_everything(FILES)
    DAMAGES["lakes_in_both_hemispheres"](draft, np.random.default_rng(0))
    outcome = run_wide(draft.write(tmp_path / "season"), tmp_path / "work", Draft({}), "regions --json")
    assert outcome.exit_code == 0 and not outcome.faults, f"{outcome.faults}\n{outcome.trace}"


def test_an_earlier_run_that_was_changed_is_said_and_the_forecast_stands(tmp_path: Path) -> None:
    stored = Draft(dict(stored_files()))
    windows = next(name for name in stored.files if name.endswith("2024-05-24/windows.csv"))
    with rows_of(stored, windows) as rows:
        rows[1][rows[0].index("peak_p50")] = "31.05.2024"
    season = season_with_everything(FILES).write(tmp_path / "season")
    outcome = run_wide(season, tmp_path / "work", stored, "forecast")
    assert outcome.exit_code == 0 and not outcome.faults, outcome.faults
    assert "the earlier run 2024-05-24 cannot be read" in outcome.output


# The judge must be able to say no.


def test_the_judge_sees_bad_messages() -> None:
    assert judge_words(0, "all is well") == []
    assert judge_words(1, "lakes.csv, row 3: wrong") == []
    assert "no message" in judge_words(1, " \n")
    assert "a traceback reached the user" in judge_words(1, "Traceback (most recent call last): lakes.csv")
    assert "an internal error reached the user" in judge_words(1, "an error of the program itself, lakes.csv")
    assert "the message names no file, lake or option" in judge_words(2, "something is wrong")
    assert "exit code 5" in judge_words(5, "lakes.csv")
    assert any("control" in fault for fault in judge_words(0, "a \x1b[31m name"))
    assert any("a line of" in fault for fault in judge_words(0, "x" * 5000))


def test_the_judge_sees_bad_rows(sound_run: Path) -> None:
    rows, _ = read_rows(sound_run / "windows.csv")
    assert rows and not judge_row("windows", rows[0])
    assert judge_row("windows", rows[0] | {"best_week_chance": "1.2"})
    assert judge_row("windows", rows[0] | {"onset_p50": "1970-01-01"})
    assert judge_row("windows", rows[0] | {"chance_not_this_season": "0.6", "chance_no_end": "0.6"})
    with pytest.raises(ValueError, match="isoformat"):
        judge_row("windows", rows[0] | {"outer_start": "31.05.2024"})


def test_the_snapshot_sees_every_change(tmp_path: Path) -> None:
    folder = small_season(FILES).write(tmp_path / "season")
    before = snapshot(folder)
    assert snapshot(folder) == before
    (folder / "weather" / "low.csv").write_bytes(b"")
    assert snapshot(folder) != before


# What is no damage at all.


def crlf(name: str, raw: bytes) -> tuple[str, bytes]:
    return name, raw.replace(b"\n", b"\r\n")


def marked(name: str, raw: bytes) -> tuple[str, bytes]:
    return name, (raw if name.startswith("taxa/") else b"\xef\xbb\xbf" + raw)


def packed(name: str, raw: bytes) -> tuple[str, bytes]:
    return (f"{name}.gz", gzip.compress(raw)) if name.endswith(".csv") else (name, raw)


def quoted(name: str, raw: bytes) -> tuple[str, bytes]:
    out = io.StringIO()
    csv.writer(out, quoting=csv.QUOTE_ALL).writerows(cells_of(raw))
    return name, (out.getvalue().encode() if name.endswith(".csv") else raw)


def upside_down(name: str, raw: bytes) -> tuple[str, bytes]:
    head, *rows = raw.splitlines(keepends=True)
    return name, (b"".join([head, *rows[::-1]]) if name.endswith(".csv") and name != "lakes.csv" else raw)


def columns_turned(name: str, raw: bytes) -> tuple[str, bytes]:
    return name, (bytes_of([row[::-1] for row in cells_of(raw)]) if name.endswith(".csv") else raw)


def loose(name: str, raw: bytes) -> tuple[str, bytes]:
    """Blank lines, capitals in the header, an unknown column, blanks around cells."""
    if not name.endswith(".csv"):
        return name, raw + b"\n\n"
    (head, *rows) = cells_of(raw)
    rows = [[f" {cell} " for cell in (*row, "mine")] for row in rows]
    return name, b"\n\n" + bytes_of([[h.upper() for h in (*head, "of_mine")], *rows]) + b",,\n\n"


@pytest.mark.parametrize("change", [crlf, marked, packed, quoted, upside_down, columns_turned, loose])
def test_another_spelling_gives_the_same_windows(
    tmp_path: Path, sound_run: Path, change: Callable[[str, bytes], tuple[str, bytes]]
) -> None:
    sound = small_season(FILES)
    other = Draft(dict(change(name, raw) for name, raw in sound.files.items()))
    said = run_and_judge(other.write(tmp_path / "season"), tmp_path / "work", "forecast")
    assert said.exit_code == 0 and not said.faults, f"{said.faults}\n{said.output}"
    for table in ("windows.csv", "days.csv", "water.csv"):
        assert (tmp_path / "work" / "out" / table).read_bytes() == (sound_run / table).read_bytes()


# What random damage has found.


def test_a_long_or_odd_header_is_shown_short(tmp_path: Path) -> None:
    said = run(tmp_path, {"lakes.csv": LAKES.replace("elevation_m", "x" * 3000 + "\x7f")})
    assert said.exit_code == 1 and "the column elevation_m (or elevation_ft) is missing" in said.output


def test_a_bad_station_id_is_told_once(tmp_path: Path) -> None:
    said = run(tmp_path, {"stations.csv": STATIONS + "y" * 5000 + ",Far,51,-119,400\n"})
    assert said.exit_code == 1 and said.output.count("stations.csv, row 4") == 1


def test_a_problem_that_stops_is_told_once(tmp_path: Path) -> None:
    said = run(tmp_path, {"lakes.csv": LAKES.replace("51.2,", "151.2,")})
    assert said.exit_code == 1 and said.output.count("lakes.csv, row 2") == 1


@pytest.mark.parametrize("text", ["x = " + "[" * 3000, "x = 1" + "0" * 5000])
def test_an_own_taxon_too_deep_or_too_long_to_read(tmp_path: Path, text: str) -> None:
    said = run(tmp_path, {"taxa/own.toml": text})
    assert said.exit_code == 1 and "taxa/own.toml: not readable as TOML" in said.output


def test_a_station_far_above_its_lake(tmp_path: Path) -> None:
    said = run(tmp_path, {"stations.csv": STATIONS.replace("-119.45,400", "-119.45,8400")})
    assert said.exit_code == 1 and "more than 4000 m apart in height" in said.output
    assert said.output.count("lakes.csv, row") == 2


def test_a_taxon_that_nobody_knows(tmp_path: Path) -> None:
    said = run(tmp_path, {"season.toml": SETTINGS.replace('"chironomus"]', '"chironomos"]')})
    assert said.exit_code == 1 and "season.toml, taxa.run: no insect is called that (found 'chironomos')" in said.output
    assert "Did you mean chironomus?" in said.output


def test_a_resident_that_nobody_knows(tmp_path: Path) -> None:
    said = run(tmp_path, {"residents.csv": RESIDENTS + "birch,water dragon,yes\n"})
    assert said.exit_code == 1
    assert "residents.csv, taxon: no insect is called that (found 'water dragon')" in said.output


@pytest.mark.parametrize("day", ["1800-01-01", "2025-05-30"])
def test_a_lone_day_of_a_wrong_year(tmp_path: Path, day: str) -> None:
    said = run(tmp_path, {"weather/high.csv": weather_high() + f"{day},8.5\n"}, "forecast --write windows")
    assert said.exit_code == 0 and "High lakes: as of 31 May 2024" in said.output
    assert "this day stands alone, more than 300 days from the rest of the record" in said.output


@pytest.mark.parametrize("charset", ["cp1252", "cp850", "latin-1"])
def test_letters_that_the_terminal_has_not(tmp_path: Path, charset: str) -> None:
    draft = small_season(FILES)
    draft.files["lakes.csv"] = LAKES.replace("Alder Pond", "Łódź 🦟 mere").encode()
    said = run_and_judge(draft.write(tmp_path / "season"), tmp_path / "work", "forecast", charset=charset)
    assert said.exit_code == 0 and not said.faults, said.trace


def test_weather_that_cannot_be_read_names_the_station(tmp_path: Path) -> None:
    said = run(tmp_path, {"weather/low.csv": "", "weather/high.csv": "date,tmean_c\n2024-05-01,8\n"})
    assert said.exit_code == 4
    assert "station low: it has no readable weather file" in said.output and "station high: 1 observed" in said.output


@pytest.mark.parametrize(
    ("part", "value"),
    [("coefficients", 1e6), ("coefficients", 1e308), ("readings", float("inf")), ("ice_off", 1e38), ("ice_off", -1.0)],
)
def test_learned_numbers_that_no_fit_gives(tmp_path: Path, part: str, value: float) -> None:
    learned = learned_table()
    lake = learned["lakes"]["alder"]
    lake[part] = dict.fromkeys(lake[part], value) if isinstance(lake[part], dict) else value
    said = run(tmp_path, {"learned.json": json.dumps(learned)})
    assert said.exit_code == 1 and "learned.json cannot be read" in said.output


def test_a_learned_covariance_with_a_hole(tmp_path: Path) -> None:
    learned = learned_table()
    learned["lakes"]["alder"]["covariance"][3][1] = None
    assert run(tmp_path, {"learned.json": json.dumps(learned)}).exit_code == 1


def test_what_was_learned_acts(tmp_path: Path, sound_run: Path) -> None:
    assert run(tmp_path, {"learned.json": json.dumps(learned_table())}).exit_code == 0
    windows = (tmp_path / "work" / "out" / "windows.csv").read_bytes()
    assert windows != (sound_run / "windows.csv").read_bytes()
