"""From likelihoods to members that count the same: requirements drawn anew, each in its member's own water.

A member keeps its sky and its water (readings act there); what a taxon's sightings change is what its insects needed,
given that water. The weights are those of draws, not of skies (they come from leg 1, which all slots share), so members
stay joint across lakes slot by slot. Each requirement is drawn from what the notes leave possible in its own water, at
the quantile at which it was drawn before: equal members without resampling, nobody copied, and notes that say nothing
change nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from emergence.taxa.model import Requirement

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
LogLike = Callable[[Doubles], Doubles]

REACH = 4.5  # prior standard deviations looked over
COARSE, FINE = 9, 13  # requirements tried in each member's water: over the prior, and around the good ones
LEAST_EFFECTIVE = 1 / 8  # share of the members whose weight says where the good ones are; flatter weights if fewer
FINE_REACH = 3.0  # standard deviations of the good ones
ROUNDS = 2  # of looking closer
LEAST_WIDTH = 0.03  # [ln °C·day]
LEAST_HEAT = 0.02  # of the median, for a note's day to serve as reference


@dataclass(frozen=True)
class Prior:
    """A lake's deviate of the requirement before this season: ``mean`` and ``sd``."""

    mean: float = 0.0
    sd: float = 1.0


@dataclass(frozen=True)
class Drawn:
    """Deviates of equal members after the notes, ``shift`` (members,).

    ``effective`` is how many of the first members carried the weight; ``log_evidence`` the log-likelihood of the notes
    averaged over the prior.
    """

    shift: Floats
    effective: float
    log_evidence: float


def effective_number(log_weight: Doubles) -> float:
    """Return the effective number of weighted members, (sum w)^2 / sum w^2 (Kish 1965 Survey Sampling, from memory)."""
    weight = np.exp(log_weight - log_weight.max())
    return float(weight.sum() ** 2 / (weight**2).sum())


def tempered(log_weight: Doubles, least: float) -> Doubles:
    """Return weights (sum 1) raised to the largest power 1, 1/2, 1/4, ... that leaves ``least`` effective members."""
    power = 1.0
    while effective_number(power * log_weight) < least and power > 1e-6:
        power /= 2
    weight = np.exp(power * (log_weight - log_weight.max()))
    return np.asarray(weight / weight.sum())


def drawn_anew(own: Floats, log_like: LogLike, log_heat: Doubles, requirement: Requirement, *, prior: Prior) -> Drawn:
    """Draw each member's requirement again from what the notes leave possible in its own water.

    Parameters
    ----------
    own
        Deviates drawn before the notes, (members,).
    log_like
        Gives the log-likelihood of the notes for deviates (members, tries).
    log_heat
        ln of the heat that each member had on the notes' days [ln °C·day], (days, members); -inf for none.
    requirement
        Median and the two sides of its spread among lakes.
    prior
        What was known of the lake.

    Notes
    -----
    The members' own draws are weighed first. Tries lie over the prior and, closer, around the good ones: in ln
    requirement less ln heat of the member on the day on which that differs least, because warm water and a large
    requirement stand for the same date. In quantiles of the prior the likelihood is the posterior density; it is taken
    as straight between tries and inverted at the member's own quantile.
    """
    before = own.astype(np.float64)
    first = log_like(before[:, None])[:, 0]
    weight = tempered(first, LEAST_EFFECTIVE * len(first))
    scale = _Scale.of(requirement)
    length = scale.ln(before)
    reference = _reference(length, log_heat, weight, np.log(LEAST_HEAT * requirement.median.value))
    centre = float((weight * (length - reference)).sum())
    width = float(np.sqrt((weight * (length - reference - centre) ** 2).sum())) + LEAST_WIDTH
    for _ in range(ROUNDS):
        tried = _tries(scale, prior, reference + centre, width)
        log_l, at = log_like(prior.mean + prior.sd * tried), ndtr(tried)
        most = float(log_l.max())
        density = np.exp(log_l - most)
        mass = density * np.gradient(at, axis=1)
        apart = scale.ln(prior.mean + prior.sd * tried) - reference[:, None]
        centre = float((mass * apart).sum() / mass.sum())
        width = float(np.sqrt((mass * (apart - centre) ** 2).sum() / mass.sum())) + LEAST_WIDTH
    drawn, total = _inverted(at, density, ndtr((before - prior.mean) / prior.sd))
    shift = prior.mean + prior.sd * np.clip(ndtri(drawn), -REACH, REACH)
    return Drawn(shift.astype(own.dtype), effective_number(first), most + float(np.log(total.mean())))


def _tries(scale: _Scale, prior: Prior, around: Doubles, width: float) -> Doubles:
    """Return rising deviates in units of the prior, (members, tries): over the prior, and within reach of the good."""
    near = scale.deviate(around[:, None] + width * np.linspace(-FINE_REACH, FINE_REACH, FINE))
    wide = np.broadcast_to(np.linspace(-REACH, REACH, COARSE), (len(around), COARSE))
    tried = np.concatenate([wide, np.clip((near - prior.mean) / prior.sd, -REACH, REACH)], axis=1)
    return np.sort(tried, axis=1)


def _inverted(at: Doubles, density: Doubles, quantile: Doubles) -> tuple[Doubles, Doubles]:
    """Return where each row's distribution passes its quantile, and the row's total.

    ``density`` is given at rising ``at`` (rows, n), straight between and level to 0 and 1 outside.
    """
    rows = len(at)
    edge = np.concatenate([np.zeros((rows, 1)), at, np.ones((rows, 1))], axis=1)
    value = np.concatenate([density[:, :1], density, density[:, -1:]], axis=1) + 1e-300
    part = np.diff(edge, axis=1) * (value[:, 1:] + value[:, :-1]) / 2
    passed = np.cumsum(part, axis=1)
    total = passed[:, -1]
    wanted = quantile * total
    cell = np.minimum((passed < wanted[:, None]).sum(axis=1), part.shape[1] - 1)
    row = np.arange(rows)
    before = passed[row, cell] - part[row, cell]
    low, high, width = value[row, cell], value[row, cell + 1], edge[row, cell + 1] - edge[row, cell]
    inside = np.clip(wanted - before, 0, None)
    slope = (high - low) / np.maximum(width, 1e-300)
    step = 2 * inside / np.maximum(low + np.sqrt(np.maximum(low**2 + 2 * slope * inside, 0)), 1e-300)
    return edge[row, cell] + np.minimum(step, width), total


@dataclass(frozen=True)
class _Scale:
    """Between deviates and ln requirement: ``early`` below nought, ``late`` above."""

    early: float
    late: float
    median_ln: float

    @classmethod
    def of(cls, requirement: Requirement) -> _Scale:
        early, late = requirement.ln_sd_early.value, requirement.ln_sd_late.value
        return cls(max(early, 1e-3), max(late, 1e-3), float(np.log(requirement.median.value)))

    def ln(self, deviate: Doubles) -> Doubles:
        return np.asarray(self.median_ln + deviate * self.side(deviate))

    def deviate(self, ln: Doubles) -> Doubles:
        apart = ln - self.median_ln
        return np.asarray(apart / self.side(apart))

    def side(self, deviate: Doubles) -> Doubles:
        return np.asarray(np.where(deviate < 0, self.early, self.late))


def _reference(length: Doubles, log_heat: Doubles, weight: Doubles, least: float) -> Doubles:
    """Return ln heat of the day on which the weighed members' requirements differ least from it, else noughts."""
    best, found = np.inf, np.zeros(len(length))
    for heat in log_heat[(log_heat > least).all(axis=1)]:
        apart = length - heat
        middle = (weight * apart).sum()
        variance = float((weight * (apart - middle) ** 2).sum())
        if variance < best:
            best, found = variance, heat
    return found
