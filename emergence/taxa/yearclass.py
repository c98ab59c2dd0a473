"""Year-classes: nymphs of several summers in one lake, over many years of water temperature.

Eggs are laid after the adults have emerged; nymphs grow by degree-days until autumn, when short days and cold stop
them; in midwinter everybody who has reached the last three instars is marked for the coming season, smaller ones grow
on for another year (Norling 1984, Odonatologica 13:429, Coenagrion hastulatum). Whoever reaches them later in the
summer waits for the winter too, however warm the water: the long-day block. Nymphs of one clutch differ by a factor
that each keeps for life, so the share of a clutch beyond any size follows from the heat since its eggs were laid, and
no day-by-day bookkeeping is needed. Arrays are (years, cells): lakes times points, or whatever the caller likes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.randomness import keyed_generators
from emergence.solar import day_length
from emergence.taxa.compiled_classes import coming_kernel, season_heat_kernel
from emergence.taxa.draws import ln_sd
from emergence.taxa.model import Taxon, YearClass
from emergence.taxa.population import LOGISTIC_SD, columns_of, crossing, heat_at, ready_share

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]

CLUTCHES = (0.1, 0.3, 0.5, 0.7, 0.9)  # shares of the emerged at which the clutches of a summer are laid
OLDEST = 8  # winters; a nymph that is not in its last three instars by then dies (our prior)
SPIN_UP = 30  # least years of the record, repeated, before its own years are run: leaves under 1 % of the start
NOBODY = 1e-3  # a smaller share of a clutch is none: the curve has no end, animals do
SPRING_SHARE = 0.45  # of the usual year's heat; no lake's own insects need more to emerge (our prior)
INSTARS = ("younger", "F-2", "F-1", "full-grown")


@dataclass(frozen=True)
class Traits:
    """A taxon's year-class numbers, as ``model.YearClass`` has them, and what it takes from elsewhere.

    ``median``, ``spread`` [°C·day] from biofix to emergence, ``lay_after`` [d] from emergence to the middle egg.
    ``wintering_eggs`` tells of taxa without a nymph in winter: every egg matures in the next season or dies.
    """

    critical: float
    grown: float
    dispersion: float
    shortest_day: float
    survival: float
    density: float
    carry: float
    eggs_wait: bool
    wintering_eggs: bool
    median: float
    spread: float
    lay_after: float


@dataclass(frozen=True)
class SeasonHeat:
    """What a season's warmth does, in double precision.

    ``annual`` [°C·day] (years, cells) from midwinter to the autumn arrest; ``after`` [°C·day] (years, clutches, cells)
    from egg to that arrest; ``emerged`` [0..1] (years, cells) the share of the maturing that leaves the water in time.
    """

    annual: Doubles
    after: Doubles
    emerged: Doubles


@dataclass(frozen=True)
class Balance:
    """Nymphs of each year (years, cells): hatched, emerged, dead, present at its end; ``before`` (cells,) the first."""

    before: Doubles
    hatched: Doubles
    emerged: Doubles
    dead: Doubles
    present: Doubles


@dataclass(frozen=True)
class YearClasses:
    """A lake's year-classes; the last of ``years + 1`` seasons is the one to come.

    ``maturing`` (years + 1, cells): numbers marked for the season, over their mean in the years run (0 where none ever
    mature). ``ages`` (years + 1, OLDEST, cells): shares of those aged 1, 2, ... winters: years from egg to adult.
    ``instars`` (years + 1, 4, cells): shares of all nymphs in the winter before by INSTARS. ``winter_sd`` [°C·day]
    (years + 1, cells): how far the marked nymphs differ in what they still have to grow. ``younger`` (years + 1,
    cells): nymphs that wait, for each that is marked.
    """

    maturing: Doubles
    ages: Doubles
    instars: Doubles
    winter_sd: Doubles
    younger: Doubles
    balance: Balance


def traits(taxon: Taxon) -> Traits:
    """Return a taxon's traits.

    Raises
    ------
    ValueError
        When the taxon has no year-classes.
    """
    part, adult, need = taxon.year_class, taxon.adult, taxon.growth.requirement
    if part is None:
        raise ValueError(f"{taxon.id} has no year-classes")
    values = {
        name: number.value if (number := getattr(part, name)) is not None else 0.0
        for name in ("critical", "grown", "dispersion", "shortest_day", "survival", "density", "carry")
    }
    return Traits(
        **values,
        eggs_wait=part.eggs_wait,
        wintering_eggs=part.last_winter == "egg",
        median=need.median.value,
        spread=need.spread.value,
        lay_after=0.0 if adult is None else adult.maturation.value + 0.5 * adult.life.value,
    )


def autumn_arrest(latitude: Floats, shortest_day: float, *, days_of_year: Ints, solstice: int) -> Ints:
    """Return the first day index after midsummer with days shorter than a length; the number of days if none is.

    Parameters
    ----------
    latitude
        Shape (cells,) [degrees north].
    shortest_day
        Day length [h].
    days_of_year
        Day of the year of each day index, shape (days,).
    solstice
        Index of the longest day.
    """
    light = day_length(latitude[None, :], days_of_year[solstice:, None])
    short = light < shortest_day
    return np.where(short.any(axis=0), solstice + np.argmax(short, axis=0), len(days_of_year))


def season_heat(
    cumulative: Floats, own: Traits, *, start: NDArray[np.int16], arrest: Ints, axis: int = 0
) -> SeasonHeat:
    """Return what the years' warmth means for a taxon.

    Parameters
    ----------
    cumulative
        Degree-days since midwinter at the nymph's depth [°C·day], (days, years, cells) float32; or with the years and
        the cells over more axes in another order.
    own
        The taxon.
    start
        Day index of the emergence's biofix, int16 of the shape of a day.
    arrest
        Day index from which nobody grows or emerges, shape (cells,).
    axis
        Which axis of a day holds the years; the others are the cells.

    Notes
    -----
    Emergence follows ``population.ready_share`` without gates, clutches are laid ``lay_after`` days later. A lake whose
    usual year has little heat holds insects that need less of it: the requirement is held to SPRING_SHARE of that year.
    """
    if season_heat_kernel is not None and cumulative.dtype == np.float32:
        return _season_heat(cumulative, own, start=start, arrest=arrest, axis=axis)
    return _season_heat_plain(cumulative, own, start=start, arrest=arrest, axis=axis)


def _season_heat(cumulative: Floats, own: Traits, *, start: NDArray[np.int16], arrest: Ints, axis: int) -> SeasonHeat:
    outer, years = int(np.prod(start.shape[:axis])), start.shape[axis]
    cells = start.size // years
    inner = cells // outer
    annual, emerged, after = np.zeros((years, cells)), np.zeros((years, cells)), np.zeros((years, len(CLUTCHES), cells))
    columns = columns_of(cumulative).reshape(outer, years, inner, -1)
    lays = not (own.eggs_wait or own.wintering_eggs)
    numbers = (own.median, own.spread, SPRING_SHARE, 0.5 * LOGISTIC_SD, round(own.lay_after), lays)
    begin = np.ascontiguousarray(start).reshape(outer, years, inner)
    assert season_heat_kernel is not None
    season_heat_kernel(columns, begin, arrest.astype(np.int64), numbers, np.array(CLUTCHES), (annual, emerged, after))
    return SeasonHeat(annual, after, emerged)


def _season_heat_plain(
    cumulative: Floats, own: Traits, *, start: NDArray[np.int16], arrest: Ints, axis: int
) -> SeasonHeat:
    rest = tuple(n for k, n in enumerate(start.shape) if k != axis)
    years = start.shape[axis]
    flat = cumulative.reshape(len(cumulative), -1)

    def by_year(day: Floats) -> Doubles:
        return np.moveaxis(day.reshape(start.shape), axis, 0).reshape(years, -1).astype(np.float64)

    def as_given(cells: NDArray[np.generic]) -> NDArray[Any]:
        return np.moveaxis(cells.reshape(years, *rest), 0, axis).reshape(-1)

    stop = as_given(np.tile(arrest, (years, 1)))
    annual = by_year(_before(flat, stop))
    usual = _added(annual) / years
    eased = np.minimum(1.0, SPRING_SHARE * usual / own.median) if own.median > 0 else np.ones_like(usual)
    median, spread = own.median * eased, own.spread * np.maximum(eased, 0.05)
    offset = by_year(heat_at(cumulative, start))
    emerged = np.where(np.isfinite(offset), ready_share(annual - offset, median, spread), 0.0)
    after = np.zeros((years, len(CLUTCHES), annual.shape[1]))
    for k, share in enumerate(CLUTCHES):
        if own.eggs_wait or own.wintering_eggs:
            break
        out = np.clip(share * emerged, 1e-12, 1 - 1e-12)
        level = offset + median + spread / LOGISTIC_SD * np.log(out / (1 - out))
        day = crossing(flat, as_given(level.astype(np.float32))).astype(np.int64)
        laid = np.where(day == NEVER, stop, np.minimum(day + round(own.lay_after), stop))
        after[:, k] = annual - by_year(_before(flat, laid))
    return SeasonHeat(annual, after, emerged)


def _before(flat: Floats, day: Ints) -> Floats:
    """Return the sum gathered before each cell's day index."""
    value = np.take_along_axis(flat, np.clip(day - 1, 0, len(flat) - 1)[None], axis=0)[0]
    return np.where(day > 0, value, np.float32(0))


@dataclass(frozen=True)
class _Marks:
    """By birth year and age, (years, OLDEST, cells): of a clutch's nymphs, those newly marked, and how far they are.

    All are shares of those not yet marked a winter earlier: ``new``, of them ``half`` at least F-1 and ``full``
    full-grown.
    """

    new: Doubles
    half: Doubles
    full: Doubles


def _marks(heat: SeasonHeat, own: Traits) -> _Marks:
    years, cells = heat.annual.shape
    shape = (years, OLDEST, cells)
    if own.wintering_eggs:
        first = np.zeros(shape)
        first[:, 0] = 1.0
        return _Marks(first, first, first)
    total: Doubles = heat.after
    known, new, half, full = np.zeros_like(total), np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for age in range(OLDEST):
        if age:
            total = total + np.roll(heat.annual, -age, axis=0)[:, None]
        beyond = [
            _beyond(total, level, own.dispersion)
            for level in (own.critical, 0.5 * (own.critical + own.grown), own.grown)
        ]
        rest = np.maximum(1.0 - _mean(known), 1e-12)
        for out, share in zip((new, half, full), beyond, strict=True):
            out[:, age] = np.clip(_mean(np.maximum(share - known, 0.0)) / rest, 0.0, 1.0)
        known = beyond[0]
    return _Marks(new, half, full)


def _beyond(heat: Doubles, level: float, dispersion: float) -> Doubles:
    """Return the share of nymphs that have passed a size: ``ready_share``, in single precision for speed."""
    scale = LOGISTIC_SD / dispersion
    power = np.clip(scale * (1.0 - heat / level), -60.0, 60.0).astype(np.float32)
    share = np.asarray(1.0 / (1.0 + np.exp(power)), dtype=np.float64)
    return np.where(share < NOBODY, 0.0, share)


def _mean(clutches: Doubles) -> Doubles:
    """Return the mean over clutches (years, clutches, cells), summed in one order."""
    return np.asarray(_added(clutches[:, k] for k in range(clutches.shape[1])) / clutches.shape[1])


def _added(rows: Iterable[Doubles]) -> Doubles:
    """Return the sum of rows, one after the other: the same for any number of cells."""
    return np.asarray(sum(rows, start=np.zeros(1)))


@dataclass
class _Nymphs:
    """Numbers alive in midwinter, each (OLDEST, cells) by winters passed.

    ``young`` wait another year; ``ripe`` are marked for the season; of these ``half`` are at least F-1 and ``full``
    full-grown.
    """

    young: Doubles
    ripe: Doubles
    half: Doubles
    full: Doubles

    def all(self) -> Doubles:
        return _added(self.young) + _added(self.ripe)


def year_classes(heat: SeasonHeat, own: Traits, *, hatch: Floats | None = None) -> YearClasses:
    """Run the year-classes of every cell through the record, after repeating it until they are stationary.

    Parameters
    ----------
    heat
        Warmth of each year, (years, cells).
    own
        The taxon.
    hatch
        Share of each year's recruits that live, (years,), 1 if not given: a year damaged by other causes.

    Returns
    -------
    YearClasses

    Notes
    -----
    Recruits = hatch * emerged ** density: numbers come back from any damage, the faster the smaller ``density`` (the
    Gompertz form, Dennis and Taper 1994, Ecological Monographs 64:205). The mortality is even over the year, half of it
    before the emergence. Marked nymphs that do not get out before autumn wait for the next season; where eggs winter,
    they die.
    """
    years, cells = heat.annual.shape
    live = np.ones(years) if hatch is None else np.asarray(hatch, dtype=np.float64)
    marks = _marks(heat, own)
    one = np.ones((OLDEST, cells))
    nymphs = _Nymphs(one, one.copy(), one.copy(), one.copy())
    for _ in range(-(-SPIN_UP // years)):
        for year in range(years):
            nymphs, _flows = _season(nymphs, marks, heat.emerged[year], own, year, 1.0)
    states, flows = [nymphs], []
    for year in range(years):
        nymphs, flow = _season(nymphs, marks, heat.emerged[year], own, year, float(live[year]))
        states.append(nymphs)
        flows.append(flow)
    present = np.stack([s.all() for s in states])
    hatched, emerged, dead = (np.stack(column) for column in zip(*flows, strict=True))
    return _summed(states, own, Balance(present[0], hatched, emerged, dead, present[1:]))


def _season(
    nymphs: _Nymphs, marks: _Marks, leaving: Doubles, own: Traits, year: int, live: float
) -> tuple[_Nymphs, tuple[Doubles, Doubles, Doubles]]:
    """Return the nymphs a winter later, and who hatched, emerged and died in between."""
    half_year = np.sqrt(own.survival)
    at_flight = half_year * nymphs.ripe
    out = leaving * at_flight
    late = at_flight - out
    kept = np.zeros_like(out) if own.wintering_eggs else half_year * late
    young = own.survival * nymphs.young
    emerged = _added(out)
    hatched = np.where(emerged > 0, live * emerged**own.density, 0.0)
    dead = _added((nymphs.ripe - at_flight) + (late - kept) + (nymphs.young - young)) + (1 - half_year) * hatched
    dead = dead + young[-1] + kept[-1]
    older = _Nymphs(*(np.zeros_like(young) for _ in range(4)))
    older.young[1:], older.ripe[1:] = young[:-1], kept[:-1]
    older.young[0] = half_year * hatched
    older.half, older.full = older.ripe.copy(), older.ripe.copy()
    age = np.arange(OLDEST)
    birth = (year - age) % len(marks.new)
    new = marks.new[birth, age]
    older.half += older.young * np.minimum(marks.half[birth, age], new)
    older.full += older.young * np.minimum(marks.full[birth, age], new)
    marked = older.young * new
    older.young -= marked
    older.ripe += marked
    return older, (hatched, emerged, dead)


def _summed(states: list[_Nymphs], own: Traits, balance: Balance) -> YearClasses:
    ripe = np.stack([s.ripe for s in states])
    young = np.stack([_added(s.young) for s in states])
    half, full = (np.stack([_added(getattr(s, name)) for s in states]) for name in ("half", "full"))
    number = np.stack([_added(s.ripe) for s in states])
    some = number > 0
    safe = np.where(some, number, 1.0)
    usual = _added(number[:-1]) / (len(states) - 1)
    everyone = np.where(young + number > 0, young + number, 1.0)
    sizes = np.stack([young, number - half, half - full, full], axis=1) / everyone[:, None]
    return YearClasses(
        maturing=np.where(usual > 0, number / np.where(usual > 0, usual, 1.0), 0.0),
        ages=ripe / safe[:, None],
        instars=sizes,
        winter_sd=np.where(some, _size_sd((number - half) / safe, (half - full) / safe, own), 0.0),
        younger=np.where(some, young / safe, 0.0),
        balance=balance,
    )


def _size_sd(two_short: Doubles, one_short: Doubles, own: Traits) -> Doubles:
    """Return the standard deviation of what is left to grow [°C·day]: even within F-2 and F-1, nothing when grown."""
    width = 0.5 * (own.grown - own.critical)
    mean = width * (1.5 * two_short + 0.5 * one_short)
    square = width**2 * (two_short * (1.5**2 + 1 / 12) + one_short * (0.5**2 + 1 / 12))
    return np.sqrt(np.maximum(square - mean**2, 0.0))


@dataclass(frozen=True)
class Coming:
    """The season to come in every cell, the last of `YearClasses`: (cells,), ``ages`` (OLDEST, cells)."""

    strength: Doubles
    winter_sd: Doubles
    younger: Doubles
    ages: Doubles


def coming(heat: SeasonHeat, own: Traits) -> Coming:
    """Return what ``year_classes`` gives for the season to come alone, compiled where numba is installed."""
    if coming_kernel is None:
        classes = year_classes(heat, own)
        return Coming(classes.maturing[-1], classes.winter_sd[-1], classes.younger[-1], classes.ages[-1])
    years, cells = heat.annual.shape
    strength, two_short, one_short, younger = np.zeros((4, cells))
    ages = np.zeros((OLDEST, cells))
    scale = 1.0 if own.wintering_eggs else LOGISTIC_SD / own.dispersion
    levels = (own.critical, 0.5 * (own.critical + own.grown), own.grown, scale, NOBODY)
    coming_kernel(
        (heat.annual, heat.emerged, heat.after),
        levels,
        (own.survival, own.density, own.wintering_eggs),
        -(-SPIN_UP // years),
        (strength, two_short, one_short, younger, ages),
    )
    return Coming(strength, _size_sd(two_short, one_short, own), younger, ages)


def generation(classes: YearClasses) -> Doubles:
    """Return the mean age at emergence [winters] over the years run, shape (cells,), weighted by numbers."""
    number = classes.maturing[:-1]
    age = _added(classes.ages[:-1, k] * (k + 1) for k in range(OLDEST)) * number
    total = _added(number)
    return np.asarray(_added(age) / np.where(total > 0, total, 1.0))


@dataclass(frozen=True)
class PointClasses:
    """The season to come at a few points of each lake's warm-cold range.

    ``offset_c`` [°C] (points,), ascending, from the lake's central water. The rest is (lakes, points): ``annual`` the
    usual year's heat [°C·day], ``strength`` the maturing numbers over their mean, ``winter_sd`` [°C·day] and
    ``younger`` as in `YearClasses`; ``ages`` (lakes, points, OLDEST).
    """

    offset_c: Doubles
    annual: Doubles
    strength: Doubles
    winter_sd: Doubles
    younger: Doubles
    ages: Doubles

    def take(self, lakes: Ints) -> PointClasses:
        """Return some lakes."""
        return replace(self, **{k: v[lakes] for k, v in vars(self).items() if k != "offset_c"})


@dataclass(frozen=True)
class MemberClasses:
    """The season to come in every member, (lakes, members) float32.

    ``strength``: maturing numbers over their mean in the past years; ``uneven`` [°C·day]: what is left at emergence of
    the winter's differences; ``younger``: nymphs that wait, for each that matures.
    """

    strength: NDArray[np.float32]
    uneven: NDArray[np.float32]
    younger: NDArray[np.float32]


def member_classes(
    points: PointClasses, taxon: Taxon, deviation_c: Floats, lake_ids: NDArray[np.object_], *, seed: int
) -> MemberClasses:
    """Give every member its year-classes.

    Parameters
    ----------
    points
        The lakes' points.
    taxon
        The taxon.
    deviation_c
        How far each member's water lies from the central one [°C], shape (lakes, members).
    lake_ids
        Keys, shape (lakes,).
    seed
        The run's seed.

    Notes
    -----
    A member whose own critical heat is larger by a factor stands where a lake has less heat by that factor. Members
    outside the points take the outermost. Numbers vary by ``ln_sd`` for all that is not modelled.
    """
    part = taxon.year_class
    if part is None:
        raise ValueError(f"{taxon.id} has no year-classes")
    carry = 0.0 if part.carry is None else part.carry.value
    own, other = _numbers(taxon, lake_ids, seed, members=deviation_c.shape[1])
    heat, at = _places(points, part, deviation_c, own)
    value = np.stack([points.strength, points.winter_sd, points.younger])
    strength, winter_sd, younger = _between(at, heat, value).astype(np.float32)
    strength = (strength * np.exp(part.ln_sd.value * other)).astype(np.float32)
    return MemberClasses(strength, np.float32(carry) * winter_sd, younger)


def member_ages(points: PointClasses, taxon: Taxon, deviation_c: Floats, key: str, *, seed: int) -> Doubles:
    """Return the shares of those aged 1, 2, ... years among the maturing, (OLDEST,): the mean over one lake's members.

    Parameters
    ----------
    points
        The lake's points (one lake).
    taxon
        The taxon.
    deviation_c
        How far each member's water lies from the central one [°C], (members,).
    key
        The lake's key.
    seed
        The run's seed: the members are those of ``member_classes``.
    """
    if taxon.year_class is None:
        raise ValueError(f"{taxon.id} has no year-classes")
    own, _ = _numbers(taxon, np.array([key], dtype=object), seed, members=len(deviation_c))
    heat, at = _places(points, taxon.year_class, deviation_c[None], own)
    return np.asarray(_between(at, heat, np.moveaxis(points.ages, 2, 0)).mean(axis=(1, 2)))


def _numbers(taxon: Taxon, lake_ids: NDArray[np.object_], seed: int, *, members: int) -> tuple[Doubles, Doubles]:
    """Return two deviates of every member, of its critical heat and of its numbers, each (lakes, members)."""
    drawn = np.empty((len(lake_ids), 2, members))
    for own, rng in zip(drawn, keyed_generators(seed, "year-class", taxon.id, keys=map(str, lake_ids)), strict=True):
        own[:] = rng.standard_normal(own.shape)
    return drawn[:, 0], drawn[:, 1]


def _places(points: PointClasses, part: YearClass, deviation_c: Floats, own: Doubles) -> tuple[Doubles, Doubles]:
    """Return the log heat of each lake's points, (lakes, points), and where each member stands on it."""
    own_sd = 0.0 if part.critical is None else ln_sd(part.critical)
    usual = np.maximum.accumulate(np.maximum(points.annual, 1.0), axis=1)
    heat = np.log(usual + np.arange(len(points.offset_c)) * 1e-6)
    offset = np.broadcast_to(points.offset_c, heat.shape)
    return heat, _between(deviation_c.astype(np.float64), offset, heat[None])[0] - own_sd * own


def _between(x: Doubles, at: Doubles, value: Doubles) -> Doubles:
    """Return ``numpy.interp`` of every lake, (k, lakes, n).

    ``x`` (lakes, n) lies among ``at`` (lakes, points), where ``value`` (k, lakes, points) is known.
    """
    lake = np.arange(len(at))[:, None]
    left = np.zeros(x.shape, dtype=np.int64)
    for point in range(1, at.shape[1] - 1):
        left += x >= at[:, point, None]
    slope = np.diff(value, axis=2) / np.diff(at, axis=1)
    inside = slope[:, lake, left] * (x - at[lake, left]) + value[:, lake, left]
    low, high = x < at[:, :1], x >= at[:, -1:]
    return np.asarray(np.where(low, value[:, :, :1], np.where(high, value[:, :, -1:], inside)))
