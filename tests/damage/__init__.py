"""Season folders damaged at random: a small sound one, many kinds of damage, all drawn from one seed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from . import content, files, settings, tables
from .draft import DAMAGES, Draft, one_of

__all__ = ["DAMAGES", "Draft", "content", "damaged", "files", "settings", "small_season", "tables"]


def small_season(season: Mapping[str, str]) -> Draft:
    """Return the sound folder with few members, so that a run takes a fraction of a second."""
    text = dict(season)
    text["season.toml"] = (
        text["season.toml"].replace("slots = 20", "slots = 3").replace("replicates = 6", "replicates = 2")
    )
    assert "slots = 3" in text["season.toml"] and "replicates = 2" in text["season.toml"]
    return Draft({name: content.encode() for name, content in text.items()})


def damaged(season: Mapping[str, str], seed: int) -> Draft:
    """Return the small season with one to three damages; seeds in a row begin with different kinds."""
    rng = np.random.default_rng([2024, seed])
    draft, kinds = small_season(season), list(DAMAGES)
    more = int(rng.choice(3, p=(0.5, 0.3, 0.2)))
    for kind in (kinds[seed % len(kinds)], *(one_of(rng, kinds) for _ in range(more))):
        draft.done.append(f"{kind}: {DAMAGES[kind](draft, rng)}")
    return draft
