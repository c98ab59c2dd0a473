"""Which stages are about: young nymphs, mature ones, those on the move, adults, by date and lake."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.forecast.field import Field, layer_of
from emergence.forecast.weighing import MemberTaxon, member_taxon
from emergence.taxa.model import Taxon
from emergence.taxa.population import LOGISTIC_SD, Gates, Requirements, heat_at, widened
from emergence.taxa.yearclass import MemberClasses

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
Bools = NDArray[np.bool_]

MATURE_SHARE = 0.5  # of the requirement met: a nymph counts as mature; our prior


@dataclass(frozen=True)
class AdultLife:
    """After the water: ``flies_after_h`` [h], ``maturation_d`` [d] and the mean life from then on ``life_d`` [d].

    ``egg_d`` [d] from laying to hatching, None where eggs winter; ``survival``: share of nymphs alive after a year.
    """

    flies_after_h: float
    maturation_d: int
    life_d: float
    egg_d: int | None = None
    survival: float = 1.0


@dataclass(frozen=True)
class Stages:
    """Numbers of each stage for each nymph alive in spring: means over members, (days, lakes).

    ``young`` nymphs, those of later years among them; ``mature`` nymphs; nymphs on the ``moving`` to shore (0 for taxa
    without a migration); adults: ``soft`` ones of the day that cannot fly yet, and all of them, ``adult``; ``hatched``:
    nymphs of the eggs laid this season, as many as will live to spring.
    """

    young: Doubles
    mature: Doubles
    moving: Doubles
    soft: Doubles
    adult: Doubles
    hatched: Doubles

    def shares(self) -> dict[str, Doubles]:
        """Return the share of young, mature, moving and adult in all that live; 0 where nothing lives."""
        parts = {"young": self.young + self.hatched, "mature": self.mature, "moving": self.moving, "adult": self.adult}
        total = sum(parts.values())
        return {name: np.where(total > 0, part / np.where(total > 0, total, 1.0), 0.0) for name, part in parts.items()}


def adult_life(taxon: Taxon) -> AdultLife | None:
    """Return how a taxon's adults live, None where its file does not say."""
    part = taxon.adult
    if part is None:
        return None
    return AdultLife(
        part.flies_after.value,
        round(part.maturation.value),
        part.life.value,
        None if part.egg is None else round(part.egg.value),
        1.0 if taxon.year_class is None else taxon.year_class.survival.value,
    )


def hard_frost(air_min_c: Floats, frost_c: float, *, solstice: int) -> Bools:
    """Return the days after midsummer on which the air falls to a hard frost.

    Parameters
    ----------
    air_min_c
        Daily minimum of the air [°C], time first.
    frost_c
        Hard frost [°C].
    solstice
        Index of the longest day.
    """
    frost = np.asarray(air_min_c <= frost_c)
    frost[: solstice + 1] = False
    return frost


def stage_numbers(
    cumulative: Floats,
    need: Requirements,
    *,
    gates: Gates,
    start: NDArray[np.int16],
    life: AdultLife,
    frost: Bools,
    younger: Floats,
) -> Stages:
    """Follow every member's first brood through its stages.

    Parameters
    ----------
    cumulative
        Degree-days since the first simulated day [°C·day], (days, lakes, slots, replicates).
    need
        Requirements, of cell shape.
    gates
        What ready insects wait for.
    start
        Day index of the biofix, int16 of cell shape.
    life
        How adults live.
    frost
        Hard frosts, (days, lakes, slots).
    younger
        Nymphs that wait for a later year, for each that matures, (lakes, members).

    Notes
    -----
    A nymph is mature from MATURE_SHARE of its requirement on, and on the move from its lead on; it leaves the water as
    in ``population.leave_water``. Adults breed after ``maturation_d`` days and then die at the rate 1 / ``life_d``; a
    hard frost ends all of them. Nymphs of later years stay as many as they are. A member counts by its nymphs of
    spring, whether they mature this year or later, so a weak year-class does not outweigh the others. Adults that live
    out their lives leave as many young as keep the numbers level: one each and one for every older nymph that dies in
    the year.
    """
    days, lakes = cumulative.shape[:2]
    flat, cell = cumulative.reshape(days, -1), np.arange(cumulative[0].size)
    icy = frost.reshape(days, -1)
    sky = cell // (len(cell) // icy.shape[1])
    centre = np.ravel(heat_at(cumulative, start) + need.median)
    steep = np.float32(LOGISTIC_SD) / np.ravel(need.spread)
    ahead = np.float32(MATURE_SHARE) * np.ravel(need.median)
    lead = None if need.move_before is None else np.minimum(np.ravel(need.move_before), ahead)
    gone = np.zeros(len(cell), dtype=np.float32)
    adults = _Adults.none(life, len(cell))
    each = 1 / (1 + np.asarray(younger, dtype=np.float64))  # of a member's nymphs of spring, those that mature
    recruits, laid = (1 + (1 - life.survival) * younger) * each, np.zeros((days, lakes))
    out = np.zeros((6, days, lakes))
    for day in range(days):
        heat = flat[day] - centre
        grown = np.maximum(_share(heat + ahead, steep), gone)
        afoot = gone if lead is None else np.maximum(_share(heat + lead, steep), gone)
        left = np.maximum(_share(heat, steep) - gone, 0) * gates.opened(day, cell)
        moving = afoot - gone - left if lead is not None else np.zeros_like(gone)
        gone = gone + left
        mature = grown - gone - np.maximum(moving, 0)
        soft = left * np.float32(min(life.flies_after_h / 24.0, 1.0))
        alive = adults.after(left, icy[day][sky])
        laid[day] = (adults.died.reshape(lakes, -1) * recruits).mean(axis=1)
        rows = (1 - grown, np.maximum(mature, 0), np.maximum(moving, 0), np.where(icy[day][sky], 0, soft), alive)
        for row, value in zip(out[:5, day], rows, strict=True):
            row[:] = (value.reshape(lakes, -1) * each).mean(axis=1)
    out[0] += (younger * each).mean(axis=1)
    if life.egg_d is not None:
        out[5, life.egg_d :] = np.cumsum(laid[: days - life.egg_d], axis=0)
    return Stages(*out)


def _share(heat: Floats, steep: Floats) -> Floats:
    """Return ``population.ready_share`` of heat already centred."""
    return np.asarray(0.5 + 0.5 * np.tanh(np.float32(0.5) * heat * steep), dtype=np.float32)


@dataclass
class _Adults:
    """Adults of every cell: ``tender`` (days of maturation, cells), the youngest first, and ``breeding`` (cells,).

    ``died``: those that came to the end of their lives on the last day.
    """

    tender: Floats
    breeding: Floats
    stay: np.float32
    died: Floats

    @classmethod
    def none(cls, life: AdultLife, cells: int) -> _Adults:
        tender = np.zeros((life.maturation_d, cells), dtype=np.float32)
        none = np.zeros(cells, dtype=np.float32)
        return cls(tender, none, np.float32(np.exp(-1 / life.life_d)), none)

    def after(self, emerged: Floats, frost: Bools) -> Floats:
        """Let a day pass; return how many are alive."""
        self.died = self.breeding * (1 - self.stay)
        self.breeding = self.breeding * self.stay
        if len(self.tender):
            self.breeding += self.tender[-1]
            self.tender[1:] = self.tender[:-1].copy()
            self.tender[0] = emerged
        else:
            self.breeding += emerged
        self.tender[:, frost] = 0
        self.breeding[frost] = 0
        alive = self.breeding.copy()
        for row in self.tender:
            alive += row
        return alive


def taxon_stages(
    taxon: Taxon,
    field: Field,
    lake_ids: NDArray[np.object_],
    *,
    seed: int,
    classes: MemberClasses | None = None,
    drawn: MemberTaxon | None = None,
) -> Stages | None:
    """Return the stages of a taxon's first brood with the members' own numbers, None where its adults are not known.

    Parameters
    ----------
    taxon
        The taxon.
    field
        The block's water, air and light.
    lake_ids
        Keys of the lakes, shape (lakes,).
    seed
        The run's seed.
    classes
        The members' year-classes, for taxa that have them.
    drawn
        The members' own numbers, None to draw them as they are without any note.
    """
    life = adult_life(taxon)
    if life is None or taxon.adult is None:
        return None
    cells, growth = field.water_c.shape[1:], taxon.growth
    members = cells[1] * cells[2]
    drawn = drawn or member_taxon(taxon, field, lake_ids, seed=seed, classes=classes)
    need = drawn.needs[0]
    lower, upper, layer = growth.lower.value, growth.upper.value if growth.upper else None, layer_of(taxon.depth)
    start = field.start(taxon.start)
    return stage_numbers(
        field.heat(lower, upper, layer),
        widened(need, field.uneven_heat(lower, upper, layer, start=start, need=need.median)),
        gates=field.gates(taxon.gates, drawn.shifts),
        start=start,
        life=life,
        frost=hard_frost(field.air_min_c, taxon.adult.hard_frost.value, solstice=field.solstice),
        younger=np.zeros((cells[0], members)) if classes is None else classes.younger,
    )
