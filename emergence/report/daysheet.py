"""The day sheet as text of 80 columns."""

from __future__ import annotations

from emergence.angling.sheet import DaySheet
from emergence.report.daysheet_words import STARRED, Part, Row, Words, sheet_words
from emergence.report.text import Column, cells, pad, set_line, widths, wrap
from emergence.report.words import MAY_LIVE_HERE, percent

WIDTH = 80
TABLE = (
    Column("insect", least=16, gap=1), Column("young", right=True, gap=1), Column("mature", right=True, gap=1),
    Column("moving", right=True, gap=1), Column("adult", right=True, gap=1), Column("shows today", least=16),
)  # fmt: skip
LABEL = 9


def sheet_text(sheet: DaySheet, *, sink_cm_s: float | None = None) -> str:
    """Return a sheet as lines of at most 80 cells; see ``daysheet_words.sheet_words``."""
    words = sheet_words(sheet, sink_cm_s=sink_cm_s)
    parts = [_head(words), _cautions(words), _day(words), _board(words)]
    parts += [_advice(part) for part in words.parts]
    parts += [_counts(words), _blanks(words), [STARRED]]
    return "\n".join("\n".join(part) for part in parts) + "\n"


def _head(words: Words) -> list[str]:
    lines = wrap(f"{words.title.upper()}, {words.date}", WIDTH)
    for reason in words.closed:
        lines += wrap(f"CLOSED: {reason}", WIDTH, first="!! ", rest="!! ")
    for reason in words.shut:
        lines += wrap(f"NO ACCESS: {reason}", WIDTH, first="!! ", rest="!! ")
    lines += wrap("; ".join(p for p in (words.place, words.basis) if p), WIDTH)
    return [*lines, *(wrap(f"Access: {words.access}", WIDTH, rest="  ") if words.access else ()), ""]


def _cautions(words: Words) -> list[str]:
    lines = ["CAUTIONS, the gravest of the day first"]
    for text, raised in words.cautions:
        lines += wrap(text, WIDTH, first="! " if raised else "- ", rest="  ")
    return [*lines, ""]


def _labelled(label: str, text: str) -> list[str]:
    return wrap(text, WIDTH, first=f" {label:<{LABEL - 1}}", rest=" " * LABEL)


def _day(words: Words) -> list[str]:
    return ["THE DAY", *(line for label, text in words.day for line in _labelled(label, text)), ""]


def _board(words: Words) -> list[str]:
    texts = [_row(row) for row in words.rows]
    wide = widths(TABLE, texts, WIDTH)
    lines = ["WHAT IS ABOUT (moving: nymphs on their way, or pupae)"]
    lines += [set_line([c.title for c in TABLE], TABLE, wide)] if texts else []
    unsure = False
    for row, text in zip(words.rows, texts, strict=True):
        if row.unsure and not unsure:
            unsure = True
            lines.append(f" {MAY_LIVE_HERE}:")
        lines.append(set_line(text, TABLE, wide))
    for label, names in words.absent:
        lines += wrap(f"{label}: {names}", WIDTH, first=" ", rest="   ")
    return [*lines, ""]


def _row(row: Row) -> list[str]:
    shares = ["-"] * 4 if row.shares is None else [percent(v) for v in row.shares]
    return [row.name, *shares, f"{percent(row.chance):>5} {row.shows}".rstrip()]


def _advice(part: Part) -> list[str]:
    lines = wrap(part.heading, WIDTH)
    lines[0] = lines[0][0].upper() + lines[0][1:]
    return [*lines, *(line for label, text in part.lines for line in _labelled(label, text)), ""]


def _counts(words: Words) -> list[str]:
    head, *rows = words.counts
    first = max(cells(row[0]) for row in words.counts) + 1
    each = (WIDTH - first - 1) // (len(head) - 1)
    lines = ["COUNTS"]
    for row in (head, *rows):
        lines.append(" " + pad(row[0], first) + "".join(pad(cell, each, right=True) for cell in row[1:]))
    return [*lines, *(line for note in words.count_notes for line in wrap(note, WIDTH, first=" ", rest=" ")), ""]


def _blanks(words: Words) -> list[str]:
    reading = f"hour ____ depth ____ {words.depth_unit} water ____ {words.reading_unit}"
    lines = ["NOTE", f" {reading}   {reading}"]
    lines += [f" {words.levels} (looked, saw none counts); minutes looked ____"]
    first, each = 30, 8
    lines.append(" " + " " * first + "".join(f"{head:<{each}}" for head in words.stage_heads).rstrip())
    for name in words.blanks:
        lines.append(
            " "
            + (pad(name, first - 1) if name else "_" * (first - 1))
            + " "
            + " ".join(["_" * (each - 1)] * len(words.stage_heads))
        )
    return [*lines, *(line for c in words.commands for line in wrap(c, WIDTH, rest="  ")), ""]
