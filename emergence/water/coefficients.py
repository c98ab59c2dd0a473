"""The water model's coefficients: data with their provenance, read once."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources

Coefficients = Mapping[str, Mapping[str, float]]


@cache
def load_coefficients() -> Coefficients:
    """Return the packaged coefficients by section and name (units stand in coefficients.toml)."""
    text = resources.files("emergence.water").joinpath("coefficients.toml").read_text(encoding="utf-8")
    tables = {name: table for name, table in tomllib.loads(text).items() if isinstance(table, dict)}
    return tables
