"""Any text, shown safely: no control characters, measured in screen cells, clipped, wrapped, set in columns."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

JOINERS = "\u200c\u200d"
"""Invisible but part of the spelling of several scripts; every other format character is taken out."""
FIRST_STRONG_ISOLATE, POP_ISOLATE = "\u2068", "\u2069"
CLIPPED = "…"
LEAST_NAME = 4
"""Least cells of a name before its event; below that the text is cut at its end."""


def plain(text: object) -> str:
    """Return text as one line without control, direction-changing and unassigned characters.

    Line breaks and tabs become spaces, runs of spaces one space. What is left cannot move a cursor, hide or reverse
    its neighbours, or break an XML file.
    """
    line = str(text)
    if line.isascii() and line.isprintable():
        return " ".join(line.split())
    kept = []
    for char in unicodedata.normalize("NFC", line):
        kind = unicodedata.category(char)
        if char.isspace():
            kept.append(" ")
        elif char in JOINERS or kind not in ("Cc", "Cf", "Cs", "Co", "Cn"):
            kept.append(char)
    return " ".join("".join(kept).split())


def cells(text: str) -> int:
    """Return how many screen cells a line takes at most, whether or not the screen joins emoji sequences."""
    if text.isascii() and text.isprintable():
        return len(text)
    return max(cell_len(text), sum(cell_len(char) for char in text))


def clip(text: str, width: int) -> str:
    """Return the text cut to ``width`` cells, an ellipsis at the cut."""
    if cells(text) <= width:
        return text
    while text and cells(text) > width - 1:
        text = text[:-1]
    return text.rstrip(" ,;:") + CLIPPED if width > 0 else ""


def clip_name(text: str, width: int) -> str:
    """Return ``name, event`` cut to ``width`` cells within the name, so that the event stays."""
    name, comma, event = text.rpartition(", ")
    room = width - cells(comma + event)
    return clip(name, room) + comma + event if cells(name) > room >= LEAST_NAME else clip(text, width)


def pad(text: str, width: int, *, right: bool = False) -> str:
    """Return the text clipped and filled to exactly ``width`` cells; right-to-left text keeps to its own place."""
    text = clip_name(text, width) if ", " in text else clip(text, width)
    fill = " " * (width - cells(text))
    if not text.isascii() and any(unicodedata.bidirectional(char) in ("R", "AL", "AN") for char in text):
        text = FIRST_STRONG_ISOLATE + text + POP_ISOLATE
    return fill + text if right else text + fill


def wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Return the text as lines of at most ``width`` cells, led by ``first`` and then by ``rest``."""
    room = max(width - max(cells(first), cells(rest)), 2)
    lines: list[str] = []
    for piece in (piece for word in text.split() for piece in _pieces(word, room)):
        if lines and cells(lines[-1]) + 1 + cells(piece) <= room:
            lines[-1] += " " + piece
        else:
            lines.append(piece)
    return [(rest if i else first) + line for i, line in enumerate(lines)]


def _pieces(word: str, room: int) -> list[str]:
    pieces = [""]
    for char in word:
        if cells(pieces[-1] + char) > room:
            pieces.append("")
        pieces[-1] += char
    return pieces


@dataclass(frozen=True)
class Column:
    """A column of a screen table.

    ``least`` is the width [cells] to which it may shrink (None: its natural width), ``gap`` the spaces before it.
    """

    title: str
    right: bool = False
    least: int | None = None
    gap: int = 2


def widths(columns: Sequence[Column], rows: Sequence[Sequence[str]], room: int) -> list[int]:
    """Return column widths [cells] that fit into ``room``; the widest flexible column gives way first."""
    room -= sum(column.gap for column in columns)
    wide = [max(cells(c.title), *(cells(row[i]) for row in rows), 0) for i, c in enumerate(columns)]
    while sum(wide) > room:
        flexible = [i for i, c in enumerate(columns) if c.least is not None and wide[i] > c.least]
        if not flexible:
            break
        wide[max(flexible, key=lambda i: wide[i])] -= 1
    return wide


def set_line(row: Sequence[str], columns: Sequence[Column], wide: Sequence[int]) -> str:
    """Return one line of a table, each column led by its gap."""
    parts = [" " * c.gap + pad(text, w, right=c.right) for text, c, w in zip(row, columns, wide, strict=True)]
    return "".join(parts).rstrip()
