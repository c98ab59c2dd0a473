"""What fits of measured lakes say of every lake of a run: their own, and through their neighbours'."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from emergence.learning.pooling import Evidence, closeness, evidence_of, pooled
from emergence.learning.population import NeedFit
from emergence.learning.suspicious import Doubted
from emergence.learning.water import IceFit, LakeFit, ice_without, lake_without, prior_sd
from emergence.learning.widening import NO_WIDENING, Misses, Widening
from emergence.records import Lakes
from emergence.water.coefficients import load_coefficients
from emergence.water.features import CALENDAR, FEATURES
from emergence.water.spread import Spread
from emergence.weather.neighbours import great_circle_km

Floats = NDArray[np.float64]
JITTER = 1e-9  # of a variance: keeps rounding from making a covariance indefinite


@dataclass(frozen=True)
class Learned:
    """Fits of lakes from notes before day number ``before``; lakes without notes are absent.

    ``places`` gives latitude, longitude [degrees] and height [m] of the fitted lakes; fits without a place (an older
    file's) teach nothing to neighbours. ``doubted`` are readings that were kept out of the fits. ``widening``, which
    stands on ``misses``, widens what is not known of the water of fitted lakes. Readings kept out and misses are not
    stored.
    """

    before: int
    lakes: dict[str, LakeFit]
    ice: dict[str, IceFit]
    places: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    doubted: tuple[Doubted, ...] = ()
    needs: dict[str, dict[str, NeedFit]] = field(default_factory=dict)
    widening: Widening = NO_WIDENING
    misses: Misses | None = None


def without_season(learned: Learned, season: int) -> Learned:
    """Return the fits of water and ice without what one season told, at any lake."""
    lakes = {k: fit for k, old in learned.lakes.items() if (fit := lake_without(old, season)) is not None}
    ice = {k: left for k, old in learned.ice.items() if (left := ice_without(old, season)) is not None}
    return dataclasses.replace(learned, lakes=lakes, ice=ice)


def with_learned(spread: Spread, lakes: Lakes, learned: Learned | None) -> Spread:
    """Return the spread of lakes with what was learned in place of the prior.

    A lake with notes of its own has its own coefficients, drawn towards those of its neighbours where its notes are
    few; a lake without any takes level and seasonal shape from its neighbours and keeps the rest unknown. Errors of
    lakes with notes of their own are widened (`learning.widening`), those of ice dates are not.
    """
    if learned is None or not (learned.lakes or learned.ice):
        return spread
    ids = [str(i) for i in lakes.lake_id]
    mean, root = _coefficients(spread, lakes, ids, learned)
    ice_mean, ice_sd = _ice(spread, lakes, ids, learned)
    wide = np.array([learned.widening.factor if i in learned.lakes else 1.0 for i in ids])
    scale = wide * np.array([learned.lakes[i].scale if i in learned.lakes else 1.0 for i in ids])
    return dataclasses.replace(
        spread,
        mean=mean,
        root=root * wide[:, None, None],
        year_c=spread.year_c * scale,
        day_c=spread.day_c * scale,
        ice_mean_d=ice_mean,
        ice_sd_d=ice_sd,
    )


def lake_prior(spread: Spread) -> Floats:
    """Return the prior standard deviations of FEATURES for each lake of an unseen spread, shape (lakes, K)."""
    return np.stack([prior_sd(float(c)) for c in spread.root[:, 0, 0]])


def lake_closeness(lakes: Lakes, learned: Learned, names: list[str]) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Return closeness of lakes to fitted lakes, of these to each other, and each lake's place among them (-1)."""
    p = load_coefficients()["pooling"]
    nowhere = (np.nan, np.nan, np.nan)
    place = np.array([learned.places.get(n, nowhere) for n in names]).reshape(-1, 3)

    def close(latitude: Floats, longitude: Floats, height: Floats) -> Floats:
        km = great_circle_km(latitude[:, None], longitude[:, None], place[None, :, 0], place[None, :, 1])
        found = closeness(km, height[:, None] - place[None, :, 2], range_km=p["range_km"], range_m=p["range_m"])
        return np.nan_to_num(found, nan=0.0)

    row = {n: k for k, n in enumerate(names)}
    own = np.array([row.get(str(i), -1) for i in lakes.lake_id], dtype=np.int64)
    return close(lakes.latitude, lakes.longitude, lakes.elevation_m), close(*place.T), own


def _coefficients(spread: Spread, lakes: Lakes, ids: list[str], learned: Learned) -> tuple[Floats, Floats]:
    mean, root = spread.mean.astype(np.float64), spread.root.astype(np.float64)
    names = sorted(learned.lakes)
    if not names:
        return mean, root
    prior, p = lake_prior(spread), load_coefficients()["pooling"]
    usual = prior_sd(0.0)
    share = np.array([p["level"], *[p["season"]] * (CALENDAR - 1), *[0.0] * (len(FEATURES) - CALENDAR)])
    fitted = [learned.lakes[n] for n in names]
    parts = [evidence_of(f.mean, f.covariance, f.prior) for f in fitted]
    notes = Evidence(
        np.stack([a for a, _ in parts]), np.stack([b for _, b in parts]), np.stack([f.prior for f in fitted])
    )
    near, between, own = lake_closeness(lakes, learned, names)
    found, covariance, some = pooled(prior, np.sqrt(share) * usual, near, between, own, notes)
    for k in np.flatnonzero(some):
        known = slice(0, len(FEATURES) if ids[k] in learned.lakes else CALENDAR)
        mean[k], root[k] = 0.0, 0.0
        mean[k, known] = found[k, known]
        part = covariance[k, known, known]
        root[k, known, known] = np.linalg.cholesky(part + JITTER * np.diag(np.diag(part) + JITTER))
    return mean, root


def _ice(spread: Spread, lakes: Lakes, ids: list[str], learned: Learned) -> tuple[Floats, Floats]:
    mean, sd = spread.ice_mean_d.astype(np.float64), spread.ice_sd_d.astype(np.float64)
    names = sorted(learned.ice)
    if not names:
        return mean, sd
    share, usual = load_coefficients()["pooling"]["ice"], load_coefficients()["spread"]["ice_lake_d"]
    year = load_coefficients()["learning"]["ice_year_d"]
    prior = np.maximum(spread.ice_prior_d(), usual)[:, None]
    precision = np.array([learned.ice[n].dates / year**2 for n in names])
    theirs = np.array([learned.ice[n].prior_d for n in names])
    information = np.array([learned.ice[n].mean_d for n in names]) * (precision + theirs**-2.0)
    notes = Evidence(precision[:, None, None], information[:, None], np.maximum(theirs, usual)[:, None])
    near, between, own = lake_closeness(lakes, learned, names)
    found, covariance, some = pooled(prior, np.array([np.sqrt(share) * usual]), near, between, own, notes)
    mean[some] = found[some, 0]
    sd[some] = np.sqrt(covariance[some, 0, 0] + year**2)
    return mean, sd
