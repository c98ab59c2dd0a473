"""On which days something shows in each member, a bit a day: a byte a day took longer to write than to work out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
WORD = 32  # days in a word


def word_count(n_days: int) -> int:
    """Return how many words a cell's days take, one more than they fill."""
    return -(-n_days // WORD) + 1


@dataclass(frozen=True)
class ShownDays:
    """The days of flat cells; day d is bit d % WORD of word d // WORD, counted from the lowest.

    ``words`` (cells, `word_count`) uint32, ``n_days`` how many days there are.
    """

    words: NDArray[np.uint32]
    n_days: int

    @classmethod
    def of(cls, flags: Bools) -> ShownDays:
        """Return days given one by one, (days, cells)."""
        n_days, cells = flags.shape
        filled = np.zeros((cells, 4 * word_count(n_days)), dtype=np.uint8)
        single = np.packbits(flags.T, axis=1, bitorder="little")
        filled[:, : single.shape[1]] = single
        return cls(filled.view("<u4").astype(np.uint32, copy=False), n_days)

    @property
    def flags(self) -> Bools:
        """The days one by one, (days, cells)."""
        single = np.ascontiguousarray(self.words.astype("<u4", copy=False)).view(np.uint8)
        return np.unpackbits(single, axis=1, count=self.n_days, bitorder="little").view(bool).T

    def any_from(self, start: NDArray[np.int64], days: int) -> Bools:
        """Return which cells show on any of some days (at most WORD), (groups, cells of a group).

        ``start`` (groups,) is the first of the days of each group of neighbouring cells.
        """
        groups = np.arange(len(start))
        words = self.words.reshape(len(start), -1, self.words.shape[1])
        low, high = (words[groups, :, start // WORD + k].astype(np.uint64) for k in (0, 1))
        both = low | high << np.uint64(WORD)
        return np.asarray(both >> (start % WORD).astype(np.uint64)[:, None] & np.uint64((1 << days) - 1) != 0)
