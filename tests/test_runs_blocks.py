"""Blocks of a run: a part of the plan gives what the whole plan gives for its lakes."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pandas as pd
from test_runs_forecast import LAKES, TAXA, demo, small

from emergence.runs.blocks import Wanted, block_tables, cut_lakes, part_of
from emergence.runs.execute import run_plan
from emergence.runs.plan import prepare

EVERYTHING = Wanted(members=True, effects=True)


def test_cuts_hold_every_lake_once_in_order() -> None:
    for count, size in ((1, 64), (64, 64), (65, 64), (7, 3)):
        cuts = cut_lakes(count, size)
        np.testing.assert_array_equal(np.concatenate(cuts), np.arange(count))
        assert max(map(len, cuts)) <= size


def test_a_part_of_the_plan_gives_the_same_rows_after_a_journey() -> None:
    season = small(demo())
    plan = prepare(season, lakes=LAKES, taxa=TAXA)
    whole = run_plan(plan, EVERYTHING)
    ids = plan.lakes.lake_id.tolist()
    for lakes in (np.array([1]), np.array([0, 1]), np.array([2])):
        part = pickle.loads(pickle.dumps(part_of(plan, lakes)))
        assert len(part.filled) <= len(plan.filled) and not part.season.weather
        told = block_tables(part, np.arange(len(lakes)), EVERYTHING)
        assert set(told.tables) == {"windows", "days", "water", "members"}
        for name, table in told.tables.items():
            rows = getattr(whole, name)
            mine = rows[rows.lake_id.isin([ids[k] for k in lakes])].reset_index(drop=True)
            pd.testing.assert_frame_equal(table, mine, check_exact=True)
        assert set(told.effects) <= set(whole.info.note_effects)


def test_both_halves_of_the_earth_in_one_block_keep_the_users_order() -> None:
    season = small(demo())
    south = season.lakes.lake_id == LAKES[1]
    lakes = dataclasses.replace(season.lakes, latitude=np.where(south, -season.lakes.latitude, season.lakes.latitude))
    both = dataclasses.replace(season, lakes=lakes)
    named = dataclasses.replace(both.lakes, station_id=np.where(south, season.stations.station_id[0], lakes.station_id))
    plan = prepare(dataclasses.replace(both, lakes=named), lakes=LAKES, taxa=TAXA)
    assert len({job.span.southern for job in plan.jobs}) == 2
    told = run_plan(plan, Wanted(block=64, threads=1)).windows
    order = [str(i) for i in plan.lakes.lake_id]
    assert list(dict.fromkeys(told.lake_id)) == order
    alone = run_plan(plan, Wanted(block=1, threads=1)).windows
    pd.testing.assert_frame_equal(told, alone, check_exact=True)
