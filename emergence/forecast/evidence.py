"""What a sighting says of a member: numbers of each stage on that day, the chance to see them, log-likelihoods.

A note is one stage of one taxon looked for on one lake and day, and none, few or many seen; "looked and saw none"
counts. Constants without another word are our prior: no study of guides' notes was at hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.forecast.compiled_notes import numbers_kernel
from emergence.records import LEVELS, STAGES
from emergence.taxa.model import Taxon
from emergence.taxa.population import LOGISTIC_SD, Requirements

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]

EARLY_SDS = 3.5  # before the median less this many spreads nothing has happened
MATURE_SHARE = 0.5  # of the requirement met: a nymph counts as mature (as in ``stages``)
PUPA_SHARE = 0.08  # of the requirement: how long before emergence pupae hang
SKIN_D = 10.0  # mean time an empty skin stays where it can be found: one to two weeks
ADULT_D = 10.0  # mean life of adults on the wing where the taxon's file does not say
LATER_SHARES = (0.5, 0.3, 0.05, 0.05, 0.05, 0.1)  # of the first brood: what later broods have about once they come
LATER_SPREAD = 0.25  # of the heat from the first brood to the second
SHUT_SHARE = 0.2  # of the insects on the move that show on a day with the gates shut
USUAL_MIN = 20.0  # minutes looked where the note does not say
SIGHTS = (10.0, 10.0, 15.0, 12.0, 15.0, 20.0)  # in USUAL_MIN were all the insects in one stage, by STAGES
CLUMPED = 2.0  # size of the negative binomial of sights: insects are patchy; set in world 1 of the twins
MANY_AT = 0.15  # share of the season's insects at which "many" is as likely as "few"
MANY_STEEP = 2.0  # how fast "many" takes over from there; set in world 1 of the twins
SEEN_AS_OTHER = 0.25  # of notes are about another taxon, stage, day or lake; see the notes of ``log_likelihood``
USUAL_LEVELS = (0.4, 0.3, 0.3)  # how often such notes say none, few, many
HIDDEN = 0.4  # of visits in season show nothing, where nobody knows yet whether and where it lives; as above
RICHNESS_LN_SD = 1.0  # how lakes differ in numbers, so in how easily the same share is seen
PRIOR_UNSURE = 0.5  # chance that an insect lives where the habitat rule does not exclude it
NODES = tuple(float(np.exp(RICHNESS_LN_SD * z)) for z in (-np.sqrt(3.0), 0.0, np.sqrt(3.0)))
NODE_WEIGHTS = (1 / 6, 2 / 3, 1 / 6)  # Gauss-Hermite, three points


@dataclass(frozen=True)
class Sighted:
    """Notes of one taxon on one lake: ``day`` indices, ``stage`` and ``level`` as indices of STAGES and LEVELS, (n,).

    ``minutes`` [min] looked, NaN where not said.
    """

    day: Ints
    stage: Ints
    level: Ints
    minutes: Doubles

    def __len__(self) -> int:
        return len(self.day)

    def take(self, rows: Ints) -> Sighted:
        """Return some of the notes."""
        return Sighted(self.day[rows], self.stage[rows], self.level[rows], self.minutes[rows])

    @property
    def seen(self) -> int:
        """How many notes saw any."""
        return int((self.level != LEVELS.index("none")).sum())


@dataclass(frozen=True)
class Habits:
    """What bears on what can be seen of a taxon.

    ``adult_d`` [d] the mean life on the wing; ``younger`` whether nymphs of later years are always about; ``hatches``
    whether young come only at the biofix; ``later_dd`` [°C·day] from the first brood to the second, 0 without one.
    """

    adult_d: float
    younger: bool
    hatches: bool
    later_dd: float


def habits_of(taxon: Taxon) -> Habits:
    """Return the habits of a taxon."""
    life, classes = taxon.adult, taxon.year_class
    return Habits(
        adult_d=ADULT_D if life is None else life.maturation.value + life.life.value,
        younger=classes is not None and classes.last_winter != "egg",
        hatches=taxon.start.rule == "hatch",
        later_dd=taxon.broods[0].requirement.median.value if taxon.broods else 0.0,
    )


@dataclass(frozen=True)
class Grown:
    """What each member's water gave up to the last note: ``heat`` since the biofix [°C·day] and ``opened``.

    ``heat`` is -inf before a biofix that never comes; ``opened`` [0..1] tells how far the gates stand open, both (days,
    members) float32; ``start`` is the biofix as a day index, (members,).
    """

    heat: Floats
    opened: Floats
    start: NDArray[np.int16]


def numbers_on(grown: Grown, need: Requirements, habits: Habits, days: Ints) -> Floats:
    """Return the numbers of each stage for each insect that matures this season.

    Parameters
    ----------
    grown
        The members' heat and gates.
    need
        Requirements, (members, candidates): several for each member's water.
    habits
        Of the taxon.
    days
        Rising day indices wanted, shape (n,).

    Returns
    -------
    array
        (n, stages in the order of STAGES, members, candidates) float32.

    Notes
    -----
    The first brood as in ``population.leave_water``: ready share F, left share E, on the move F(heat + lead) - E.
    Pupae: F(heat + PUPA_SHARE of the requirement) - E. Empty skins fade with SKIN_D, adults with their mean life.
    """
    first, day = _first_day(grown.heat, need), days.astype(np.int64, copy=False)
    fast = numbers_kernel is not None and need.median.dtype == np.float32
    out = np.zeros((len(days), len(STAGES), *need.median.shape), dtype=np.float32)
    (_run_compiled if fast else _run_plain)(grown, need, habits, (min(first, int(day[0])), first, day), out)
    return out


def _parts(need: Requirements) -> tuple[Floats, Floats, Floats | None, Floats]:
    """Return steepness and how far before the requirement [°C·day] a nymph is mature, on the move (None), a pupa."""
    half = np.float32(MATURE_SHARE) * need.median
    lead = None if need.move_before is None else np.minimum(need.move_before, half)
    return np.float32(LOGISTIC_SD) / need.spread, half, lead, np.float32(PUPA_SHARE) * need.median


def _first_day(heat: Floats, need: Requirements) -> int:
    """Return the first day on which any insect of any member is under way."""
    _, _, lead, pupal = _parts(need)
    reach = np.float32(EARLY_SDS) * need.spread + (pupal if lead is None else np.maximum(lead, pupal))
    begun = (heat >= (need.median - reach).min(axis=1)).any(axis=1)
    return int(np.argmax(begun)) if begun.any() else len(begun)


def _run_compiled(
    grown: Grown, need: Requirements, habits: Habits, days: tuple[int, int, Ints], out: NDArray[np.float32]
) -> None:
    """Fill ``out`` by the compiled kernel."""
    steep, half, lead, pupal = _parts(need)
    kept, alive = np.float32(np.exp(-1 / SKIN_D)), np.float32(np.exp(-1 / habits.adult_d))
    later = np.float32(habits.later_dd)
    later_steep = np.float32(LOGISTIC_SD / LATER_SPREAD) / max(later, np.float32(1))
    laid = (-need.median, steep, half, half if lead is None else lead, pupal)
    assert numbers_kernel is not None
    numbers_kernel(
        (*(np.ascontiguousarray(v.T, dtype=np.float32) for v in (grown.heat, grown.opened)), grown.start),
        (*(np.ascontiguousarray(np.broadcast_to(v, need.median.shape)) for v in laid), lead is not None),
        (
            (kept, alive),
            np.float32(habits.younger),
            habits.hatches,
            (later, later_steep),
            np.asarray(LATER_SHARES, dtype=np.float32),
            np.float32(SHUT_SHARE),
        ),
        days,
        out,
    )


def _run_plain(
    grown: Grown, need: Requirements, habits: Habits, asked: tuple[int, int, Ints], out: NDArray[np.float32]
) -> None:
    """Fill ``out`` day by day in plain NumPy."""
    begin, first, days = asked
    median, (steep, half, lead, pupal) = need.median, _parts(need)
    gone, skins, adults = np.zeros_like(median), np.zeros_like(median), np.zeros_like(median)
    kept, alive = np.float32(np.exp(-1 / SKIN_D)), np.float32(np.exp(-1 / habits.adult_d))
    wanted = {int(day): row for row, day in enumerate(days)}
    for day in range(begin, int(days[-1]) + 1):
        heat = grown.heat[day][:, None] - median
        before = gone
        if day >= first:
            left = np.maximum(_ready(heat, steep) - gone, 0) * grown.opened[day][:, None]
            gone, skins, adults = gone + left, skins * kept + left, adults * alive + left
        if (row := wanted.get(day)) is None:
            continue
        grew = np.maximum(_ready(heat + half, steep), before)
        afoot = before if lead is None else np.maximum(_ready(heat + lead, steep), before)
        shows = np.maximum(grown.opened[day][:, None], np.float32(SHUT_SHARE))
        hanging = np.maximum(_ready(heat + pupal, steep) - before, 0)
        here = (day >= grown.start)[:, None] | (not habits.hatches)
        young = (1 - grew) * here + np.float32(habits.younger)
        rows = (young, np.maximum(grew - afoot, 0), (afoot - before) * shows, hanging, skins, adults)
        for stage, value in enumerate(rows):
            out[row, stage] = value
        if habits.later_dd > 0:
            later = np.float32(habits.later_dd)
            again = _ready(heat - later, np.float32(LOGISTIC_SD / LATER_SPREAD) / later)
            out[row] += np.asarray(LATER_SHARES, dtype=np.float32)[:, None, None] * again


def _ready(heat: Floats, steep: Floats | np.float32) -> Floats:
    """Return ``population.ready_share`` of heat already centred."""
    return np.asarray(0.5 + 0.5 * np.tanh(np.float32(0.5) * heat * steep), dtype=np.float32)


def log_likelihood(numbers: Floats, notes: Sighted, *, hidden: float = 0.0) -> Doubles:
    """Return the log-likelihood of one lake's notes in every cell.

    Parameters
    ----------
    numbers
        Numbers of each note's stage on its day, (n, *cells).
    notes
        The notes, n of them.
    hidden
        Share of days on which nothing shows, whatever there is [1]: HIDDEN where the taxon is not known to live.

    Returns
    -------
    array
        Of cell shape.

    Notes
    -----
    Sights in the time looked are negative binomial (size CLUMPED) with mean SIGHTS x minutes / USUAL_MIN x numbers x
    richness; richness is the lake's for all its notes and averaged over. "many" against "few" goes by numbers x
    richness, not by the time looked. Each note is with SEEN_AS_OTHER about something else, which bounds what one note
    can cost: heavy tails (false positives as in Royle & Link 2006 Ecology 87:835, from memory).

    SEEN_AS_OTHER: volunteers named 79 % of insects rightly from a leaflet, 86 % with slides, 94 % after training in the
    field (Ratnieks et al. 2016 Methods in Ecology and Evolution 7:1226); of birds and frogs heard, 5 to 22 % were named
    wrongly (McClintock et al. 2010 Journal of Wildlife Management 74:1882; Miller et al. 2012 Ecological Applications
    22:1665; Farmer et al. 2012 The Auk 129:76). Wrong stages, days and lakes come on top: our prior.

    HIDDEN: a visit in season finds a conspicuous insect on 60 to 68 % of the sites where it lives (a tiger beetle,
    Hudgins et al. 2012 Journal of Insect Conservation, volume and authors from memory), a pass along a bank 49 to 75 %
    of the empty skins (DuBois 2015 International Journal of Odonatology 18:75, volume and page from memory); such
    failures are of the day and the spot, so all looks of a day share them. Who knows that an insect lives there also
    knows where and when to look.
    """
    cells = numbers.shape[1:]
    minutes = np.where(np.isnan(notes.minutes), USUAL_MIN, notes.minutes)
    rate = np.asarray(SIGHTS)[notes.stage] * np.maximum(minutes, 1.0) / USUAL_MIN
    usual = SEEN_AS_OTHER * np.asarray(USUAL_LEVELS)[notes.level]
    total = np.zeros((len(NODES), *cells))
    for node, rich in enumerate(NODES):
        for day in np.unique(notes.day):
            looks = np.flatnonzero(notes.day == day)
            shown = np.zeros(cells)
            for i in looks.tolist():
                told = level_chance(numbers[i].astype(np.float64) * rich, float(rate[i]), int(notes.level[i]))
                shown += np.log((1 - SEEN_AS_OTHER) * told + usual[i])
            if hidden > 0:
                shown = np.logaddexp(np.log1p(-hidden) + shown, np.log(hidden) + log_absent(notes.take(looks)))
            total[node] += shown
    most = total.max(axis=0)
    mixed = np.zeros(cells)
    for node, weight in enumerate(NODE_WEIGHTS):
        mixed += weight * np.exp(total[node] - most)
    return np.asarray(most + np.log(mixed))


def level_chance(dense: Doubles, rate: float, level: int) -> Doubles:
    """Return the chance that a look ends in a level, ``dense`` numbers times richness, ``rate`` sights if all show."""
    none = (1 + rate * dense / CLUMPED) ** -CLUMPED
    if LEVELS[level] == "none":
        return np.asarray(none)
    many = dense**MANY_STEEP / (dense**MANY_STEEP + MANY_AT**MANY_STEEP)
    return np.asarray((1 - none) * (many if LEVELS[level] == "many" else 1 - many))


def log_absent(notes: Sighted) -> float:
    """Return the log-likelihood of notes where the taxon does not live: what is seen is something else."""
    usual = np.asarray(USUAL_LEVELS)[notes.level]
    none = (notes.level == LEVELS.index("none")).astype(float)
    return float(np.log((1 - SEEN_AS_OTHER) * none + SEEN_AS_OTHER * usual).sum())


def presence_chance(prior: float, log_ratio: float) -> float:
    """Return the chance that a taxon lives in a lake.

    Parameters
    ----------
    prior
        Chance before any note.
    log_ratio
        Log-likelihood of all notes if it lives there less ``log_absent``, summed over seasons.
    """
    odds = np.log(prior / (1 - prior)) + log_ratio
    return float(1 / (1 + np.exp(-np.clip(odds, -700, 700))))
