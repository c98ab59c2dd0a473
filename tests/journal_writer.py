"""A process that writes notes one by one and says after each that it is noted; it may be killed at any moment.

Run: ``python -m tests.journal_writer FOLDER NAME COUNT``. Note k of NAME has k / 100 °C on day k.
"""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

from emergence.journal.entries import Entry, Note, Reading, Sighting, Stamp
from emergence.journal.errors import JournalError
from emergence.journal.notes import open_journal

NOW = dt.datetime(2026, 5, 24, 12, tzinfo=dt.UTC)
STAMP = "2026-05-24T12:00:00Z"
AT_ONCE = 5
"""Notes written through one connection before the journal is opened anew."""


def entry(name: str, k: int) -> Entry:
    if k % 3:
        return Entry(Reading(name, k, k % 4000 / 100.0))
    return Entry(Sighting(name, k, "coenagrion", "moving", "few", note=f"number {k}, " + "x" * (k % 50)))


def numbers(notes: tuple[Note, ...], name: str) -> list[int]:
    """Return which notes of a name are there, each found whole."""
    mine = [note for note in notes if note.body.lake_id == name]
    assert all(note.body == entry(name, note.body.day).body for note in mine)
    return sorted(note.body.day for note in mine)


def main() -> None:
    folder, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    first = int(sys.argv[4]) if len(sys.argv) > 4 else 0
    print("ready", flush=True)
    try:
        for start in range(first, first + count, AT_ONCE):
            with open_journal(folder, now=NOW) as journal:
                for k in range(start, min(start + AT_ONCE, first + count)):
                    journal.add([entry(name, k)], Stamp(STAMP, "command", name))
                    print(k, flush=True)
                if trouble := journal.keep_copy(NOW + dt.timedelta(days=start)):
                    print(f"copy: {trouble}", flush=True)
    except JournalError as error:
        print(f"refused: {error}", flush=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
