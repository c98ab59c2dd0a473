"""Which stages are about: young nymphs, mature ones, those on the move, adults, by date and lake."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.forecast import compiled_stages
from emergence.forecast.field import Field, layer_of
from emergence.forecast.weighing import MemberTaxon, member_taxon
from emergence.taxa.compiled import MOST_GATES
from emergence.taxa.model import Taxon
from emergence.taxa.population import LOGISTIC_SD, Gates, Requirements, columns_of, heat_at, widened
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
    median, ahead = np.ravel(need.median), np.float32(MATURE_SHARE) * np.ravel(need.median)
    half_steep = np.float32(0.5 * LOGISTIC_SD) / np.ravel(need.spread)
    lead = None if need.move_before is None else np.minimum(np.ravel(need.move_before), ahead) * half_steep
    none = np.full_like(ahead, -1)
    centre = np.ravel(heat_at(cumulative, start)) + median
    scales = np.stack([centre, half_steep, ahead * half_steep, none if lead is None else lead]).astype(np.float32)
    share = 1 / (1 + np.asarray(younger, dtype=np.float64))  # of a member's nymphs of spring, those that mature
    each = np.stack([share, (1 + (1 - life.survival) * younger) * share])
    members = scales.shape[1] // lakes
    weights = np.ascontiguousarray(np.broadcast_to(each, (2, lakes, members)).reshape(2, -1))
    out, laid = np.zeros((5, lakes, days)), np.zeros((lakes, days))
    adult = life.maturation_d, np.float32(np.exp(-1 / life.life_d)), np.float32(min(life.flies_after_h / 24.0, 1.0))
    fast = compiled_stages.follow is not None and len(gates.bounds) <= MOST_GATES
    (_follow_fast if fast else _follow)(cumulative, scales, (gates, frost), adult, weights, (out, laid))
    out /= members
    out[0] += (younger * share).mean(axis=1)[:, None]
    hatched = np.zeros((days, lakes))
    if life.egg_d is not None:
        hatched[life.egg_d :] = np.cumsum(laid.T[: days - life.egg_d], axis=0) / members
    return Stages(*(np.ascontiguousarray(numbers.T) for numbers in (*out, hatched.T)))


def _follow_fast(
    cumulative: Floats,
    scales: Floats,
    days: tuple[Gates, Bools],
    adult: tuple[int, np.float32, np.float32],
    weights: Doubles,
    found: tuple[Doubles, Doubles],
) -> None:
    """Fill ``found``: numbers of each stage (5, lakes, days) and the dying (lakes, days), by the compiled kernel."""
    gates, frost = days
    assert compiled_stages.follow is not None
    compiled_stages.follow(
        columns_of(cumulative.astype(np.float32, copy=False)),
        scales,
        (columns_of(gates.frozen), *gates.packed()),
        columns_of(frost),
        (np.uintp(adult[0]), *adult[1:]),
        weights,
        found,
    )


def _follow(
    cumulative: Floats,
    scales: Floats,
    days: tuple[Gates, Bools],
    adult: tuple[int, np.float32, np.float32],
    weights: Doubles,
    found: tuple[Doubles, Doubles],
) -> None:
    """Do what ``compiled_stages.follow`` does, day by day."""
    (gates, frost), (tender_d, stay, soft_d), (out, laid) = days, adult, found
    heat, icy = (values.reshape(len(values), -1) for values in (cumulative, frost))
    lakes, cells = out.shape[1], heat.shape[1]
    cell = np.arange(cells)
    sky = cell // (cells // icy.shape[1])
    centre, half_steep, ahead, lead = scales
    gone, adults = np.zeros(cells, dtype=np.float32), _Adults.none(tender_d, stay, cells)
    for day, warm in enumerate(heat):
        ready, cold = (warm - centre) * half_steep, icy[day][sky]
        grown = np.maximum(_share(ready + ahead), gone)
        left = np.maximum(_share(ready) - gone, 0) * gates.opened(day, cell)
        afoot = np.maximum(_share(ready + lead), gone) - gone - left
        moving = np.where(lead >= 0, np.maximum(afoot, 0), 0)
        gone = gone + left
        alive = adults.after(left, cold)
        laid[:, day] = (adults.died * weights[1]).reshape(lakes, -1).sum(axis=1)
        rows = (1 - grown, np.maximum(grown - gone - moving, 0), moving, np.where(cold, 0, left * soft_d), alive)
        for row, value in zip(out[:, :, day], rows, strict=True):
            row[:] = (value * weights[0]).reshape(lakes, -1).sum(axis=1)


def _share(scaled: Floats) -> Floats:
    """Return ``population.ready_share`` of heat already centred and scaled."""
    return np.asarray(0.5 + 0.5 * np.tanh(scaled), dtype=np.float32)


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
    def none(cls, maturation_d: int, stay: np.float32, cells: int) -> _Adults:
        none = np.zeros(cells, dtype=np.float32)
        return cls(np.zeros((maturation_d, cells), dtype=np.float32), none, stay, none)

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
