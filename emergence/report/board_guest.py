"""What guests get: lakes that may be shown, and nothing that is only the guide's."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import replace

import pandas as pd

from emergence.runs.results import RunResult


def shared_lakes(result: RunResult, *, every: bool = False) -> tuple[str, ...]:
    """Return the ids of lakes that guests may see: those with share yes, or every one where the season says so."""
    lakes = result.info.lakes
    return tuple(str(k) for k in lakes.loc[(lakes["share"] == "yes") | every, "lake_id"])


def guest_result(result: RunResult, lakes: Container[str]) -> RunResult:
    """Return a run with some lakes alone, and without notes, stations, files, left-out rows and assumptions.

    Parameters
    ----------
    result
        The run.
    lakes
        Ids of the lakes that may be shown.
    """
    info = result.info

    def kept(frame: pd.DataFrame) -> pd.DataFrame:
        if "lake_id" not in frame:
            return frame
        return frame[[str(key) in lakes for key in frame["lake_id"]]].reset_index(drop=True)

    bare = replace(
        info,
        lakes=kept(info.lakes),
        assumptions=(),
        problems=(),
        dropped={},
        settings={},
        checksums={},
        gap_counts={},
        lake_stations={},
        note_effects=(),
    )
    tables = {name: kept(getattr(result, name)) for name in ("windows", "days", "water", "members")}
    return replace(result, info=bare, **tables)
