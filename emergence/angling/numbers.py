"""The day sheet's numbers, with sources."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files

from emergence.sources import Quantity


@lru_cache(maxsize=1)
def numbers() -> Mapping[str, Quantity]:
    """Return the packaged numbers by name."""
    table = tomllib.loads(files("emergence").joinpath("angling", "numbers.toml").read_text(encoding="utf-8"))
    return {name: Quantity.model_validate(part) for name, part in table.items() if name != "format"}


def number(name: str) -> float:
    """Return the value of a number."""
    return numbers()[name].value


def span(name: str) -> tuple[float, float]:
    """Return the range of a number that has one."""
    quantity = numbers()[name]
    if quantity.low is None or quantity.high is None:
        raise ValueError(f"{name} has no range")
    return quantity.low, quantity.high
