"""Itineraries of one party and what they are worth over the joint members.

An itinerary is one block of days at a lake, or two: a second visit, or a change of lake within the trip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.planning.case import Bools, Case, Floats, Ints, Party

MOST_PAIRS = 20_000
"""Two-block itineraries kept for a party, the best ones; more are said to be left out."""
DECIMALS = 9  # worth is rounded, so that threads of a matrix product change no plan


@dataclass(frozen=True)
class Stays:
    """Itineraries of a party; all arrays (itineraries,), the second block has length 0 where there is none.

    ``benefit``: weighted worth, a further moving day counting ``again`` times the one before; ``expected``: days on
    which anything wanted moves; ``chance`` of at least one. ``trimmed``: not every itinerary is among them.
    """

    lake: Ints
    start: Ints
    length: Ints
    lake2: Ints
    start2: Ints
    length2: Ints
    benefit: Floats
    expected: Floats
    chance: Floats
    trimmed: bool = False

    def __len__(self) -> int:
        return len(self.lake)

    @property
    def blocks(self) -> tuple[tuple[Ints, Ints, Ints], ...]:
        """(lake, start, length) of both blocks."""
        return (self.lake, self.start, self.length), (self.lake2, self.start2, self.length2)

    @property
    def adjacent(self) -> Bools:
        """Itineraries whose second block begins on the day after the first."""
        return np.asarray((self.length2 > 0) & (self.start2 == self.start + self.length))

    def days_of(self, item: int) -> tuple[tuple[int, int], ...]:
        """Return the cells (lake, day) of one itinerary in their order."""
        found = []
        for lake, start, length in self.blocks:
            found += [(int(lake[item]), int(start[item]) + k) for k in range(int(length[item]))]
        return tuple(found)


def worth_of_days(counts: NDArray[np.integer], again: float) -> Floats:
    """Return the worth of numbers of moving days: 1 + again + again² + …, same shape [moving days]."""
    n = np.asarray(counts, dtype=np.float64)
    return n if again == 1.0 else np.asarray((1.0 - again**n) / (1.0 - again))


def usable(case: Case) -> Bools:
    """Return moving days that count (wants, days, lakes, members): none on a day worth nothing."""
    poor = np.asarray(case.poor_day.any(axis=0))
    return np.asarray(case.outlook.moving & ~poor[None, :, :, None])


def party_stays(case: Case, party: Party, counted: Bools) -> Stays:
    """Return every itinerary of a party, whatever the rules say.

    Parameters
    ----------
    case
        The case.
    party
        The party.
    counted
        Moving days that count, as ``usable`` gives them.
    """
    used = np.flatnonzero(party.weights > 0)
    sums = _Sums.of(counted[used], party)
    single = sums.single(party.days, case.limits.again, party.weights[used])
    if party.days == 1 or (party.consecutive and not party.change_lake):
        return _with_booking(single, case, party, counted)
    pairs = [sums.pairs(k, party, case.limits.again, party.weights[used]) for k in range(1, party.days)]
    return _with_booking(_joined([single, *pairs]), case, party, counted)


@dataclass(frozen=True)
class _Sums:
    """Running sums of moving days, (wants + 1, days + 1, lakes, members): the wants, then "anything wanted"."""

    total: NDArray[np.int16]
    first: int

    @classmethod
    def of(cls, moving: Bools, party: Party) -> _Sums:
        part = moving[:, party.earliest : party.latest + 1]
        both = np.concatenate([part, part.any(axis=0, keepdims=True)]).astype(np.int16)
        return cls(np.concatenate([np.zeros_like(both[:, :1]), np.cumsum(both, axis=1)], axis=1), party.earliest)

    def counts(self, length: int) -> NDArray[np.int16]:
        """Return moving days of every block, (wants + 1, starts, lakes, members)."""
        return np.asarray(self.total[:, length:] - self.total[:, : self.total.shape[1] - length])

    def single(self, length: int, again: float, weights: Floats) -> Stays:
        counts = self.counts(length)
        benefit = np.zeros(counts.shape[1:3])
        for weight, of_want in zip(weights, counts[:-1], strict=True):
            benefit += weight * worth_of_days(of_want, again).mean(axis=2)
        anything = counts[-1]
        start, lake = (a.ravel() for a in np.indices(benefit.shape))
        none = np.zeros_like(lake)
        return Stays(
            lake=lake,
            start=start + self.first,
            length=none + length,
            lake2=none,
            start2=none,
            length2=none,
            benefit=np.round(benefit.ravel(), DECIMALS),
            expected=np.round(anything.mean(axis=2).ravel(), DECIMALS),
            chance=np.round((anything > 0).mean(axis=2).ravel(), DECIMALS),
        )

    def pairs(self, length: int, party: Party, again: float, weights: Floats) -> Stays:
        """Return itineraries of ``length`` days and then the rest."""
        one, two = self.counts(length), self.counts(party.days - length)
        lakes = one.shape[2]
        flat = [c.reshape(len(c), -1, c.shape[3]).astype(np.float64) for c in (one, two)]
        place = [np.divmod(np.arange(c.shape[1]), lakes) for c in flat]
        start, start2 = place[0][0][:, None], place[1][0][None, :]
        lake, lake2 = place[0][1][:, None], place[1][1][None, :]
        after = start + length
        follows, gap = start2 == after, start2 > after
        fits = (follows & (lake != lake2)) if party.consecutive else (follows & (lake != lake2)) | gap
        if not party.change_lake:
            fits = fits & (lake == lake2)
        members = flat[0].shape[2]
        if again == 1.0:
            means = [c.mean(axis=2) for c in flat]
            benefit = sum(w * (means[0][k][:, None] + means[1][k][None, :]) for k, w in enumerate(weights))
        else:
            left = [again**c for c in flat]
            kept = sum(w * (left[0][k] @ left[1][k].T) / members for k, w in enumerate(weights))
            benefit = (weights.sum() - kept) / (1.0 - again)
        i, j = np.nonzero(fits)
        worth = np.round(np.asarray(benefit)[i, j], DECIMALS)
        best = np.lexsort((j, i, -worth))[:MOST_PAIRS]
        i, j = np.divmod(np.sort(i[best] * fits.shape[1] + j[best]), fits.shape[1])
        dry = (flat[0][-1] == 0).astype(np.float64) @ (flat[1][-1] == 0).astype(np.float64).T / members
        expected = flat[0][-1].mean(axis=1)[i] + flat[1][-1].mean(axis=1)[j]
        return Stays(
            lake=place[0][1][i],
            start=place[0][0][i] + self.first,
            length=np.full(len(i), length),
            lake2=place[1][1][j],
            start2=place[1][0][j] + self.first,
            length2=np.full(len(i), party.days - length),
            benefit=np.round(np.asarray(benefit)[i, j], DECIMALS),
            expected=np.round(expected, DECIMALS),
            chance=np.round(1.0 - dry[i, j], DECIMALS),
            trimmed=len(worth) > MOST_PAIRS,
        )


def _joined(parts: list[Stays]) -> Stays:
    names = ("lake", "start", "length", "lake2", "start2", "length2", "benefit", "expected", "chance")
    columns = [np.concatenate([getattr(p, name) for p in parts]) for name in names]
    return Stays(**dict(zip(names, columns, strict=True)), trimmed=any(p.trimmed for p in parts))


def _with_booking(stays: Stays, case: Case, party: Party, counted: Bools) -> Stays:
    """Return the itineraries with what is booked among them, even where it lies outside what the party wants."""
    if not party.booked or booked_item(stays, party) >= 0:
        return stays
    blocks = booked_blocks(party)
    if len(blocks) > 2:
        return stays
    members = [counted[:, day, lake] for lake, day in party.booked]
    counts = np.sum([m.astype(np.int64) for m in members], axis=0)
    anything = np.sum([m[party.weights > 0].any(axis=0).astype(np.int64) for m in members], axis=0)
    benefit = party.weights @ worth_of_days(counts, case.limits.again).mean(axis=1)
    (a, b, c), (d, e, f) = (*blocks, (0, 0, 0))[:2]
    worth, expected, chance = (
        np.array([round(float(x), DECIMALS)]) for x in (benefit, anything.mean(), (anything > 0).mean())
    )
    lake, start, length, lake2, start2, length2 = (np.array([x]) for x in (a, b, c, d, e, f))
    return _joined([stays, Stays(lake, start, length, lake2, start2, length2, worth, expected, chance)])


def booked_blocks(party: Party) -> list[tuple[int, int, int]]:
    """Return what is booked as blocks (lake, start, length) in order of days."""
    blocks: list[tuple[int, int, int]] = []
    for lake, day in sorted(party.booked, key=lambda cell: cell[1]):
        if blocks and blocks[-1][0] == lake and blocks[-1][1] + blocks[-1][2] == day:
            blocks[-1] = (lake, blocks[-1][1], blocks[-1][2] + 1)
        else:
            blocks.append((lake, day, 1))
    return blocks


def booked_item(stays: Stays, party: Party) -> int:
    """Return the itinerary that is booked, -1 where it is not among them."""
    blocks = booked_blocks(party)
    if not blocks or len(blocks) > 2:
        return -1
    (a, b, c), (d, e, f) = (*blocks, (0, 0, 0))[:2]
    same = (stays.lake == a) & (stays.start == b) & (stays.length == c) & (stays.length2 == f)
    if f:
        same &= (stays.lake2 == d) & (stays.start2 == e)
    found = np.flatnonzero(same)
    return int(found[0]) if len(found) else -1
