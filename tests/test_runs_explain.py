"""`emergence explain`: the reasons agree with the forecast they explain."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from emergence.cli.main import main
from emergence.dates import day_number
from emergence.records import Season, StationSeries
from emergence.report.why import why, why_json
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.explain import explain
from emergence.runs.plan import prepare
from emergence.runs.results import Explained
from emergence.season import read_season

DEMO = Path(__file__).parents[1] / "data_demo"
TODAY = day_number(dt.date(2026, 11, 1))
AS_OF = day_number(dt.date(2026, 5, 10))


@pytest.fixture(scope="module")
def season() -> Season:
    return read_season(DEMO, today=TODAY)


def explained(season: Season, taxon: str = "coenagrion", lake: str = "quennaby") -> Explained:
    return explain(prepare(season, as_of=AS_OF, lakes=(lake,), taxa=(taxon,)))


def warmed(season: Season, by: float) -> Season:
    """This spring's air warmer than it was from 1 March on, and no notes (they would say that the water was not)."""
    first = day_number(dt.date(2026, 3, 1))

    def one(s: StationSeries) -> StationSeries:
        add = np.where(s.first_day + np.arange(len(s.tmean_c)) >= first, by, 0.0)
        return dataclasses.replace(s, tmin_c=s.tmin_c + add, tmax_c=s.tmax_c + add, tmean_c=s.tmean_c + add)

    none = slice(0)
    weather = {k: one(v) for k, v in season.weather.items()}
    return dataclasses.replace(season, weather=weather, readings=season.readings.take(none), ice=season.ice.take(none))


def test_the_date_explained_is_the_date_forecast(season: Season) -> None:
    found = explained(season)
    windows = run_plan(
        prepare(season, as_of=AS_OF, lakes=("quennaby",), taxa=("coenagrion",)), Wanted(water=False)
    ).windows
    row = windows[(windows.event == "migration") & (windows.taxon == "coenagrion")].iloc[0]
    assert found.event == "migration"
    assert found.peak == tuple(str(row[f"peak_p{p}"].date()) for p in (10, 50, 90))


def test_heat_and_need_are_those_of_the_taxon(season: Season) -> None:
    found = explained(season)
    low, middle, high = found.need
    assert low < middle < high
    # the members' median need is the catalogue's; 240 draws, sd 0.4 of the logarithm: three standard errors are 10 %
    assert middle == pytest.approx(180.0, rel=0.1)
    assert 0 <= found.gathered[0] <= found.gathered[1] <= found.gathered[2]
    assert 0 < found.a_day < 25


def test_a_warm_spring_is_ahead_of_the_normal_year_and_a_cold_one_behind(season: Season) -> None:
    warm, cold = (explained(warmed(season, by)).days_ahead_of_normal for by in (3.0, -3.0))
    assert warm is not None and cold is not None
    assert warm > 3 and cold < -3


def test_need_moves_the_date_later_and_warm_water_earlier(season: Season) -> None:
    movers = {m.what: m.days for m in explained(season).movers}
    assert movers["need"] > 2
    assert movers.get("water", -1.0) < 0
    days = [abs(m.days) for m in explained(season).movers]
    assert days == sorted(days, reverse=True)


def test_gates_year_classes_and_broods_are_told_where_there_are_any(season: Season) -> None:
    damsel, midge = explained(season), explained(season, "chironomus")
    assert {g.variable for g in damsel.gates} == {"water_mean", "air_max"}
    assert all(0 <= g.recent_d <= 7 and 0 <= g.coming_d <= 14 for g in damsel.gates)
    assert len(damsel.strength) == 3 and sum(damsel.ages) == pytest.approx(1.0, abs=0.01)
    assert midge.strength == () and midge.ages == ()


def test_stages_follow_each_other(season: Season) -> None:
    """Shares of all that live sum to one; adults come after the nymphs have moved."""
    stages = explained(season).stages
    assert len(stages) == 9 and stages[0].date == "2026-05-10"
    assert all(s.young + s.mature + s.moving + s.adult == pytest.approx(1.0, abs=1e-6) for s in stages)
    assert stages[0].adult < 0.02 < max(s.adult for s in stages)
    most = [max(range(9), key=lambda k, n=name: getattr(stages[k], n)) for name in ("moving", "adult")]
    assert most[0] <= most[1]


def test_the_text_fits_the_terminal_and_keeps_the_ice_line(season: Season) -> None:
    found = explained(season)
    text = why(found)
    assert max(map(len, text.splitlines())) <= 80
    assert "not for standing on" in text
    body = json.loads(why_json(found))
    assert body["format"] == 1 and body["taxon"] == "coenagrion" and body["need"] == list(found.need)


def test_command_takes_trade_names_and_refuses_groups() -> None:
    runner = CliRunner()
    good = runner.invoke(main, ["explain", str(DEMO), "quennaby", "boreal bluet", "--as-of", "2026-05-10"])
    assert good.exit_code == 0 and "spring damselflies" in good.output
    assert runner.invoke(main, ["explain", str(DEMO), "quennaby", "damselflies"]).exit_code == 2
    wrong = runner.invoke(main, ["explain", str(DEMO), "quenaby", "coenagrion"])
    assert wrong.exit_code == 2 and "quenaby" in wrong.output


@pytest.mark.parametrize(
    ("lake", "taxon", "said"),
    [
        ("pellor", "chaoborus", "It does not live here by residents.csv: no forecast;"),
        ("pellor", "ischnura", "It may live here; nobody has said that it does."),
        ("pellor", "coenagrion", ""),
    ],
)
def test_residence_is_told(season: Season, lake: str, taxon: str, said: str) -> None:
    """By data_demo/residents.csv: no, unsure and yes."""
    text = " ".join(why(explained(season, taxon, lake)).split())
    assert said in text
    assert bool(said) == ("live here" in text)


def test_what_rules_an_insect_out_is_told(season: Season) -> None:
    """Without a line in residents.csv the habitat rule decides: no pond damselflies on lakes without stems."""
    lakes = dataclasses.replace(season.lakes, stems=np.full(len(season.lakes), "none", dtype=object))
    bare = dataclasses.replace(season, lakes=lakes, residents=season.residents.take(slice(0)))
    assert "does not live here by the lake's depth, area," in " ".join(why(explained(bare)).split())


def test_a_fixed_start_is_said_once(season: Season) -> None:
    assert "Counting starts on a fixed date: 1 Jan." in why(explained(season))


def test_each_note_is_held_against_the_forecast_without_it(season: Season) -> None:
    s, last = season.sightings, day_number(dt.date(2026, 5, 9))
    mine = (s.lake_id == "quennaby") & (s.taxon == "coenagrion") & (s.day == last)
    assert mine.sum() == 1
    found = explained(season)
    note = next(n for n in found.notes if n.kind == "sightings" and n.latest_date == dt.date(2026, 5, 9))
    without = explained(dataclasses.replace(season, sightings=s.take(~mine)))
    assert (str(note.before), str(note.after)) == (without.peak[1], found.peak[1])
    assert note.latest == "no nymphs on the move" and note.before != note.after
    read = [n for n in found.notes if n.kind == "water"]
    assert "ice off" in [n.latest for n in read] and all(n.latest_date >= dt.date(2026, 1, 1) for n in read)
    assert [n.latest_date for n in found.notes] == sorted((n.latest_date for n in found.notes), reverse=True)
    assert "no nymphs on the move on 9 May moved it" in " ".join(why(found).split())
    assert json.loads(why_json(found))["notes"][0]["latest_date"] == str(found.notes[0].latest_date)
