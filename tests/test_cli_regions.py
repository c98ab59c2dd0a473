"""``emergence regions``: screen, files, exit codes."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from season_folder import write_season

from emergence.cli.main import main
from emergence.report.tables import columns


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_season(tmp_path_factory.mktemp("season"))


def test_screen_fits_and_names_regions_and_bands(folder: Path) -> None:
    done = run("regions", folder, "--band", "500", "--taxon", "coenagrion")
    assert done.exit_code == 0
    assert all(len(line.replace("\u2068", "").replace("\u2069", "")) <= 80 for line in done.stdout.splitlines())
    for words in ("REGIONS: High lakes", "valley", "fell", "0-1640 ft", "normal year"):
        assert words in done.stdout


def test_csv_and_json_are_twins(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "new" / "regions.csv"
    done = run("regions", folder, "--taxon", "coenagrion", "--out", out, "--json", "--picture", tmp_path / "pictures")
    assert done.exit_code == 0
    rows = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))
    told = json.loads(done.stdout)
    assert list(rows[0]) == list(columns("regions"))
    assert [r["week_start"] for r in rows] == [r["week_start"] for r in told["regions"]]
    assert [float(r["share_active"]) for r in rows] == pytest.approx([r["share_active"] for r in told["regions"]])
    assert {p.suffix for p in (tmp_path / "pictures").iterdir()} == {".png", ".svg"}
    assert run("regions", folder, "--taxon", "coenagrion", "--out", "-").stdout == out.read_text(encoding="utf-8")


def test_wrong_use_is_told(folder: Path) -> None:
    assert run("regions", folder, "--json", "--out", "-").exit_code == 2
    assert run("regions", folder, "--as-of", "2999-01-01").exit_code == 2
    assert run("regions", folder, "--lake", "nowhere").exit_code == 2
    assert run("regions", folder, "--band", "0").exit_code == 2
