"""Sightings through the whole chain: what they move, what they leave alone, what past ones teach, who lives where."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest
from twin_world import (
    TAXA,
    demo_season,
    guide_notes,
    joined,
    make_world,
    sightings_of,
    true_season,
    with_notes,
)

from emergence.dates import day_number, season_span
from emergence.errors import EmergenceError
from emergence.forecast.evidence import PRIOR_UNSURE, presence_chance
from emergence.records import Residents, Season
from emergence.report.effects import effect_size, effect_words
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.learn import FILE, learn_season, read_learned, to_json
from emergence.runs.plan import prepare
from emergence.runs.populations import known_needs, need_rows
from emergence.runs.results import NoteEffect, RunResult
from emergence.runs.sightings import settled
from emergence.runs.taught import Learned
from emergence.taxa.catalogue_io import load_catalogue
from emergence.verification.scores import crps_ensemble

LAKES = ("pellor", "quennaby", "crannow")
Row = tuple[str, int, str, str, str, float]


def day(text: str) -> int:
    return day_number(dt.date.fromisoformat(text))


def row(lake: str, date: str, taxon: str, stage: str, level: str, minutes: float = 30.0) -> Row:
    return (lake, day(date), taxon, stage, level, minutes)


def bare(*rows: Row) -> Season:
    season = demo_season()
    season = dataclasses.replace(season, settings=dataclasses.replace(season.settings, slots=8, replicates=8))
    season = with_notes(season, None, sightings_of(list(rows)) if rows else None)
    return dataclasses.replace(season, residents=season.residents.take(slice(0)))


def run(
    season: Season,
    as_of: str = "2025-06-10",
    taxa: tuple[str, ...] = ("coenagrion", "callibaetis"),
    lakes: tuple[str, ...] = LAKES,
    **wanted: int,
) -> RunResult:
    return run_plan(prepare(season, as_of=day(as_of), lakes=lakes, taxa=taxa), Wanted(members=True, **wanted))


def peaks(result: RunResult, lake: str, taxon: str) -> np.ndarray:
    table = result.members
    table = table[(table.lake_id == lake) & (table.taxon == taxon) & (table.brood == 1) & (table.event == "emergence")]
    return np.where(table.peak.isna(), np.nan, table.peak.to_numpy().astype("datetime64[D]").astype(float))


LATE = (
    row("quennaby", "2025-05-25", "coenagrion", "adult", "none"),
    row("quennaby", "2025-06-01", "coenagrion", "empty_skin", "none"),
    row("quennaby", "2025-06-05", "coenagrion", "moving", "many"),
    row("quennaby", "2025-06-09", "coenagrion", "empty_skin", "many"),
)


def test_sightings_move_their_own_lake_and_taxon_alone() -> None:
    plain, noted = run(bare()), run(bare(*LATE), effects=True)
    before, after = peaks(plain, "quennaby", "coenagrion"), peaks(noted, "quennaby", "coenagrion")
    seen_between = day("2025-06-01"), day("2025-06-12")
    assert np.nanmedian(before) < seen_between[0] <= np.nanmedian(after) <= seen_between[1]
    spread = [np.subtract(*np.nanpercentile(x, [90, 10])) for x in (before, after)]
    assert spread[1] < spread[0]
    others = [r.windows[r.windows.lake_id != "quennaby"] for r in (plain, noted)]
    pd.testing.assert_frame_equal(*others, check_exact=True)
    np.testing.assert_array_equal(peaks(plain, "quennaby", "callibaetis"), peaks(noted, "quennaby", "callibaetis"))
    (effect,) = noted.info.note_effects
    assert (effect.lake_id, effect.taxon, effect.kind, effect.notes) == ("quennaby", "coenagrion", "sightings", 4)
    assert effect.latest == "many empty skins" and effect.latest_date == dt.date(2025, 6, 9)
    assert effect.effective is not None and 1 <= effect.effective < effect.members


def test_order_threads_and_blocks_change_nothing() -> None:
    first = run(bare(*LATE), threads=1, effects=True)
    other = run(bare(*LATE[::-1]), threads=2, block=1, effects=True)
    for name in ("windows", "days", "members"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(other, name), check_exact=True)
    assert first.info.note_effects == other.info.note_effects


def test_the_future_does_not_leak() -> None:
    absurd = row("quennaby", "2025-06-11", "coenagrion", "adult", "many", 200.0)
    first, second = run(bare(*LATE)), run(bare(*LATE, absurd))
    pd.testing.assert_frame_equal(first.members, second.members, check_exact=True)
    past = row("quennaby", "2024-06-11", "coenagrion", "adult", "many", 200.0)
    pd.testing.assert_frame_equal(first.members, run(bare(*LATE, past)).members, check_exact=True)


def test_effects_in_words() -> None:
    one = NoteEffect(
        "a", "coenagrion", "emergence", 2025, "sightings", 1, "empty skins", dt.date(2025, 6, 2),
        dt.date(2025, 6, 12), dt.date(2025, 6, 8), 17, 12, 30.0, 240,
    )  # fmt: skip
    assert (
        effect_words(one)
        == "empty skins on 2 Jun moved it 4 days earlier, to 8 Jun, and narrowed it from 17 to 12 days"
    )
    assert effect_size(one) == 5
    gone = dataclasses.replace(one, notes=3, after=None, width_after=None)
    assert effect_words(gone) == "3 sightings, the last empty skins on 2 Jun, left it without a date"
    assert effect_size(gone) == 99


def test_few_members_that_carry_the_weight_are_told() -> None:
    """Two weeks of daily notes three weeks earlier than usual: under an eighth of the members fit, fresh ones come."""
    days = [(dt.date(2025, 4, 30) + dt.timedelta(k)).isoformat() for k in range(14)]
    early = [
        row("quennaby", date, "coenagrion", stage, "none" if date < "2025-05-06" else "many", 60.0)
        for date in days
        for stage in ("empty_skin", "adult")
    ]
    result = run(bare(*early), as_of="2025-05-14", effects=True)
    (effect,) = result.info.note_effects
    assert effect.effective is not None and effect.fresh and effect.effective < effect.members / 8
    told = f"only some {round(effect.effective)} of {effect.members} possible seasons fitted them, so fresh ones"
    assert told in effect_words(effect)
    assert len(np.unique(peaks(result, "quennaby", "coenagrion"))) > effect.effective  # not copies of the few
    assert "fresh" not in effect_words(dataclasses.replace(effect, effective=effect.members / 4, fresh=False))


def looks(taxon: str, lake: str = "pellor") -> list[Row]:
    return [row(lake, f"2025-05-{d:02d}", taxon, "adult", "none", 45.0) for d in range(1, 29, 2)]


def test_never_seen_in_season_is_absent_unless_the_user_knows_better() -> None:
    season = bare(*looks("callibaetis"))
    result = run(season, as_of="2025-07-01", lakes=("pellor",))
    assert "callibaetis" not in set(result.windows.taxon)
    assert any("Taken as absent" in a and "pellor" in a for a in result.info.assumptions)
    word = [np.array([x], dtype=object) for x in ("pellor", "callibaetis", "yes")]
    known = run(dataclasses.replace(season, residents=Residents(*word)), as_of="2025-07-01", lakes=("pellor",))
    assert "callibaetis" in set(known.windows.taxon)
    seen = bare(*looks("callibaetis"), row("pellor", "2025-05-02", "callibaetis", "adult", "few"))
    assert "callibaetis" in set(run(seen, as_of="2025-07-01", lakes=("pellor",)).windows.taxon)


def test_looks_out_of_season_say_nothing_of_presence() -> None:
    early = [row("pellor", f"2025-04-{d:02d}", "lestes", "adult", "none", 45.0) for d in range(1, 29, 2)]
    result = run(bare(*early), as_of="2025-05-01", taxa=("lestes",), lakes=("pellor",))
    assert set(result.windows.residence[result.windows.taxon == "lestes"]) == {"unsure"}


def test_planted_absence_is_found_and_teaches_no_need() -> None:
    """Two seasons of a guide's looks at insects that do not live there (all saw none), and that do. Synthetic.

    Presence falls below even odds nearly everywhere it is absent and stays above where it lives; the needs of absent
    insects stay the catalogue's, while believing in them would move them by most of a standard deviation.
    """
    world = make_world(3, lakes=10)
    readings, sightings = joined([guide_notes(world, true_season(world, year), year) for year in (2020, 2021)])
    gone = np.isin(sightings.lake_id, [f"twin{k:02d}" for k in range(5)])
    looked = dataclasses.replace(sightings, level=np.where(gone, "none", sightings.level))
    season = with_notes(world.season, readings, looked)
    unsure = dataclasses.replace(season, residents=season.residents.take(slice(0)))
    chance: dict[bool, list[float]] = {True: [], False: []}
    moved: dict[str, list[float]] = {"unsure": [], "yes": []}
    for name, folder in (("unsure", unsure), ("yes", season)):
        learned = learn_season(folder, before=season_span(2022, False).start)
        for lake, fits in learned.needs.items():
            absent = int(lake[4:]) < 5
            moved[name] += [abs(fit.mean) for fit in fits.values() if absent]
            if name == "unsure":
                chance[absent] += [presence_chance(PRIOR_UNSURE, fit.log_ratio) for fit in fits.values()]
    assert np.mean(np.array(chance[True]) < 0.5) > 0.9 and np.median(chance[True]) < 0.1
    assert np.mean(np.array(chance[False]) > 0.5) > 0.9
    assert np.mean(moved["yes"]) > 0.5 and np.mean(moved["unsure"]) < 0.1


def test_what_settles_residence() -> None:
    assert [settled(c, n) for c, n in ((0.99, 2), (0.6, 1), (0.01, 3), (0.01, 0), (0.2, 0))] == [
        "yes", "unsure", "unsure", "no", "unsure",
    ]  # fmt: skip


@pytest.fixture(scope="module")
def taught() -> tuple[Season, Learned, np.ndarray]:
    """Twelve twins with two seasons' notes learned; the last lake's notes withheld. Synthetic."""
    world = make_world(2, lakes=12)
    readings, sightings = joined([guide_notes(world, true_season(world, year), year) for year in (2020, 2021)])
    told = sightings.lake_id != "twin11"
    season = with_notes(world.season, readings.take(readings.lake_id != "twin11"), sightings.take(told))
    return season, learn_season(season, before=season_span(2022, False).start), world.deviate


def test_planted_needs_are_recovered_within_their_errors(taught: tuple[Season, Learned, np.ndarray]) -> None:
    """Sixty populations: 80 % intervals hold 40 to 56 of them (binomial, 99 %); the error is below the prior's."""
    season, learned, truth = taught
    known = known_needs(learned, season.lakes, {k: v for k, v in load_catalogue().items() if k in TAXA})
    mean = np.stack([known[t].mean for t in TAXA], axis=1)
    sd = np.stack([known[t].sd for t in TAXA], axis=1)
    inside = np.abs(truth - mean) < 1.2816 * sd
    assert 40 <= inside.sum() <= 56
    assert np.sqrt(np.mean((truth - mean)[:11] ** 2)) < 0.85 * np.sqrt(np.mean(truth[:11] ** 2))
    assert (sd[:11] < sd[11]).all() and (sd[11] <= 1.0).all() and sd[11].mean() < 0.99  # neighbours teach, less


def test_one_season_of_notes_helps_the_next(taught: tuple[Season, Learned, np.ndarray]) -> None:
    """The small twin of tests/benchmarks/twins.py: CRPS four weeks ahead falls."""
    season, learned, _ = taught
    truth = true_season(make_world(2, lakes=12), 2022)
    blank = with_notes(season, None, None)
    blank = dataclasses.replace(blank, settings=dataclasses.replace(blank.settings, slots=12, replicates=6))
    total = {}
    for name, fits in (("none", None), ("learned", learned)):
        plan = prepare(blank, as_of=day("2022-05-01"), taxa=TAXA, learned=fits)
        table = run_plan(plan, Wanted(water=False, days=False, members=True))
        scores = []
        for taxon in TAXA:
            ensemble = np.stack([peaks(table, lake, taxon) for lake in season.lakes.lake_id])
            good = np.isfinite(truth.peak[taxon]) & np.isfinite(ensemble).all(axis=1)
            scores.append(crps_ensemble(ensemble[good], truth.peak[taxon][good]))
        total[name] = np.concatenate(scores).mean()
    assert total["learned"] < 0.9 * total["none"]


def test_needs_are_kept_and_read_again(taught, tmp_path) -> None:  # type: ignore[no-untyped-def]  # fixtures
    _, learned, _ = taught
    text = to_json(learned, {})
    (tmp_path / FILE).write_text(text, encoding="utf-8")
    again = read_learned(tmp_path)
    assert again is not None and to_json(again, {}) == text
    assert set(again.needs) == {f"twin{k:02d}" for k in range(11)}
    table = json.loads(text)
    for lake in table["lakes"].values():
        lake.pop("requirements", None)
    (tmp_path / FILE).write_text(json.dumps(table), encoding="utf-8")
    older = read_learned(tmp_path)
    assert older is not None and older.needs == {}


@pytest.mark.parametrize(
    ("name", "value"), [("sd", 0.0), ("deviate", 9.0), ("log_ratio_present", float("nan")), ("sd", "x")]
)
def test_impossible_needs_are_refused(taught, tmp_path, name: str, value: object) -> None:  # type: ignore[no-untyped-def]
    table = json.loads(to_json(taught[1], {}))
    next(iter(table["lakes"]["twin00"]["requirements"].values()))[name] = value
    (tmp_path / FILE).write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(EmergenceError, match="emergence learn"):
        read_learned(tmp_path)


def test_the_list_of_needs_stands_around_the_catalogue(taught: tuple[Season, Learned, np.ndarray]) -> None:
    season, learned, truth = taught
    rows = need_rows(season, learned)
    assert len(rows) == sum(len(v) for v in learned.needs.values())
    for one in rows:
        assert 0 < one.low < one.middle < one.high
    up = {(r.lake_id, r.taxon): np.log(r.middle / r.catalogue) for r in rows}
    planted = [truth[int(lake[4:]), TAXA.index(taxon)] for lake, taxon in up]
    assert np.corrcoef(planted, list(up.values()))[0, 1] > 0.5
