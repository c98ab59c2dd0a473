"""Hindcasts scored: against what came, the mean date of the other years and the calendar rule."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import to_date
from emergence.randomness import keyed_generator
from emergence.runs.hindcast import Rerun
from emergence.runs.results import HindcastResult
from emergence.verification.baselines import (
    LEAST_AIR_YEARS,
    LEAST_YEARS,
    climatology_members,
    left_out_errors,
    reference_scores,
    regression_members,
)
from emergence.verification.scores import brier_score, crps_ensemble, pit_values, reliability_bins

Floats = NDArray[np.float64]
MODEL, REGRESSION, CLIMATOLOGY = "model", "regression", "mean date"
QUANTILES = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
INTERVALS = (50, 80, 90)
AROUND_D = (-14, -7, 0, 7, 14)
"""Dates about the other years' mean for which the chance "passed by then" is scored [d]; our choice."""
PIT_BINS = 10
FOLLOWS = 1.0


@dataclass(frozen=True)
class Scored:
    """One date forecast again, as finally given, and its scores [d].

    ``members`` (M,) [d from the season's first day]; ``method`` says what they come from; ``pit`` where the truth
    stands among them; ``chance`` and ``passed`` (5,): chance and truth of "passed by then" about the other years' mean.
    """

    rerun: Rerun
    method: str
    members: Floats
    crps: float
    crps_mean_date: float
    crps_calendar: float
    pit: float
    chance: Floats
    passed: NDArray[np.bool_]

    @property
    def median(self) -> float:
        """The middle date [d]."""
        return float(np.quantile(self.members, 0.5, method="inverted_cdf"))


def scored(reruns: Sequence[Rerun], *, seed: int = 1, fall_back: bool = True) -> list[Scored]:
    """Return the scores of dates forecast again; those with fewer than four other years are left out.

    Parameters
    ----------
    reruns
        The dates.
    seed
        Key of the random numbers that spread ties of the PIT.
    fall_back
        Whether a lake that the model cannot follow is given by its mean date or by recent air.
    """
    usable = [r for r in reruns if len(r.other_date) >= LEAST_YEARS]
    groups: dict[tuple[str, int, int], list[Rerun]] = defaultdict(list)
    for rerun in usable:
        groups[rerun.target.lake_id, rerun.target.year, rerun.target.lead_d].append(rerun)
    method = {key: chosen_method(part) if fall_back else MODEL for key, part in groups.items()}
    return [_scored(r, method[r.target.lake_id, r.target.year, r.target.lead_d], seed) for r in usable]


def chosen_method(part: Sequence[Rerun]) -> str:
    """Return what gives a lake's dates at one lead of a season: its model, unless that cannot follow the lake.

    Notes
    -----
    The model follows a lake when, fitted without the target season and run on observed weather, it misses the other
    years' dates by less on average than their mean date (each year's from the rest) does, all milestones together.
    Else that of regression and mean date stands in that misses the other years by less, each left out in turn. Nothing
    of the target season enters.
    """
    model, mean, told = 0.0, 0.0, True
    regression = 0.0
    for r in part:
        known = np.isfinite(r.hindsight)
        model += _miss(r.hindsight[known] - r.other_date[known])
        mean += _miss(left_out_errors(r.other_date))
        air = np.isfinite(r.other_air_c)
        told &= bool(np.isfinite(r.air_c)) and int(air.sum()) >= LEAST_AIR_YEARS
        if told:
            regression += _miss(left_out_errors(r.other_date[air], r.other_air_c[air]))
    if model < FOLLOWS * mean:
        return MODEL
    return REGRESSION if told and regression < mean else CLIMATOLOGY


def _miss(errors: Floats) -> float:
    return float(np.abs(errors).mean()) if len(errors) else np.inf


def _scored(rerun: Rerun, method: str, seed: int) -> Scored:
    members, target = stood_in(rerun, method), rerun.target
    rng = keyed_generator(seed, "pit", target.lake_id, target.milestone.name, f"{target.year} {target.lead_d}")
    reference = reference_scores(rerun.other_date, rerun.truth)
    dates = np.round(rerun.other_date.mean()) + np.array(AROUND_D)
    return Scored(
        rerun=rerun,
        method=method,
        members=members,
        crps=float(crps_ensemble(members, rerun.truth)),
        crps_mean_date=reference.mean_date,
        crps_calendar=reference.calendar,
        pit=float(pit_values(members, rerun.truth, rng.random())),
        chance=(members[:, None] <= dates).mean(axis=0),
        passed=rerun.truth <= dates,
    )


def stood_in(rerun: Rerun, method: str) -> Floats:
    """Return whole days: the members, or as many from the mean date or the regression."""
    count = len(rerun.members)
    if method == CLIMATOLOGY:
        return np.rint(climatology_members(rerun.other_date, count))
    if method == REGRESSION:
        told = np.isfinite(rerun.other_air_c)
        return np.rint(regression_members(rerun.other_air_c[told], rerun.other_date[told], rerun.air_c, count))
    return rerun.members.astype(np.float64)


# ---------------------------------------------------------------- tables


def rows_table(done: Sequence[Scored], *, known_years: str) -> pd.DataFrame:
    """Return the rows of hindcast.csv; ``known_years`` is other or past."""
    rows = []
    for s in done:
        t, start = s.rerun.target, s.rerun.start
        dates = np.quantile(s.members, QUANTILES, method="inverted_cdf") + start
        quantiles = {f"p{100 * q:02.0f}": to_date(day) for q, day in zip(QUANTILES, dates, strict=True)}
        truth = to_date(t.truth)
        rows.append(
            {
                "lake_id": t.lake_id,
                "taxon": "-",
                "brood": 0,
                "event": "thermal",
                "milestone": t.milestone.name,
                "season": t.year,
                "lead_days": t.lead_d,
                "issue_date": to_date(t.issue),
                "truth_from": truth,
                "truth_to": truth,
                "truth_kind": "readings",
                **quantiles,
                "crps": s.crps,
                "crps_mean_date": s.crps_mean_date,
                "crps_calendar": s.crps_calendar,
                "method": s.method,
                "known_years": known_years,
                "other_years": len(s.rerun.other_date),
                "readings": s.rerun.read,
            }
        )
    return pd.DataFrame(rows)


def skill_table(done: Sequence[Scored], by: Sequence[str] = ()) -> pd.DataFrame:
    """Return scores by lead: of all lakes together, or with ``by`` = ("lake_id",) of each.

    ``skill_mean_date`` and ``skill_calendar`` are 1 - CRPS / CRPS of the reference, means over lakes; ``off_days`` and
    ``off_mean_date`` [d] the middle error of our middle date and of the other years' mean; ``mae_days`` the mean one;
    ``cover_50`` ... the share of truths within the interval (by the PIT, ties spread), ``width_50`` ... [d]; ``brier``
    of "passed by then"; ``fallen_back`` the share of dates not given by the lake's model.
    """
    if not done:
        return pd.DataFrame()
    frame = pd.DataFrame([_facts(s) for s in done])
    keys = [*by, "lead_days"]
    parts = []
    for key, part in frame.groupby(keys, sort=True):
        lakes = part.groupby("lake_id")[["crps", "crps_mean_date", "crps_calendar"]].mean()
        chance, passed = np.concatenate(part["chance"].to_list()), np.concatenate(part["passed"].to_list())
        parts.append(
            dict(zip(keys, key, strict=True))
            | {
                "dates": len(part),
                "lakes": len(lakes),
                "seasons": part["season"].nunique(),
                "skill_mean_date": float((1 - lakes["crps"] / lakes["crps_mean_date"]).mean()),
                "skill_calendar": float((1 - lakes["crps"] / lakes["crps_calendar"]).mean()),
                "crps": float(lakes["crps"].mean()),
                "off_days": float(part["off"].median()),
                "off_mean_date": float(part["off_mean_date"].median()),
                "mae_days": float(part["off"].mean()),
                "mae_mean_date": float(part["off_mean_date"].mean()),
                **{f"cover_{p}": float((abs(part["pit"] - 0.5) <= p / 200).mean()) for p in INTERVALS},
                **{f"width_{p}": float(part[f"width_{p}"].mean()) for p in INTERVALS},
                "brier": brier_score(chance, passed),
                "fallen_back": float((part["method"] != MODEL).mean()),
            }
        )
    return pd.DataFrame(parts)


def _facts(s: Scored) -> dict[str, object]:
    t = s.rerun.target
    ends = {p: np.quantile(s.members, (0.5 - p / 200, 0.5 + p / 200), method="inverted_cdf") for p in INTERVALS}
    return {
        "lake_id": t.lake_id,
        "lead_days": t.lead_d,
        "season": t.year,
        "crps": s.crps,
        "crps_mean_date": s.crps_mean_date,
        "crps_calendar": s.crps_calendar,
        "off": abs(s.median - s.rerun.truth),
        "off_mean_date": abs(float(np.rint(s.rerun.other_date.mean())) - s.rerun.truth),
        "pit": s.pit,
        "chance": s.chance,
        "passed": s.passed,
        "method": s.method,
        **{f"width_{p}": float(b - a) for p, (a, b) in ends.items()},
    }


def hindcast_result(
    done: Sequence[Scored], *, name: str, known_years: str, readings: str, problems: tuple[str, ...] = ()
) -> HindcastResult:
    """Return everything to show and write: rows, scores by lead and by lake, reliability, PIT."""
    chance = np.concatenate([s.chance for s in done]) if done else np.zeros(0)
    passed = np.concatenate([s.passed for s in done]) if done else np.zeros(0, dtype=bool)
    bins = reliability_bins(chance, passed)._asdict() if done else {}
    pit = np.histogram([s.pit for s in done], bins=PIT_BINS, range=(0.0, 1.0))[0] / max(len(done), 1)
    return HindcastResult(
        name=name,
        known_years=known_years,
        readings=readings,
        rows=rows_table(done, known_years=known_years),
        leads=skill_table(done),
        lakes=skill_table(done, ("lake_id",)),
        reliability=pd.DataFrame(bins),
        pit=pd.DataFrame({"from": np.arange(PIT_BINS) / PIT_BINS, "share": pit}),
        problems=problems,
    )
