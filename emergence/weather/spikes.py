"""Single values and days that stand out from the days, columns and stations around them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.weather.expected import Anomalies, Expectation
from emergence.weather.misread import DOUBTFUL_SD, OTHERWISE, doubtful_values

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

SPIKE_SD, SPIKE_LEAST_C, SPIKE_MOST_C, SPIKE_SURE_SD = 4.6, 7.0, 11.0, 3.6
"""A value stands out beyond 4.6 standard errors and 7 °C, at most beyond 11 °C or 3.6 errors (our prior)."""
WITH_IT = 0.5
"""Columns of a day that stands out go with it from half of their own limit on (our prior)."""
ROUNDS = 8
SURE = 1.001
REASONS = ("", "spike", *OTHERWISE)


class Spikes:
    """The search in one record: what stands out most is taken first, and the days beside it are looked at again."""

    def __init__(self, own: Anomalies, said: Floats) -> None:
        self.own = own
        self.z = own.z.copy()
        pair = np.isfinite(own.z[:, :2]).all(1).any()
        self.views = [Expectation(own, said, across=True)] if pair else []
        self.views.append(Expectation(own, said, across=False))
        self.ratio = np.zeros(own.z.shape)
        self.reason = np.zeros(own.z.shape, dtype=np.int8)
        self.side = np.zeros(own.z.shape)

    def run(self) -> dict[str, Mask]:
        """Return, for each reason, the values that stand out, (days, 3)."""
        found = np.zeros(self.z.shape, dtype=np.int8)
        rows: Ints | None = None
        for _ in range(ROUNDS):
            self._look(rows)
            peak = self._peaks()
            if not peak.any():
                break
            found[peak] = self.reason[peak]
            self.z[peak] = np.nan
            self.ratio[peak] = 0.0
            near = np.flatnonzero(peak.any(1))
            rows = np.unique(np.clip(np.concatenate([near - 1, near, near + 1]), 0, len(self.z) - 1))
        return {name: found == k for k, name in enumerate(REASONS) if k and (found == k).any()}

    def _look(self, some: Ints | None) -> None:
        """Bring ``ratio``, the misfit against its limit, and ``reason`` of some days (None: all) up to date."""
        rows = np.arange(len(self.z)) if some is None else some
        ratio, reason = np.zeros((len(rows), 3)), np.zeros((len(rows), 3), dtype=np.int8)
        side = np.zeros((len(rows), 3))
        for view in self.views:
            told = view.first if some is None else view.told(self.z, rows)
            for c in self.own.there:
                scale, value = self.own.scale_c[rows, c], self.own.value_c[rows, c]
                expected, sd = self.own.usual_c[rows, c] + told.z[:, c] * scale, told.sd[:, c] * scale
                miss = np.where(np.isnan(self.z[rows, c]), np.nan, value - expected)
                limit = np.clip(SPIKE_SD * sd, SPIKE_LEAST_C, np.maximum(SPIKE_MOST_C, SPIKE_SURE_SD * sd))
                side[:, c] = np.nan_to_num(miss / limit)
                here = np.abs(side[:, c])
                why = np.where(here > 1.0, 1, 0).astype(np.int8)
                at = np.flatnonzero(np.abs(miss) > np.maximum(SPIKE_LEAST_C, DOUBTFUL_SD * sd))
                for name, where in doubtful_values(value[at], expected[at], sd[at]).items():
                    why[at[where]] = REASONS.index(name)
                    here[at[where]] = np.maximum(here[at[where]], SURE)
                better = here > ratio[:, c]
                ratio[better, c], reason[better, c] = here[better], why[better]
        self.ratio[rows], self.reason[rows], self.side[rows] = ratio, reason, side

    def _peaks(self) -> Mask:
        """Return the values to be taken: the worst of their day and of the days beside it, and what goes with them."""
        day = self.ratio.max(axis=1)
        before, after = np.concatenate([[0.0], day[:-1]]), np.concatenate([day[1:], [0.0]])
        peak = (day > 1.0) & (day >= before) & (day > after)
        at = np.flatnonzero(peak)
        column = self.ratio[at].argmax(axis=1)
        out = np.zeros(self.z.shape, dtype=bool)
        out[at, column] = True
        whole = self.side[at]
        lead = whole[np.arange(len(at)), column]
        along = (np.abs(lead) > 1.0)[:, None] & (whole * np.sign(lead)[:, None] > WITH_IT)
        new = along & ~out[at]
        self.reason[at] = np.where(new, self.reason[at, column][:, None], self.reason[at])
        out[at] |= along & np.isfinite(self.z[at])
        return out
