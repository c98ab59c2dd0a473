"""Scores and hindcasts."""
