"""From likelihoods to members that count the same: requirements drawn anew, each in its member's own water.

A member keeps its sky and its water (readings act there); what a taxon's sightings change is what its insects needed,
given that water. The weights are therefore those of draws, not of skies: they come from leg 1, common to all slots, and
members stay joint across lakes slot by slot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from emergence.taxa.draws import Deviates
from emergence.taxa.model import Requirement

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
LogLike = Callable[[Deviates], Doubles]

CANDIDATES = 16  # requirements tried in each member's water, its own draw among them
LEAST_EFFECTIVE = 1 / 8  # share of the members that must carry the weight before fresh ones are drawn around them
TAIL = 4.0  # degrees of freedom of Student's t around the good ones
WIDER = 1.3  # than the good ones
LEAST_WIDTH = 0.03  # [ln °C·day]
LEAST_HEAT = 0.02  # of the median, for a note's day to serve as reference


@dataclass(frozen=True)
class Prior:
    """A lake's deviate of the requirement before this season: ``mean`` and ``sd``."""

    mean: float = 0.0
    sd: float = 1.0


@dataclass(frozen=True)
class Drawn:
    """Deviates of equal members, (members,), after the notes.

    ``effective`` is how many of the first members carried the weight; ``log_evidence`` the log-likelihood of the notes
    averaged over the prior.
    """

    deviates: Deviates
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


def drawn_anew(
    own: Deviates,
    log_like: LogLike,
    log_heat: Doubles,
    requirement: Requirement,
    *,
    prior: Prior,
    rng: np.random.Generator,
) -> Drawn:
    """Draw each member's requirement again from what is left possible by the notes in its own water.

    Parameters
    ----------
    own
        Deviates drawn before the notes, (members,).
    log_like
        Gives the log-likelihood of the notes for deviates (members, candidates).
    log_heat
        ln of the heat that each member had on the notes' days [ln °C·day], (days, members); -inf for none.
    requirement
        Median and the two sides of its spread among lakes.
    prior
        What was known of the lake.
    rng
        Keyed generator.

    Returns
    -------
    Drawn
        Equal members.

    Notes
    -----
    Adaptive importance sampling: the members' own draws are weighed first; CANDIDATES - 1 fresh ones for each member
    come from a Student t around the good ones, in ln requirement less ln heat of the member on the day on which that
    differs least (warm water and a large requirement stand for the same date), and are weighed by prior and likelihood
    over the density of the mixture they come from (deterministic mixture; Owen & Zhou 2000 J. Am. Stat. Assoc. 95:135,
    from memory). Each member takes the candidate at its own quantile, so that notes that say nothing change little.
    """
    first = log_like(Deviates(*(v[:, None] for v in (own.shift, own.spread, own.lead))))[:, 0]
    weight = tempered(first, LEAST_EFFECTIVE * len(first))
    scale = _Scale.of(requirement)
    length = scale.ln(own.shift.astype(np.float64))
    reference = _reference(length, log_heat, weight, np.log(LEAST_HEAT * requirement.median.value))
    centre = float((weight * (length - reference)).sum())
    width = WIDER * float(np.sqrt((weight * (length - reference - centre) ** 2).sum())) + LEAST_WIDTH
    fresh = scale.deviate(reference[:, None] + centre + width * rng.standard_t(TAIL, (len(first), CANDIDATES - 1)))
    shift = np.concatenate([own.shift[:, None].astype(np.float64), fresh], axis=1)
    rest = rng.standard_normal((2, *fresh.shape))
    tried = Deviates(
        shift.astype(np.float32),
        *(
            np.concatenate([a[:, None], b], axis=1).astype(np.float32)
            for a, b in zip((own.spread, own.lead), rest, strict=True)
        ),
    )
    log_prior = _log_normal((shift - prior.mean) / prior.sd) - np.log(prior.sd)
    near = (scale.ln(shift) - reference[:, None] - centre) / width
    log_near = _log_student(near) - np.log(width) + np.log(scale.slope(shift))
    mixture = np.logaddexp(log_prior - np.log(CANDIDATES), log_near + np.log(1 - 1 / CANDIDATES))
    log_weight = log_like(tried) + log_prior - mixture
    chosen = _at_quantile(shift, log_weight, ndtr((own.shift.astype(np.float64) - prior.mean) / prior.sd))
    row = np.arange(len(chosen))
    most = log_weight.max()
    evidence = float(most + np.log(np.exp(log_weight - most).mean()))
    picked = Deviates(*(v[row, chosen] for v in (tried.shift, tried.spread, tried.lead)))
    return Drawn(picked, effective_number(first), evidence)


@dataclass(frozen=True)
class _Scale:
    """Between deviates and ln requirement over its median: ``early`` below nought, ``late`` above."""

    early: float
    late: float
    median_ln: float

    @classmethod
    def of(cls, requirement: Requirement) -> _Scale:
        sides = (max(float(q.value), 1e-3) for q in (requirement.ln_sd_early, requirement.ln_sd_late))
        return cls(*sides, float(np.log(requirement.median.value)))

    def ln(self, deviate: Doubles) -> Doubles:
        return np.asarray(self.median_ln + deviate * self.slope(deviate))

    def deviate(self, ln: Doubles) -> Doubles:
        apart = ln - self.median_ln
        return np.asarray(apart / self.slope(apart))

    def slope(self, deviate: Doubles) -> Doubles:
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


def _log_normal(x: Doubles) -> Doubles:
    return np.asarray(-0.5 * x**2 - 0.5 * np.log(2 * np.pi))


def _log_student(x: Doubles) -> Doubles:
    """Return the log density of Student's t with TAIL = 4 degrees of freedom: 3/8 (1 + x^2/4)^(-5/2)."""
    return np.asarray(np.log(3 / 8) - (TAIL + 1) / 2 * np.log1p(x**2 / TAIL))


def _at_quantile(value: Doubles, log_weight: Doubles, quantile: Doubles) -> NDArray[np.int64]:
    """Return which candidate of each row lies at a quantile of the row's weighted values."""
    order = np.argsort(value, axis=1, kind="stable")
    ranked = np.take_along_axis(log_weight, order, axis=1)
    share = np.cumsum(np.exp(ranked - ranked.max(axis=1, keepdims=True)), axis=1)
    at = (share / share[:, -1:] < quantile[:, None]).sum(axis=1)
    return np.take_along_axis(order, np.minimum(at, value.shape[1] - 1)[:, None], axis=1)[:, 0]
