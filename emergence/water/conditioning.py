"""Each member's error drawn conditionally on the season's readings and ice dates; every note acts once.

The error of a lake's model is Gaussian: the lake's coefficients (FEATURES), a season-long part and a day-to-day part
with exponential memory. A member is conditioned by adding, to its own unconditional draw, the best estimate of the
difference between what was read and what the member says, each member with its own draw of the reading errors
(Matheron's rule; Chilès & Delfiner 2012 Geostatistics, 2nd ed., section 7.3, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.records import Readings
from emergence.water.coefficients import load_coefficients
from emergence.water.spread import Spread

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
SURFACE_M = 2.0  # readings from deeper are not surface water; our prior
OPEN_C = 1.5  # colder readings may be under ice; our prior


@dataclass(frozen=True)
class LakeNotes:
    """One lake's notes of this season: ``day`` (n,) day indices and ``water_c`` [°C] (n,) of readings.

    ``ice_off`` is the day index of an observed ice-off, -1 without; ``open_by`` that of the first reading or note of
    open water, -1 without. ``sure`` (n,) marks readings that the user vouches for, None for none. ``offs`` and ``ons``
    are all days on which ice was said to go and to come, ``sure_offs`` those vouched for, ``begins`` the season's
    first day: what `ice_notes.believed_ice` weighs against each other.
    """

    day: Ints
    water_c: Floats
    ice_off: int = -1
    open_by: int = -1
    sure: NDArray[np.bool_] | None = None
    offs: tuple[int, ...] = ()
    ons: tuple[int, ...] = ()
    sure_offs: tuple[int, ...] = ()
    begins: int = 0


def clamp_ice(shift_d: Ints, opening: Ints, notes: LakeNotes, deviates: Floats) -> Ints:
    """Return one lake's ice shifts [d] so that each member opens when the lake did.

    Parameters
    ----------
    shift_d
        Drawn shifts, shape (slots, replicates).
    opening
        Simulated break-up of each sky, shape (slots,), -1 for none.
    notes
        The lake's notes.
    deviates
        Standard normals, shape (slots, replicates), for the day or so that an observed date may be off.
    """
    if notes.ice_off >= 0:
        seen = notes.ice_off + np.rint(load_coefficients()["learning"]["ice_seen_d"] * deviates).astype(np.int64)
        return np.where(opening[:, None] >= 0, seen - opening[:, None], shift_d)
    if notes.open_by >= 0:
        return np.where(opening[:, None] >= 0, np.minimum(shift_d, notes.open_by - opening[:, None]), shift_d)
    return shift_d


def reading_noise(n: int) -> NDArray[np.float64]:
    """Return the covariance of n boat readings' own errors [°C2]: an own part and one that a season shares."""
    s = load_coefficients()["learning"]
    return np.diag(np.full(n, s["reading_c"] ** 2)) + s["reading_common_c"] ** 2


def error_covariance(known: Floats, day: Ints, spread: Spread, lake: int) -> NDArray[np.float64]:
    """Return the covariance of one lake's model error between days [°C2], shape (n, n).

    ``known`` (n, K) holds the features on those days.
    """
    root = spread.root[lake]
    lake_part = known @ (root @ root.T) @ known.T
    gap = np.abs(day[:, None] - day[None, :])
    return np.asarray(
        lake_part + spread.year_c[lake] ** 2 + spread.day_c[lake] ** 2 * spread.phi()[lake] ** gap, dtype=np.float64
    )


def less_of_outliers(covariance: Floats, noise: Floats, innovation: Floats) -> NDArray[np.float64]:
    """Return the reading noise, inflated where a reading lies far from what was expected (heavy tails).

    ``innovation`` (n,) is reading less expectation [°C].
    """
    limit = load_coefficients()["learning"]["outlier"]
    total = np.diag(covariance) + np.diag(noise)
    z2 = innovation**2 / total / limit**2
    return np.asarray(noise + np.diag(np.maximum(z2 - 1, 0) * total), dtype=np.float64)


def reading_weights(
    notes: LakeNotes, said: Floats, known: Floats, *, spread: Spread, lake: int, deviates: Floats
) -> NDArray[np.float64]:
    """Return what each member's disagreement with the readings is worth, shape (n, members).

    Parameters
    ----------
    notes
        Readings of the lake.
    said
        What each member says on the days of the readings [°C], shape (n, members).
    known
        Features on those days, shape (n, K).
    spread, lake
        Spread of the chunk and the lake's index in it.
    deviates
        Standard normals, shape (n + 1, members), for the readings' own errors (the last: the part they share).
    """
    shared = load_coefficients()["learning"]["reading_common_c"]
    covariance = error_covariance(known, notes.day, spread, lake)
    noise = less_of_outliers(covariance, reading_noise(len(notes.day)), notes.water_c - said.mean(axis=1))
    own_sd = np.sqrt(np.diag(noise) - shared**2)
    misread = own_sd[:, None] * deviates[:-1] + shared * deviates[-1:]
    return np.asarray(np.linalg.solve(covariance + noise, notes.water_c[:, None] - said - misread))


def conditioned_beta(beta: Floats, weight: Floats, known: Floats, spread: Spread, lake: int) -> Floats:
    """Return one lake's coefficients (K, members) after its readings; ``beta`` are the draws, same shape."""
    root = spread.root[lake]
    new = beta + root @ root.T @ known.T @ weight
    new[0] += spread.year_c[lake] ** 2 * weight.sum(axis=0)
    return np.asarray(new, dtype=np.float32)


def day_pull(weight: Floats, notes: LakeNotes, spread: Spread, lake: int, n_days: int) -> Floats:
    """Return what the readings add to the day-to-day error [°C], shape (days, members); it fades within weeks."""
    gap = np.abs(np.arange(n_days)[:, None] - notes.day[None, :])
    return np.asarray(spread.day_c[lake] ** 2 * (spread.phi()[lake] ** gap @ weight), dtype=np.float32)


def surface_readings(readings: Readings, first: int, last: int) -> Readings:
    """Return the readings of open surface water between two day numbers, both included."""
    shallow = ~(readings.depth_m > SURFACE_M)
    return readings.take(shallow & (readings.day >= first) & (readings.day <= last) & (readings.water_c >= OPEN_C))
