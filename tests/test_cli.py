"""The command line on the demo: outputs, exit codes, quiet streams, identical bytes."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from emergence.cli.main import main

ROOT = Path(__file__).resolve().parents[1]
DEMO = str(ROOT / "data_demo")
FEW = ("--lake", "quennaby", "--lake", "crannow", "--taxon", "coenagrion", "--taxon", "callibaetis")


def call(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    shutil.copytree(DEMO, folder)
    toml = folder / "season.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[ensemble]\nslots = 5\nreplicates = 2\n", encoding="utf-8")
    return folder


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_forecast_writes_a_dated_run_and_points_latest(season: Path, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    before = files_of(season)
    result = call("forecast", str(season), *FEW)
    assert result.exit_code == 0, result.output
    run = tmp_path / "reports" / "Orrowmark" / "2026-05-24"
    assert {p.name for p in run.iterdir()} == {"windows.csv", "days.csv", "water.csv", "board.html", "run.json"}
    assert (run.parent / "latest" / "run.json").exists()
    assert files_of(season) == before
    assert "NEXT FOUR WEEKS" in result.stdout and "Never judge ice" in " ".join(result.stdout.split())
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "\x1b[" not in result.stdout


def test_same_inputs_twice_give_the_same_bytes(season: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        words = ("--write", "windows,days,water,pictures", "--members", "--out", str(tmp_path / name))
        assert call("forecast", str(season), *FEW, *words).exit_code == 0
    a, b = files_of(tmp_path / "a"), files_of(tmp_path / "b")
    assert a == b and len(a) >= 7
    assert all(p.startswith(("windows", "days", "water", "members", "run.json", "pictures")) for p in a)


def test_json_is_the_windows_and_nothing_else(season: Path, tmp_path: Path) -> None:
    result = call("forecast", str(season), *FEW, "--json", "--out", str(tmp_path / "out"))
    parsed = json.loads(result.stdout)
    table = pd.read_csv(tmp_path / "out" / "windows.csv")
    assert parsed["format"] == 1
    records = next(v for v in parsed.values() if isinstance(v, list) and v and "lake_id" in v[0])
    assert len(records) == len(table) and list(records[0]) == list(table.columns)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("forecast", "nowhere"), 2, "not a folder"),
        (("forecast", DEMO, "--as-of", "soon"), 2, "is no date"),
        (("forecast", DEMO, "--as-of", "2999-01-01"), 2, "after today"),
        (("forecast", DEMO, "--lake", "atlantis"), 2, "no lake_id 'atlantis'"),
        (("forecast", DEMO, "--taxon", "damzel"), 2, "No taxon is called"),
        (("forecast", DEMO, "--write", "windows,songs"), 2, "songs"),
        (("forecast", DEMO, "--as-of", "1990-01-01"), 4, "usable weather"),
        (("water", DEMO, "--from", "2026-05-02", "--to", "2026-05-01"), 2, "before --from"),
        (("water", DEMO, "--readings", "some"), 2, "all, none or before"),
        (("taxa", "unicorn"), 2, "unicorn"),
    ],
)
def test_exit_codes_and_sentences(words: tuple[str, ...], code: int, said: str) -> None:
    result = call(*words)
    assert result.exit_code == code, result.output
    assert said in " ".join(result.output.split())
    assert "Traceback" not in result.output


def test_a_lake_without_weather_drops_out_and_the_others_are_done(season: Path, tmp_path: Path) -> None:
    (season / "weather" / "crannow_top.csv.gz").unlink()
    lakes = pd.read_csv(season / "lakes.csv", dtype=str, keep_default_na=False)
    lakes.loc[lakes.lake_id == "crannow", "station_id"] = "crannow_top"
    lakes.to_csv(season / "lakes.csv", index=False)
    result = call("forecast", str(season), *FEW, "--out", str(tmp_path / "out"))
    assert result.exit_code == 3, result.output
    assert "no forecast for crannow" in result.stderr
    assert set(pd.read_csv(tmp_path / "out" / "windows.csv").lake_id) == {"quennaby"}


def test_every_fault_of_the_folder_is_told_together(season: Path) -> None:
    lakes = (season / "lakes.csv").read_text(encoding="utf-8").splitlines()
    lakes.append(lakes[1])
    (season / "lakes.csv").write_text("\n".join(lakes) + "\n", encoding="utf-8")
    (season / "residents.csv").write_text("lake_id,taxon,residence\npellor,coenagrion,perhaps\n", encoding="utf-8")
    result = call("forecast", str(season))
    assert result.exit_code == 1
    assert "lakes.csv" in result.output and "residents.csv" in result.output and "perhaps" in result.output


def test_water_gives_every_day_and_its_ice(tmp_path: Path) -> None:
    out = tmp_path / "water.csv"
    result = call("water", DEMO, "--lake", "ovrick", "--from", "2025-01-01", "--to", "2025-12-31", "--out", str(out))
    assert result.exit_code == 0, result.output
    table = pd.read_csv(out, parse_dates=["date"])
    assert list(table.columns) == ["lake_id", "date", "water_c", "ice"] and len(table) == 365
    assert table.water_c.min() >= 0 and 12 < table.water_c.max() < 24
    assert table.ice[table.date.dt.month == 2].all() and not table.ice[table.date.dt.month == 7].any()


def test_help_imports_nothing_heavy() -> None:
    """``emergence --help`` must stay light: no tables, charts, fits or schemas are loaded for it."""
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom emergence.cli.main import main\n"
        "assert CliRunner().invoke(main, ['--help']).exit_code == 0\n"
        "heavy = {'pandas', 'numpy', 'scipy', 'statsmodels', 'vl_convert', 'rich', 'pydantic', 'meteostat'}\n"
        "print(','.join(sorted(heavy & set(sys.modules))))\n"
    )
    words = [sys.executable, "-c", code]
    done = subprocess.run(words, capture_output=True, text=True, check=True, env=dict(os.environ))
    assert done.stdout.strip() == ""


def test_a_season_on_a_read_only_folder_runs(season: Path, tmp_path: Path) -> None:
    for path in [season, *season.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        result = call("forecast", str(season), *FEW, "--out", str(tmp_path / "out"))
        assert result.exit_code == 0, result.output
    finally:
        for path in [season, *season.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)


def test_own_taxon_in_the_season_folder(season: Path, tmp_path: Path) -> None:
    (season / "taxa").mkdir(exist_ok=True)
    (season / "taxa" / "mine.toml").write_text(
        'id = "coenagrion"\n[growth.requirement.median]\nvalue = 320\nlow = 250\nhigh = 400\n'
        'source = "own notes 2019-2025"\nstanding = "our prior"\n',
        encoding="utf-8",
    )
    words = ("--lake", "quennaby", "--taxon", "coenagrion", "--out")
    assert call("forecast", str(season), *words, str(tmp_path / "own")).exit_code == 0
    shutil.rmtree(season / "taxa")
    assert call("forecast", str(season), *words, str(tmp_path / "plain")).exit_code == 0
    own, plain = (pd.read_csv(tmp_path / k / "windows.csv", parse_dates=["peak_p50"]) for k in ("own", "plain"))
    own, plain = own[own.taxon != "-"], plain[plain.taxon != "-"]  # turnover has no peak
    assert ((own.peak_p50 - plain.peak_p50).dt.days > 5).all()


def test_members_name_their_sky(season: Path, tmp_path: Path) -> None:
    result = call("forecast", str(season), *FEW, "--members", "--out", str(tmp_path / "out"))
    assert result.exit_code == 0, result.output
    members = pd.read_csv(io.StringIO((tmp_path / "out" / "members.csv").read_text(encoding="utf-8")))
    assert members.slot_year.nunique() == 5
    assert len(members[(members.lake_id == "quennaby") & (members.taxon == "coenagrion")]) == 2 * 10


def only_lakes(season: Path, *lakes: str) -> None:
    """Leave only some lakes in a season folder, and their notes."""
    for name in ("lakes", "readings", "ice", "sightings", "residents", "access", "closures"):
        path = season / f"{name}.csv"
        head, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text(head + "".join(row for row in rows if row.split(",")[0] in lakes), encoding="utf-8")
    for name in ("trips.csv", "travel.csv"):
        (season / name).unlink()


def test_learn_is_used_and_can_be_left_aside(season: Path, tmp_path: Path) -> None:
    """The demo's waters differ from the program's model on purpose: learning moves the water by a degree or more.

    Two lakes of the twelve and what was noted there: what is fitted to one does not wait for the others.
    """
    only_lakes(season, "quennaby", "crannow")
    words = ("forecast", str(season), *FEW, "--as-of", "2026-04-10", "--out")
    assert call(*words, str(tmp_path / "before")).exit_code == 0
    learned = call("learn", str(season))
    assert learned.exit_code == 0, learned.output
    first = (season / "learned.json").read_bytes()
    assert call("learn", str(season)).exit_code == 0 and (season / "learned.json").read_bytes() == first
    assert call(*words, str(tmp_path / "with")).exit_code == 0
    assert call(*words, str(tmp_path / "without"), "--no-learned").exit_code == 0
    before, used, aside = (
        pd.read_csv(tmp_path / k / "water.csv", parse_dates=["date"]) for k in ("before", "with", "without")
    )
    pd.testing.assert_frame_equal(before, aside)
    july = (used.date.dt.month == 7) & (used.lake_id == "quennaby")
    assert (used.water_p50 - before.water_p50)[july].mean() < -0.8

    run = json.loads((tmp_path / "with" / "run.json").read_text(encoding="utf-8"))
    assert any("learned.json" in line for line in run["assumptions"]) and "learned.json" in run["inputs"]
    left = json.loads((tmp_path / "without" / "run.json").read_text(encoding="utf-8"))
    assert any("(learned.json) is left aside: as asked (--no-learned)." in line for line in left["assumptions"])
    assert "learned.json" not in left["inputs"]
    first_run = json.loads((tmp_path / "before" / "run.json").read_text(encoding="utf-8"))
    assert any("run 'emergence learn'" in line for line in first_run["assumptions"])
    # fits that know this season are not used for it
    assert call("learn", str(season), "--before", "2026-05-20").exit_code == 0
    assert call(*words, str(tmp_path / "leak")).exit_code == 0
    pd.testing.assert_frame_equal(before, pd.read_csv(tmp_path / "leak" / "water.csv", parse_dates=["date"]))
    leak = json.loads((tmp_path / "leak" / "run.json").read_text(encoding="utf-8"))
    assert any("left aside: it knows notes of the season forecast." in line for line in leak["assumptions"])


def test_a_damaged_learned_file_is_said_and_can_be_rebuilt(season: Path, tmp_path: Path) -> None:
    (season / "learned.json").write_text('{"format": 9}', encoding="utf-8")
    only_lakes(season, "quennaby", "crannow")
    result = call("forecast", str(season), *FEW, "--out", str(tmp_path / "out"))
    assert result.exit_code == 1 and "learned.json" in result.output and "emergence learn" in result.output
    assert call("learn", str(season)).exit_code == 0
    assert call("forecast", str(season), *FEW, "--out", str(tmp_path / "out")).exit_code == 0


def test_water_with_readings_is_nearer_to_them() -> None:
    readings = pd.read_csv(Path(DEMO) / "readings.csv", parse_dates=["date"])
    mine = readings[(readings.lake_id == "quennaby") & (readings.date >= "2022-01-01")]
    error = {}
    for words in ("none", "before:2022-01-01"):
        result = call("water", DEMO, "--lake", "quennaby", "--from", "2022-01-01", "--readings", words)
        table = pd.read_csv(io.StringIO(result.stdout), parse_dates=["date"])
        both = mine.merge(table, on="date", suffixes=("_read", ""))
        error[words] = float(((both.water_c - both.water_c_read) ** 2).mean() ** 0.5)
    assert error["before:2022-01-01"] < 0.7 * error["none"]


def test_a_sighting_of_an_unknown_insect_is_listed(season: Path, tmp_path: Path) -> None:
    path = season / "sightings.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    head = lines[0].split(",")
    cells = lines[1].split(",")
    cells[head.index("taxon")] = "damzel"
    path.write_text("\n".join([*lines, ",".join(cells)]) + "\n", encoding="utf-8")
    assert call("forecast", str(season), *FEW, "--out", str(tmp_path / "out")).exit_code == 0
    run = (tmp_path / "out" / "run.json").read_text(encoding="utf-8")
    assert "damzel" in run and "no insect is called that" in run


def test_no_help_shows_its_marks() -> None:
    """Click keeps lines as they are after a backspace; a raw docstring would print the mark itself."""
    from click import Context, Group

    from emergence.cli.main import main

    def pages(group: Group) -> list[str]:
        found = []
        for command in group.commands.values():
            found.append(command.get_help(Context(command)))
            if isinstance(command, Group):
                found += pages(command)
        return found

    helps = pages(main)
    assert len(helps) > 4
    assert not any("\\b" in text for text in helps)
