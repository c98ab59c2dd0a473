"""What ``emergence forecast`` puts on the board: the run before, past forecasts, regions, guests' copy, ``--open``."""

from __future__ import annotations

import shutil
from pathlib import Path

import click
import pytest
from board_page import Page
from click.testing import CliRunner, Result

from emergence.cli.main import main

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
FEW = ("--lake", "quennaby", "--lake", "wendlow", "--taxon", "coenagrion")
HINDCAST = (
    "taxon,event,lead_days,truth_from,truth_to,p10,p50,p90,crps,crps_mean_date,crps_calendar\n"
    "coenagrion,emergence,42,2015-06-03,2015-06-05,2015-05-22,2015-06-01,2015-06-10,2.0,4.0,5.0\n"
)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a copy of the demo with few members; of the two lakes Wendlow Pool is not for guests."""
    folder = Path(shutil.copytree(DEMO, tmp_path_factory.mktemp("board") / "season"))
    toml = folder / "season.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[ensemble]\nslots = 5\nreplicates = 2\n", encoding="utf-8")
    return folder


def forecast(season: Path, *more: str) -> Result:
    return CliRunner().invoke(main, ["forecast", str(season), *FEW, *more])


def test_board_of_two_weeks(season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shown: list[str] = []
    monkeypatch.setattr(click, "launch", lambda url: shown.append(url) or 0)
    home = tmp_path / "reports" / "Orrowmark"
    first = forecast(season, "--as-of", "2026-05-17", "--write", "windows")
    assert first.exit_code == 0, first.output
    assert not (home / "2026-05-17" / "board.html").exists()
    (home / "hindcast.csv").write_text(HINDCAST, encoding="utf-8")
    second = forecast(season, "--guest", "--open", "--write", "windows,regions")
    assert second.exit_code == 0, second.output
    run = home / "2026-05-24"
    assert shown == [(run / "board.html").resolve().as_uri()]
    board = Page((run / "board.html").read_text(encoding="utf-8"))
    assert "Since last time" in board.text and "since the forecast as of 17 May 2026: weather" in board.text
    assert "How well past forecasts did" in board.text and "6 weeks before" in board.text
    assert "Regions side by side" in board.text and "The season against the normal year" in board.text
    assert "Since last time" in board.text and "SINCE LAST TIME" in second.output

    lakes = (season / "lakes.csv").read_text(encoding="utf-8").splitlines()
    shared = {line.split(",")[1]: line.split(",")[-2] == "yes" for line in lakes[1:]}
    guest = (run / "board_guest.html").read_text(encoding="utf-8")
    assert "Regions side by side" not in guest
    for name in ("Quennaby Water", "Wendlow Pool"):
        assert name in board.html and (name in guest) is shared[name]
    assert len({shared[name] for name in ("Quennaby Water", "Wendlow Pool")}) == 2


def test_without_past_forecasts_the_board_says_how_to_get_them(
    season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The guide's board has the part and names the command; the guests' copy does not."""
    monkeypatch.chdir(tmp_path)
    done = forecast(season, "--write", "board,pictures", "--guest")
    assert done.exit_code == 0, done.output
    run = tmp_path / "reports" / "Orrowmark" / "latest"
    board = Page((run / "board.html").read_text(encoding="utf-8"))
    assert "How well past forecasts did" in board.text and "emergence hindcast SEASON" in board.text
    assert "emergence hindcast" not in (run / "board_guest.html").read_text(encoding="utf-8")
    drawn = {p.name for p in (run / "pictures").iterdir()}
    assert {"lake-quennaby.png", "lake-quennaby.svg", "lake-wendlow.png", "migration-coenagrion.svg"} <= drawn
    assert not any(name.startswith("hindcast") for name in drawn)
    assert "circles: readings" in (run / "pictures" / "lake-quennaby.svg").read_text(encoding="utf-8")


def test_a_damaged_hindcast_is_left_out(season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    home = tmp_path / "reports" / "Orrowmark"
    home.mkdir(parents=True)
    (home / "hindcast.csv").write_text("lake_id,taxon\nx,y\n", encoding="utf-8")
    (home / "hindcast.json").write_text("{", encoding="utf-8")
    done = forecast(season, "--write", "board,pictures")
    assert done.exit_code == 0, done.output
    assert "goes without past forecasts" in done.output and "no picture of past forecasts" in done.output
    assert "past forecasts" not in (home / "latest" / "board.html").read_text(encoding="utf-8").lower()
