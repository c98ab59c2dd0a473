"""Where a key stands in a TOML text, so that an error can name its line."""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_ARRAY_HEADER = re.compile(rf"\s*\[\[\s*({_DOTTED})\s*\]\]")
_HEADER = re.compile(rf"\s*\[\s*({_DOTTED})\s*\]")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=(.*)")
_LONG_QUOTES = ('"""', "'''")


class KeyLines:
    r"""The line number, from 1, of every table header and key that starts a line of a TOML text.

    Keys inside inline tables have no entry of their own; elements of arrays of tables are numbered from 0.

    Examples
    --------
    >>> KeyLines('id = "x"\n[[gates]]\nvariable = "air_max"\n').line(("gates", 0, "variable"))
    3
    """

    def __init__(self, text: str) -> None:
        self.lines: dict[Path, int] = {}
        counts: dict[Path, int] = {}
        table: Path = ()
        quotes = ""
        for number, line in enumerate(text.splitlines(), start=1):
            if quotes:
                quotes = "" if quotes in line else quotes
            elif header := _ARRAY_HEADER.match(line):
                array = _resolved(_parts(header[1]), counts, last=False)
                counts[array] = counts.get(array, -1) + 1
                table = (*array, counts[array])
                self.lines.setdefault(array, number)
                self.lines[table] = number
            elif header := _HEADER.match(line):
                table = _resolved(_parts(header[1]), counts, last=True)
                self._note(table, number)
            elif assignment := _ASSIGNMENT.match(line):
                self._note((*table, *_parts(assignment[1])), number)
                quotes = _opened(assignment[2])

    def _note(self, path: Path, number: int) -> None:
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], number)

    def line(self, path: Path) -> int:
        """Return the line of a key or of the longest known beginning of its path, 0 where nothing is known."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 0


def _parts(dotted: str) -> Path:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))


def _resolved(path: Path, counts: dict[Path, int], *, last: bool) -> Path:
    """Insert the current element's number after each array of tables on the way."""
    done: Path = ()
    for position, part in enumerate(path, start=1):
        done = (*done, part)
        if done in counts and (last or position < len(path)):
            done = (*done, counts[done])
    return done


def _opened(value: str) -> str:
    """Return the long quotes that a value opens and does not close on its line, else ""."""
    start = value.strip()[:3]
    return start if start in _LONG_QUOTES and value.count(start) % 2 else ""
