"""What measured lakes tell about their neighbours: partial pooling of lakes' deviations, the nearest first.

A lake's deviation from the model is a part that it shares with its region (the station's air, the sky) and a part of
its own. Both are Gaussian, so what each measured lake's readings say (a precision and an information vector) spreads to
the others by their closeness: simple Kriging of coefficients (Chilès & Delfiner 2012 Geostatistics, 2nd ed., chapter 3,
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]
MOST_NEIGHBOURS = 12  # measured lakes that speak for one lake
LEAST_CLOSENESS = 0.05


@dataclass(frozen=True)
class Evidence:
    """What M measured lakes' notes say of their own K coefficients, without any prior.

    ``precision`` (M, K, K) [1/unit2], ``information`` (M, K) [1/unit] (precision times estimate), ``prior`` (M, K) the
    prior standard deviations of those lakes.
    """

    precision: NDArray[np.float64]
    information: NDArray[np.float64]
    prior: NDArray[np.float64]


def evidence_of(mean: Floats, covariance: Floats, prior: Floats) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return precision (K, K) and information (K,) of the notes behind a posterior with prior sd ``prior`` (K,).

    Notes cannot know less than nothing: what rounding takes below nought is nought.
    """
    whole = np.linalg.inv(covariance)
    precision = whole - np.diag(np.asarray(prior, dtype=np.float64) ** -2)
    value, vector = np.linalg.eigh((precision + precision.T) / 2)
    return np.asarray((vector * np.maximum(value, 0)) @ vector.T), np.asarray(whole @ mean)


def closeness(distance_km: Floats, dz_m: Floats, *, range_km: float, range_m: float) -> NDArray[np.float64]:
    """Return how much of their region two lakes share [0..1]: exp(-distance / range - height / range)."""
    return np.asarray(np.exp(-np.asarray(distance_km) / range_km - np.abs(dz_m) / range_m), dtype=np.float64)


def pooled(
    prior: Floats,
    shared: Floats,
    near: Floats,
    between: Floats,
    own: NDArray[np.int64],
    notes: Evidence,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return each lake's coefficients given its own notes and those of its neighbours.

    Parameters
    ----------
    prior
        Prior standard deviations, shape (L, K).
    shared
        Standard deviations of the part that a region shares, shape (K,); none above ``prior`` of any lake.
    near
        Closeness of each lake to each measured lake, shape (L, M).
    between
        Closeness of the measured lakes to each other, shape (M, M).
    own
        Place of each lake among the measured ones, shape (L,), -1 for none.
    notes
        What the measured lakes' notes say.

    Returns
    -------
    tuple
        Mean (L, K), covariance (L, K, K), and the truth of "anything was learned", shape (L,).
    """
    lakes, k = prior.shape
    mean, covariance = np.zeros((lakes, k)), np.zeros((lakes, k, k))
    covariance[:, np.arange(k), np.arange(k)] = prior**2
    learned = np.zeros(lakes, dtype=bool)
    for lake in range(lakes):
        close = near[lake].copy()
        if own[lake] >= 0:
            close[own[lake]] = 1.0
        ranked = np.argsort(-close, kind="stable")[:MOST_NEIGHBOURS]
        chosen = np.sort(ranked[close[ranked] >= LEAST_CLOSENESS])
        if not len(chosen):
            continue
        learned[lake] = True
        mean[lake], covariance[lake] = _one(prior[lake], shared, close, between, int(own[lake]), notes, chosen)
    return mean, covariance, learned


def _one(
    prior: Floats,
    shared: Floats,
    close: Floats,
    between: Floats,
    own: int,
    notes: Evidence,
    chosen: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return one lake's posterior mean (K,) and covariance (K, K) from the chosen measured lakes."""
    k, n = len(shared), len(chosen)
    region = np.diag(np.asarray(shared, dtype=np.float64) ** 2)
    among = np.kron(between[np.ix_(chosen, chosen)], region)
    to_lake = np.kron(close[chosen][None, :], region)
    precision = np.zeros((n * k, n * k))
    for place, j in enumerate(chosen.tolist()):
        part = slice(place * k, place * k + k)
        alone = np.diag((prior if j == own else notes.prior[j]) ** 2) - region
        among[part, part] = region + alone
        if j == own:
            to_lake[:, part] = region + alone
        precision[part, part] = notes.precision[j]
    right = np.column_stack([notes.information[chosen].ravel(), precision @ to_lake.T])
    solved = np.linalg.solve(np.eye(n * k) + precision @ among, right)
    covariance = np.diag(prior**2) - to_lake @ solved[:, 1:]
    return np.asarray(to_lake @ solved[:, 0]), np.asarray((covariance + covariance.T) / 2)
