"""Reads a season folder: every file checked, all problems told together, records handed on."""

from emergence.season.reading import read_season

__all__ = ["read_season"]
