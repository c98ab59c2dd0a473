"""Each member's draw of a taxon's uncertain numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.randomness import keyed_generators
from emergence.sources import Quantity
from emergence.taxa.model import Gate, Growth, Requirement
from emergence.taxa.population import MOST_SHARE, Requirements

Floats = NDArray[np.floating]
RANGE_SDS = 3.29  # low..high of a quantity holds about 90 %: 3.29 standard deviations


def ln_sd(quantity: Quantity) -> float:
    """Return the standard deviation of ln(value) that the quantity's range stands for, 0 without a range."""
    if quantity.low is None or quantity.high is None or quantity.low <= 0:
        return 0.0
    return float(np.log(quantity.high / quantity.low) / RANGE_SDS)


def half_range_sd(quantity: Quantity) -> float:
    """Return the standard deviation of the value that the quantity's range stands for, 0 without a range."""
    if quantity.low is None or quantity.high is None:
        return 0.0
    return (quantity.high - quantity.low) / RANGE_SDS


def two_sided(deviate: Floats, early: float, late: float) -> Floats:
    """Return a deviate scaled by ``early`` below zero and ``late`` above: skewed, its median stays at zero."""
    return np.where(deviate < 0, deviate * np.float32(early), deviate * np.float32(late))


@dataclass(frozen=True)
class Deviates:
    """Standard deviates of a requirement, arrays of one shape: ``shift`` among lakes, ``spread`` and ``lead``."""

    shift: Floats
    spread: Floats
    lead: Floats


@dataclass(frozen=True)
class Known:
    """What past seasons taught of each lake's shift in deviates: ``mean`` and ``sd``, shape (lakes,); else 0 and 1."""

    mean: Floats
    sd: Floats


def draw_deviates(
    lake_ids: NDArray[np.object_], *, key: str, seed: int, members: int, known: Known | None = None
) -> Deviates:
    """Draw the deviates of one brood's requirement for every lake and member.

    Parameters
    ----------
    lake_ids
        Keys, shape (lakes,).
    key
        Taxon and brood, such as ``"coenagrion/1"``.
    seed, members
        The run's seed and M.
    known
        What past seasons taught of the lakes, None for nothing.

    Returns
    -------
    Deviates
        Arrays (lakes, members) float32.
    """
    deviates = np.empty((len(lake_ids), 3, members), dtype=np.float32)
    for own, rng in zip(deviates, keyed_generators(seed, "taxon", key, keys=map(str, lake_ids)), strict=True):
        rng.standard_normal(dtype=np.float32, out=own)
    shift = deviates[:, 0]
    if known is not None:
        shift = (known.mean[:, None] + known.sd[:, None] * shift).astype(np.float32)
    return Deviates(shift, deviates[:, 1], deviates[:, 2])


def requirements_at(growth: Growth, requirement: Requirement, deviates: Deviates) -> Requirements:
    """Return the requirements that deviates stand for, float32 of their shape.

    Parameters
    ----------
    growth
        Supplies the lead of the migration.
    requirement
        Median, spread and the between-lake standard deviations.
    deviates
        Of any shape.

    Notes
    -----
    Spread and lead of the migration scale with the lake's own median (a slow lake's insects also differ more) and are
    held to MOST_SHARE of it, so that nobody is ready, or on the move, before any heat has been gathered.
    """
    shift = two_sided(deviates.shift, requirement.ln_sd_early.value, requirement.ln_sd_late.value)
    median = np.float32(requirement.median.value) * np.exp(shift)
    ratio = np.float32(requirement.spread.value / max(requirement.median.value, 1e-6))
    spread = median * ratio * np.exp(np.float32(ln_sd(requirement.spread)) * deviates.spread)
    spread = np.minimum(spread, median * max(ratio, np.float32(MOST_SHARE)))
    move = growth.move_before_dd
    if move is None:
        return Requirements(median, spread)
    lead = median * np.float32(move.value / max(requirement.median.value, 1e-6))
    before = lead * np.exp(np.float32(ln_sd(move)) * deviates.lead)
    return Requirements(median, spread, np.minimum(before, median * np.float32(MOST_SHARE)))


def draw_requirements(
    growth: Growth, requirement: Requirement, lake_ids: NDArray[np.object_], *, key: str, seed: int, members: int
) -> Requirements:
    """Draw the requirement of one brood for every lake and member.

    Parameters
    ----------
    growth, requirement
        The taxon's numbers, see ``requirements_at``.
    lake_ids, key, seed, members
        See ``draw_deviates``.

    Returns
    -------
    Requirements
        Arrays (lakes, members) float32.
    """
    return requirements_at(growth, requirement, draw_deviates(lake_ids, key=key, seed=seed, members=members))


def draw_gate_shifts(
    gates: tuple[Gate, ...], lake_ids: NDArray[np.object_], *, key: str, seed: int, members: int
) -> list[Floats]:
    """Draw how far each member's gates lie from the catalogue's, in the gate's own unit.

    Parameters
    ----------
    gates
        Gates; the range of ``open_at`` gives the standard deviation.
    lake_ids
        Keys, shape (lakes,).
    key
        The taxon.
    seed, members
        The run's seed and M.

    Returns
    -------
    list
        For each gate an array (lakes, members) float32.
    """
    deviates = np.empty((len(lake_ids), len(gates), members), dtype=np.float32)
    for own, rng in zip(deviates, keyed_generators(seed, "gates", key, keys=map(str, lake_ids)), strict=True):
        rng.standard_normal(dtype=np.float32, out=own)
    return [np.float32(half_range_sd(g.open_at)) * deviates[:, n] for n, g in enumerate(gates)]
