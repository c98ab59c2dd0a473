"""The stage board of all insects on any day: as explained, through the season, to the frost."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from season_folder import TODAY, write_season
from sheet_example import insect, sheet

from emergence.angling.sheet import Board, Stages
from emergence.cli.main import main
from emergence.dates import day_number
from emergence.records import Season
from emergence.report.stage_board import board_json, board_text
from emergence.report.text import cells
from emergence.report.units import Units
from emergence.runs.explain import explain
from emergence.runs.plan import prepare
from emergence.runs.stage_board import frost_level, lake_day
from emergence.season import read_season
from emergence.taxa.catalogue_io import load_catalogue


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_season(tmp_path_factory.mktemp("season"))


@pytest.fixture(scope="module")
def season(folder: Path) -> Season:
    return read_season(folder, today=TODAY)


def board(season: Season, month: int, day: int) -> Board:
    return lake_day(prepare(season, lakes=("alder",)), day_number(dt.date(2024, month, day))).board


def damsels(found: Board) -> Stages:
    (one,) = [i.stages for i in found.insects if i.taxon == "coenagrion"]
    assert one is not None
    return one


def test_it_follows_the_season(season: Season) -> None:
    march, june, november = (damsels(board(season, *day)) for day in ((3, 1), (6, 10), (11, 20)))
    assert march.young > 0.95 and march.adult < 1e-9  # the logistic's far tail
    assert june.adult > 0.1 and june.moving > march.moving
    assert november.adult < 0.001  # the frost has ended them


def test_it_agrees_with_the_explanation(season: Season) -> None:
    day = day_number(dt.date(2024, 6, 10))
    told = explain(prepare(season, lakes=("alder",), taxa=("coenagrion",)), day=day).stages[0]
    found = damsels(board(season, 6, 10))
    assert told.date == "2024-06-10"
    expected = (told.young, told.mature, told.moving, told.adult)
    assert (found.young, found.mature, found.moving, found.adult) == pytest.approx(expected, abs=1e-9)


def test_the_frost_is_that_of_the_taxa(season: Season) -> None:
    catalogue = load_catalogue()
    damsel, darner = catalogue["coenagrion"], catalogue["aeshna"]
    assert damsel.adult is not None and darner.adult is not None
    usual = darner.adult.hard_frost.value
    assert board(season, 6, 10).frost_c == usual
    colder = damsel.adult.hard_frost.model_copy(update={"value": usual - 3.0})
    hardy = damsel.model_copy(update={"adult": damsel.adult.model_copy(update={"hard_frost": colder})})
    assert frost_level({"a": darner, "b": hardy}) == usual - 3.0  # by then the last ones are ended
    assert frost_level({"a": damsel.model_copy(update={"adult": None})}) == usual


def test_text_fits_and_says_how_adults_end() -> None:
    whole = sheet(insect(name="x" * 70), insect("boatman", stages=None, adult_from="", life_d=None)).board
    text = board_text(whole, Units("F"))
    assert max(map(cells, text.splitlines())) <= 80
    text = " ".join(text.split())
    assert "First hard frost (28 °F) after midsummer" in text and "5 Oct (8 in 10: 20 Sep to beyond" in text
    assert "20 May-20 Jul" in text and "cannot fly yet" in text and "not for standing on" in text
    body = json.loads(board_json(whole))
    assert body["format"] == 1 and body["insects"][0]["stages"]["young"] == 0.4


def call(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["explain", str(folder), *words])


def test_command_without_an_insect(folder: Path) -> None:
    result = call(folder, "Alder Pond", "--date", "2024-07-01")
    assert result.exit_code == 0 and "what is about on 1 Jul 2024" in result.stdout
    assert json.loads(call(folder, "alder", "--json").stdout)["date"] == "2024-05-31"
    assert call(folder, "alder", "--date", "2031-07-01").exit_code == 2
    one = call(folder, "alder", "coenagrion", "--date", "2024-08-01")
    assert one.exit_code == 0 and "1 Aug" in one.stdout
