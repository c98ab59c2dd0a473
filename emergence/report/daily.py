"""The table of ``emergence water`` as CSV text: hundreds of thousands of rows, few different words."""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Words = NDArray[np.object_]


def water_csv(table: pd.DataFrame) -> str:
    """Return lake_id, date, water_c [°C] and ice [0..1] as CSV, numbers with two decimals, rows in their order.

    Each different lake, date and number is put into words once.
    """
    lake, lakes = pd.factorize(table["lake_id"])
    dates, date = np.unique(table["date"].to_numpy().astype("datetime64[D]"), return_inverse=True)
    parts: list[Words] = [
        np.array([_field(str(i)) + "," for i in lakes], dtype=object)[lake],
        np.array([f"{d}," for d in np.datetime_as_string(dates)], dtype=object)[date],
        _decimals(table["water_c"], ","),
        _decimals(table["ice"], "\n"),
    ]
    rows = zip(*(p.tolist() for p in parts), strict=True)
    return "lake_id,date,water_c,ice\n" + "".join(map("".join, rows))


def _decimals(values: pd.Series[float], after: str) -> Words:
    hundredths, place = np.unique(np.rint(values.to_numpy(dtype=float) * 100).astype(np.int64), return_inverse=True)
    return np.array([f"{h / 100:.2f}{after}" for h in hundredths], dtype=object)[place]


def _field(word: str) -> str:
    """Return a word quoted where CSV needs it."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow([word, ""])
    return out.getvalue()[:-2]
