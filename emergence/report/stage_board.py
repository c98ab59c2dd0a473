"""Which stages of every insect are about on a lake and day, in a table of 80 columns."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json

from emergence.angling.sheet import Board, Insect
from emergence.report.text import Column, plain, set_line, widths, wrap
from emergence.report.units import Units
from emergence.report.words import CAUTIONS, MAY_LIVE_HERE, day, day_and_year, percent, span

WIDTH = 80
TABLE = (
    Column("insect", least=16, gap=1), Column("young", right=True, gap=1), Column("mature", right=True, gap=1),
    Column("moving", right=True, gap=1), Column("adult", right=True, gap=1), Column("adults fly", gap=2),
    Column("life", right=True, gap=1),
)  # fmt: skip
LEGEND = (
    "Shares of all that live in or above the lake, the mean over the possible seasons (-: not known, or nobody). "
    "Moving: nymphs on their way to the shore, or pupae. Adults fly: while at least 2 in 100 of the season's insects "
    "do. Life: mean days on the wing."
)


def board_text(board: Board, units: Units) -> str:
    """Return the board as text that fits 80 columns."""
    known = [i for i in board.insects if i.residence == "yes"]
    unsure = [i for i in board.insects if i.residence != "yes"]
    wide = widths(TABLE, [_cells(i) for i in board.insects], WIDTH)
    lines = wrap(f"{plain(board.lake)}, what is about on {day_and_year(board.date)}", WIDTH)
    lines += [f"as of {day_and_year(board.as_of)}", "", set_line([c.title for c in TABLE], TABLE, wide)]
    lines += [set_line(_cells(i), TABLE, wide) for i in known]
    if unsure:
        lines += [f" {MAY_LIVE_HERE}:", *(set_line(_cells(i), TABLE, wide) for i in unsure)]
    soft = [f"{plain(i.name)} {percent(i.stages.soft)}" for i in board.insects if i.stages and i.stages.soft >= 0.005]
    said = [LEGEND, _frost(board, units)]
    said += [f"Of all that live, adults that cannot fly yet: {', '.join(soft)}."] if soft else []
    lines += ["", *(line for text in (*said, *CAUTIONS) for line in wrap(text, WIDTH))]
    return "\n".join(lines) + "\n"


def _cells(insect: Insect) -> list[str]:
    s = insect.stages
    shares = ["-"] * 4 if s is None else [percent(v) for v in (s.young, s.mature, s.moving, s.adult)]
    fly = span(_date(insect.adult_from), _date(insect.adult_until)) if insect.adult_from else ""
    life = "" if insect.life_d is None else "<1 d" if insect.life_d < 0.5 else f"{insect.life_d:.0f} d"
    return [plain(insect.name), *shares, fly, life]


def _date(iso: str) -> dt.date | None:
    return dt.date.fromisoformat(iso) if iso else None


def _frost(board: Board, units: Units) -> str:
    low, middle, high = (day(_date(iso)) or "beyond this season" for iso in board.frost)
    frost = f"First hard frost ({units.temp(board.frost_c)}) after midsummer, which ends the adults"
    return f"{frost}: {middle} (8 in 10: {low} to {high})."


def board_json(board: Board) -> str:
    """Return the board as JSON with a format version; shares 0..1, ISO dates, "" for none."""
    body = dataclasses.asdict(board) | {"date": board.date.isoformat(), "as_of": board.as_of.isoformat()}
    return json.dumps({"format": 1, **body}, ensure_ascii=False, indent=1) + "\n"
