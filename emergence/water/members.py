"""From one simulated surface per sky to every member's own water and ice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.water import compiled
from emergence.water.coefficients import load_coefficients
from emergence.water.features import CALENDAR, Features
from emergence.water.spread import MemberErrors
from emergence.water.surface import WaterPath

Floats = NDArray[np.floating]
SETTLED_C = 0.01  # a left-over disturbance below this is dropped [°C]


@dataclass(frozen=True)
class MemberWater:
    """Every member's surface: ``water_c`` [°C] float32 and ``ice`` (bool), shape (days, lakes, slots, replicates)."""

    water_c: Floats
    ice: NDArray[np.bool_]


def spring_opening(ice: NDArray[np.bool_], last_index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the index of the day after the last ice of winter and spring, -1 without ice.

    Parameters
    ----------
    ice
        Ice of each day, shape (days, lakes, slots).
    last_index
        The last day index of each lake that can belong to that winter (late August in the north), shape (lakes,).
    """
    index = np.arange(len(ice))[:, None, None]
    counts = ice & (index <= last_index[None, :, None])
    last = len(ice) - 1 - np.argmax(counts[::-1], axis=0)
    return np.where(counts.any(axis=0), last + 1, -1)


def member_ice(
    ice: NDArray[np.bool_], opening: NDArray[np.int64], shift_d: NDArray[np.int64], day: int
) -> NDArray[np.bool_]:
    """Return which members have ice on a day: the simulated ice, its break-up moved by the member's own shift.

    ``ice`` (lakes, slots) of that day, ``opening`` (lakes, slots), ``shift_d`` (lakes, slots, replicates) [d].
    """
    own = opening[..., None] + shift_d
    late = (opening[..., None] >= 0) & (day >= opening[..., None]) & (day < own)
    early = (day >= own) & (day < opening[..., None])
    return (ice[..., None] & ~early) | late


def member_water(
    path: WaterPath,
    errors: MemberErrors,
    *,
    known: Features,
    bank: Floats,
    pull: Floats | None = None,
    opening: NDArray[np.int64],
    keep: Floats,
) -> MemberWater:
    """Lay each member's errors on the simulated surface.

    Parameters
    ----------
    path
        Simulated surface, shape (days, lakes, slots).
    errors
        Draws, shape (lakes, slots * replicates), members slot by slot.
    known
        Features in which the lakes deviate.
    bank
        Unit error paths, shape (days, paths).
    pull
        What this season's readings add to the day-to-day error [°C], shape (days, lakes, members), or None.
    opening
        Index of the simulated break-up, shape (lakes, slots), -1 for none.
    keep
        Share of a disturbance left after a day, exp(-1/tau), shape (lakes, 1).

    Notes
    -----
    A member whose ice goes earlier or later than simulated starts from the opening temperature and comes back to the
    simulated surface with the relaxation's time constant; while the simulated lake is still frozen the relaxation
    without ice stands in. Errors add to open water; never below 0 °C.
    """
    laid = Laid(path, errors, known, bank, pull, opening, keep)
    return laid_day_by_day(laid) if compiled.members_kernel is None else _laid_compiled(laid, compiled.members_kernel)


@dataclass(frozen=True)
class Laid:
    """The arguments of ``member_water``."""

    path: WaterPath
    errors: MemberErrors
    known: Features
    bank: Floats
    pull: Floats | None
    opening: NDArray[np.int64]
    keep: Floats


def _at_opening(path: WaterPath, opening: NDArray[np.int64]) -> Floats:
    """Return the water with which each simulated lake opens [°C], shape (lakes, slots); the usual where it does not."""
    c = load_coefficients()
    usual = 0.5 * (c["ice"]["open_spring_c"] + c["relaxation"]["reset_c"])
    at = (np.clip(opening, 0, len(path.ice) - 1), *np.indices(opening.shape))
    return np.where(path.ice[at] | (opening < 0), usual, path.water_c[at]).astype(np.float32)


def _laid_compiled(laid: Laid, kernel: Callable[..., None]) -> MemberWater:
    path, errors, known = laid.path, laid.errors, laid.known
    n_days, lakes, slots = path.water_c.shape
    members = errors.path.shape[1]
    water = np.empty((n_days, lakes, members), dtype=np.float32)
    frozen = np.empty((n_days, lakes, members), dtype=bool)
    terms = [k for k, b in enumerate(errors.beta) if b.any()]
    steady, moving = ([k for k in terms if (k < CALENDAR) == fixed] for fixed in (True, False))
    sky = tuple(np.ascontiguousarray(v) for v in (path.water_c, path.free_c, path.ice))
    own = [np.asarray(v, np.float32) for v in (laid.bank, errors.day_sd_c)]
    beta = [np.ascontiguousarray(errors.beta[k].swapaxes(0, 1), dtype=np.float32) for k in (steady, moving)]
    nothing = np.zeros((0, 0, 0), dtype=np.float32)
    kernel(
        sky,
        (*own, np.asarray(errors.path, np.int64), np.asarray(errors.ice_shift_d, np.int64), *beta),
        (known.calendar[:, steady], np.ascontiguousarray(known.weather[..., [k - CALENDAR for k in moving]])),
        nothing if laid.pull is None else np.ascontiguousarray(laid.pull, dtype=np.float32),
        (laid.opening, laid.keep[:, 0].astype(np.float32), _at_opening(path, laid.opening), np.float32(SETTLED_C)),
        (water, frozen),
    )
    cells = (n_days, lakes, slots, members // slots)
    return MemberWater(water.reshape(cells), frozen.reshape(cells))


def laid_day_by_day(laid: Laid) -> MemberWater:  # kernel
    """Return ``member_water`` in plain NumPy, one day after the other for all cells."""
    path, errors, known, opening = laid.path, laid.errors, laid.known, laid.opening
    n_days, lakes, slots = path.water_c.shape
    replicates = errors.path.shape[1] // slots
    cells = (lakes, slots, replicates)
    water = np.empty((n_days, *cells), dtype=np.float32)
    frozen = np.empty((n_days, *cells), dtype=bool)
    day_sd, picked, shift = (v.reshape(cells) for v in (errors.day_sd_c, errors.path, errors.ice_shift_d))
    terms = [(k, b.reshape(cells)) for k, b in enumerate(errors.beta) if b.any()]
    at_opening = _at_opening(path, opening)[..., None]
    latest = int((opening[..., None] + shift).max()) if (opening >= 0).any() else -1
    left = np.zeros(cells, dtype=np.float32)
    before, path_before = np.zeros(cells, dtype=bool), np.zeros((lakes, slots), dtype=bool)
    fade = laid.keep.astype(np.float32)[:, :, None]
    settled = True
    for day in range(n_days):
        today = water[day]
        np.multiply(day_sd, np.take(laid.bank[day], picked), out=today)
        for k, beta in terms:
            today += (
                known.calendar[day, k] * beta if k < CALENDAR else known.weather[day, ..., k - CALENDAR, None] * beta
            )
        if laid.pull is not None:
            today += laid.pull[day].reshape(cells)
        path_ice = path.ice[day]
        if day > latest and not path_ice.any() and not path_before.any() and settled:
            today += path.water_c[day][..., None]
            np.maximum(today, 0, out=today)
            frozen[day] = before = np.zeros(cells, dtype=bool)
            continue
        base = np.where(path_ice, path.free_c[day], path.water_c[day])[..., None]
        ice = member_ice(path_ice, opening, shift, day)
        left *= fade
        left[np.abs(left) < SETTLED_C] = 0
        opened = path_before & ~path_ice
        if opened.any():
            left += np.where(opened, path.free_c[day] - path.water_c[day], 0)[..., None]
        fresh = before & ~ice
        if fresh.any():
            left = np.where(fresh, np.where(opened[..., None], np.float32(0), at_opening - base), left)
        today += left
        today += base
        np.maximum(today, 0, out=today)
        today[ice] = 0
        frozen[day], before, path_before = ice, ice, path_ice
        settled = not left.any() and not ice.any()
    return MemberWater(water, frozen)
