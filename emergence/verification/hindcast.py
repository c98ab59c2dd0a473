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
from emergence.verification.recalibration import (
    hindsight_miss,
    joined,
    model_weight,
    recalibrated,
    water_share,
    weather_square,
)
from emergence.verification.scores import brier_score, crps_between, pit_values, reliability_bins

Floats = NDArray[np.float64]
MODEL, REGRESSION, CLIMATOLOGY = "model", "regression", "mean date"
WITH = "model and "
SIGHTINGS = "sightings"
QUANTILES = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
INTERVALS = (50, 80, 90)
AROUND_D = tuple(range(-21, 22))
"""Dates about the other years' mean for which the chance "passed by then" is scored [d], every day; our choice."""
PIT_BINS = 10


@dataclass(frozen=True)
class Rules:
    """What is done to members before they are scored.

    ``recalibrate``: moved and widened by the model's misses of other years; ``join``: joined with the other years' mean
    date or regressions on recent air, and replaced by it where the model cannot follow the lake.
    """

    recalibrate: bool = True
    join: bool = True


AS_THEY_ARE = Rules(recalibrate=False, join=False)


@dataclass(frozen=True)
class Given:
    """What is given for a date: ``members`` (M,) [d], what they come from, and the weight of the lake's model [1]."""

    method: str
    members: Floats
    model_weight: float


@dataclass(frozen=True)
class Scored:
    """One date forecast again, as finally given, and its scores [d].

    ``given`` in whole days from the season's first; ``pit`` where the truth stands among its members; ``chance`` and
    ``passed`` (43,): chance and truth of "come by then" about the other years' mean, ``chance_mean_date`` the share of
    the other years in which it had. Where only a span of dates is
    known, chances inside it are not scored, and the PIT takes a date in it at random.
    """

    rerun: Rerun
    given: Given
    crps: float
    crps_mean_date: float
    crps_calendar: float
    pit: float
    chance: Floats
    chance_mean_date: Floats
    passed: NDArray[np.bool_]

    @property
    def median(self) -> float:
        """The middle date [d]."""
        return float(np.quantile(self.given.members, 0.5, method="inverted_cdf"))


def scored(reruns: Sequence[Rerun], *, seed: int = 1, rules: Rules | None = None) -> list[Scored]:
    """Return the scores of dates forecast again; those with fewer than four other years are left out.

    Parameters
    ----------
    reruns
        The dates.
    seed
        Key of the random numbers that spread ties of the PIT.
    rules
        What is done to the members first; default all of it.
    """
    usable = [r for r in reruns if len(r.other_date) >= LEAST_YEARS]
    groups: dict[tuple[object, ...], list[Rerun]] = defaultdict(list)
    for rerun in usable:
        t = rerun.target
        groups[t.lake_id, t.year, t.lead_d, t.kind, rerun.asked].append(rerun)
    given = {id(r): found for part in groups.values() for r, found in zip(part, finished(part, rules), strict=True)}
    return [_scored(r, given[id(r)], seed) for r in usable]


def finished(part: Sequence[Rerun], rules: Rules | None = None) -> list[Given]:
    """Return what is given for one lake's milestones in one season at one lead.

    Notes
    -----
    Expected squared errors make the weights, from the other years alone: the model's is what its misses in hindsight
    leave after the shift, as far as readings leave it open, plus the spread of the date's own slots (milestones of one
    lead have different issue dates, so those of the others are not known); that of the regression (three of them, on
    the air of 30, 60 and 90 days, quantiles averaged; the mean date, where the air of too few years is known) comes
    from leaving each other year out. A model that misses the other years by more than their mean date does, even with
    their weather known, cannot follow the lake: weight 0.
    A lake taken as unseen has no other years, and insects are given as the forecast gives them: members as they are.
    """
    rules = rules or Rules()
    if part[0].unseen or part[0].target.kind == SIGHTINGS:
        return [Given(MODEL, r.members.ravel().astype(np.float64), 1.0) for r in part]
    told = [np.isfinite(r.hindsight) for r in part]
    miss = hindsight_miss(
        [r.hindsight[k] - r.other_date[k] for r, k in zip(part, told, strict=True)],
        [r.hindsight_sd[k] for r, k in zip(part, told, strict=True)],
    )
    share = [water_share(r.members, float(sd)) for r, sd in zip(part, miss.spread_d, strict=True)]
    members = [r.members.astype(np.float64) for r in part]
    if rules.recalibrate:
        members = [
            recalibrated(m, shift_d=float(b), scale=miss.scale, share=s)
            for m, b, s in zip(members, miss.shift_d, share, strict=True)
        ]
    if not rules.join:
        return [Given(MODEL, np.rint(m.ravel()), 1.0) for m in members]
    beside, air_d2 = [_beside(r) for r in part], _air_square(part)
    mean_d2 = float(np.mean([np.mean(left_out_errors(r.other_date) ** 2) for r in part]))
    if not miss.square_d2 <= mean_d2:
        return [Given(other, np.rint(_stand_in(r, other)), 0.0) for r, other in zip(part, beside, strict=True)]
    out = []
    for r, m, other, open_share in zip(part, members, beside, share, strict=True):
        expected = miss.square_d2 * open_share**2 + weather_square(r.members)
        weight = model_weight(expected, mean_d2 if other == CLIMATOLOGY else air_d2)
        out.append(Given(WITH + other, np.rint(joined(m, _stand_in(r, other), weight)), weight))
    return out


def _told_by_air(rerun: Rerun) -> NDArray[np.bool_]:
    """Return in which of the other years the recent air is known, shape (n,)."""
    return np.asarray(np.isfinite(rerun.other_air_c).all(axis=1))


def _beside(rerun: Rerun) -> str:
    """Return what stands beside the model."""
    enough = np.isfinite(rerun.air_c).all() and _told_by_air(rerun).sum() >= LEAST_AIR_YEARS
    return REGRESSION if enough else CLIMATOLOGY


def _air_square(part: Sequence[Rerun]) -> float:
    """Return the expected squared error of the regressions [d²], from the other years, NaN where none can be made."""
    told = [(r, k) for r in part if (k := _told_by_air(r)).sum() >= LEAST_AIR_YEARS]
    errors = [np.mean([left_out_errors(r.other_date[k], c) for c in r.other_air_c[k].T], axis=0) for r, k in told]
    return float(np.mean([np.mean(e**2) for e in errors])) if errors else np.nan


def _stand_in(rerun: Rerun, other: str) -> Floats:
    if other == CLIMATOLOGY:
        return climatology_members(rerun.other_date, rerun.members.size)
    k = _told_by_air(rerun)
    said = [
        regression_members(column, rerun.other_date[k], float(air), rerun.members.size)
        for column, air in zip(rerun.other_air_c[k].T, rerun.air_c, strict=True)
    ]
    return np.asarray(np.mean(said, axis=0))


def _scored(rerun: Rerun, given: Given, seed: int) -> Scored:
    target, members = rerun.target, given.members
    what = f"{target.name} {target.taxon} {target.event}" if target.kind == SIGHTINGS else target.name
    rng = keyed_generator(seed, "pit", target.lake_id, what, f"{target.year} {target.lead_d}")
    reference = reference_scores(rerun.other_date, rerun.truth, rerun.last)
    dates = np.round(rerun.other_date.mean()) + np.array(AROUND_D)
    dates = dates[(dates < rerun.truth) | (dates >= rerun.last)]
    when = rerun.truth + (int(rng.integers(rerun.last - rerun.truth + 1)) if rerun.last > rerun.truth else 0)
    return Scored(
        rerun=rerun,
        given=given,
        crps=float(crps_between(members, rerun.truth, rerun.last)),
        crps_mean_date=reference.mean_date,
        crps_calendar=reference.calendar,
        pit=float(pit_values(members, when, rng.random())),
        chance=(members[:, None] <= dates).mean(axis=0),
        chance_mean_date=(rerun.other_date[:, None] <= dates).mean(axis=0),
        passed=rerun.last <= dates,
    )


# ---------------------------------------------------------------- tables


def rows_table(done: Sequence[Scored], *, known_years: str) -> pd.DataFrame:
    """Return the rows of hindcast.csv; ``known_years`` is other or past."""
    rows = []
    for s in done:
        t, start = s.rerun.target, s.rerun.start
        dates = np.quantile(s.given.members, QUANTILES, method="inverted_cdf") + start
        quantiles = {f"p{100 * q:02.0f}": to_date(day) for q, day in zip(QUANTILES, dates, strict=True)}
        rows.append(
            {
                "lake_id": t.lake_id,
                "taxon": t.taxon,
                "brood": t.brood,
                "event": t.event,
                "milestone": t.name,
                "season": t.year,
                "lead_days": t.lead_d,
                "issue_date": to_date(t.issue),
                "truth_from": to_date(t.truth),
                "truth_to": to_date(t.until),
                "truth_kind": t.kind,
                **quantiles,
                "crps": s.crps,
                "crps_mean_date": s.crps_mean_date,
                "crps_calendar": s.crps_calendar,
                "method": s.given.method,
                "model_weight": s.given.model_weight,
                "known_years": known_years,
                "other_years": len(s.rerun.other_date),
                "readings": s.rerun.read,
                "usual_date": "region" if s.rerun.unseen else "lake",
                "mean_date": to_date(start + int(np.rint(s.rerun.other_date.mean()))),
            }
        )
    return pd.DataFrame(rows)


def skill_table(done: Sequence[Scored], by: Sequence[str] = ()) -> pd.DataFrame:
    """Return scores by lead: of all lakes together, or with ``by`` = ("lake_id",) of each.

    ``skill_mean_date`` and ``skill_calendar`` are 1 - CRPS / CRPS of the reference, means over lakes; ``off_days`` and
    ``off_mean_date`` [d] the middle error of our middle date and of the other years' mean; ``mae_days`` the mean one;
    ``cover_50`` ... the share of truths within the interval (by the PIT, ties spread), ``width_50`` ... [d]; ``brier``
    of "come by then", ``brier_mean_date`` that of the other years' dates; ``model_weight`` the mean weight of the
    lake's model.
    """
    if not done:
        return pd.DataFrame()
    frame = pd.DataFrame([_facts(s) for s in done])
    keys = [*by, "lead_days"]
    parts = []
    for key, part in frame.groupby(keys, sort=True):
        lakes = part.groupby("lake_id")[["crps", "crps_mean_date", "crps_calendar"]].mean()
        chance, usual, passed = (np.concatenate(part[n].to_list()) for n in ("chance", "chance_mean_date", "passed"))
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
                "brier_mean_date": brier_score(usual, passed),
                "model_weight": float(part["model_weight"].mean()),
            }
        )
    return pd.DataFrame(parts)


def _outside(day: float, rerun: Rerun) -> float:
    """Return how far a date lies outside the days on which it can have come [d]."""
    return max(rerun.truth - day, day - rerun.last, 0.0)


def _facts(s: Scored) -> dict[str, object]:
    t = s.rerun.target
    ends = {p: np.quantile(s.given.members, (0.5 - p / 200, 0.5 + p / 200), method="inverted_cdf") for p in INTERVALS}
    return {
        "lake_id": t.lake_id,
        "taxon": t.taxon,
        "event": t.event,
        "lead_days": t.lead_d,
        "season": t.year,
        "crps": s.crps,
        "crps_mean_date": s.crps_mean_date,
        "crps_calendar": s.crps_calendar,
        "off": _outside(s.median, s.rerun),
        "off_mean_date": _outside(float(np.rint(s.rerun.other_date.mean())), s.rerun),
        "pit": s.pit,
        "chance": s.chance,
        "chance_mean_date": s.chance_mean_date,
        "passed": s.passed,
        "model_weight": s.given.model_weight,
        **{f"width_{p}": float(b - a) for p, (a, b) in ends.items()},
    }


def hindcast_result(
    reruns: Sequence[Rerun], *, name: str, known_years: str, readings: str, seed: int = 1, unseen: bool = False
) -> HindcastResult:
    """Return everything to show and write: rows, scores by lead and by lake, reliability, PIT.

    Tables by lead also say what the lake's model alone does, its members as they are: ``skill_alone`` and
    ``cover_80_alone``. Insects stand apart, by taxon and event.
    """
    insects = scored([r for r in reruns if r.target.kind == SIGHTINGS], seed=seed)
    water = [r for r in reruns if r.target.kind != SIGHTINGS]
    thermal, alone = scored(water, seed=seed), scored(water, seed=seed, rules=AS_THEY_ARE)
    done = [*thermal, *insects]
    chance = np.concatenate([s.chance for s in done]) if done else np.zeros(0)
    passed = np.concatenate([s.passed for s in done]) if done else np.zeros(0, dtype=bool)
    bins = reliability_bins(chance, passed)._asdict() if done else {}
    pit = np.histogram([s.pit for s in done], bins=PIT_BINS, range=(0.0, 1.0))[0] / max(len(done), 1)
    return HindcastResult(
        name=name,
        known_years=known_years,
        readings=readings,
        unseen=unseen,
        rows=rows_table(done, known_years=known_years),
        leads=_with_alone(skill_table(thermal), skill_table(alone)),
        alone=skill_table(alone),
        lakes=_with_alone(skill_table(thermal, ("lake_id",)), skill_table(alone, ("lake_id",))),
        insects=skill_table(insects, ("taxon", "event")),
        reliability=pd.DataFrame(bins),
        pit=pd.DataFrame({"from": np.arange(PIT_BINS) / PIT_BINS, "share": pit}),
    )


def _with_alone(table: pd.DataFrame, alone: pd.DataFrame) -> pd.DataFrame:
    if table.empty:
        return table
    return table.assign(skill_alone=alone["skill_mean_date"], cover_80_alone=alone["cover_80"])
