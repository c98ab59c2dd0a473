"""An earlier run that somebody changed: it is said, and the run goes on without it."""

from __future__ import annotations

from pathlib import Path

import click

UNREADABLE = (OSError, ValueError, KeyError, TypeError, AttributeError)
"""What reading a stored run that somebody changed may raise."""


def tell_unreadable(folder: Path, error: Exception) -> None:
    """Say that an earlier run cannot be read; the run goes on without it."""
    from emergence.season.intake import shorten, shown_name

    said = shown_name(shorten(" ".join(str(error).split())))
    click.echo(
        f"the earlier run {shown_name(folder.name)} cannot be read ({said}), so nothing is compared with it. Its "
        "run.json or windows.csv was changed: delete that folder, or forecast it again with --as-of.",
        err=True,
    )
