"""Season folders damaged at random: a small sound one, many kinds of damage, all drawn from one seed."""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import json
import os
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

Rng = np.random.Generator
Rows = list[list[str]]

CATALOGUE = Path(__file__).resolve().parents[1] / "emergence" / "taxa" / "catalogue"
TABLES = ("lakes.csv", "stations.csv", "readings.csv", "ice.csv", "sightings.csv", "residents.csv")
NUMBERS = (
    *("latitude", "longitude", "elevation_m", "area_ha", "mean_depth_m", "max_depth_m", "water_c", "depth_m"),
    *("hour", "minutes", "tmin_c", "tmax_c", "tmean_c"),
)
MOST_DAMAGES = 3


@dataclass
class Draft:
    """A season folder before it is written: bytes by name, and what stands in place of files."""

    files: dict[str, bytes]
    instead: dict[str, str] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)

    def named(self, start: str = "", end: str = "") -> list[str]:
        return sorted(name for name in self.files if name.startswith(start) and name.endswith(end))

    def put(self, name: str, kind: str) -> None:
        """Let something else stand where the file was; ``weather`` and ``taxa`` lose what they hold."""
        for gone in [n for n in self.files if n == name or n.startswith(f"{name}/")]:
            del self.files[gone]
        self.instead[name] = kind

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True)
        for name, raw in self.files.items():
            with contextlib.suppress(FileExistsError, NotADirectoryError):
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(raw)
        for name, kind in self.instead.items():
            with contextlib.suppress(FileExistsError, NotADirectoryError, FileNotFoundError):
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                _stand_in(folder / name, kind)
        return folder


def _stand_in(path: Path, kind: str) -> None:
    targets = {"loop": path.name, "dangling": "nowhere", "up": "..", "self": ".", "device": os.devnull}
    if kind == "folder":
        path.mkdir()
    elif kind == "file":
        path.write_bytes(b"x")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "locked":
        path.write_bytes(b"date,tmean_c\n2024-05-01,8\n")
        path.chmod(0)
    elif kind in targets:
        path.symlink_to(targets[kind])


Damage = Callable[[Draft, Rng], str]
DAMAGES: dict[str, Damage] = {}


def damage(make: Damage) -> Damage:
    """Count a function among the kinds of damage."""
    DAMAGES[make.__name__] = make
    return make


def small_season(files: Mapping[str, str]) -> Draft:
    """Return the sound folder with few members, so that a run takes a fraction of a second."""
    text = dict(files)
    text["season.toml"] = text["season.toml"].replace("slots = 20", "slots = 3").replace("replicates = 6", "replicates = 2")
    assert "slots = 3" in text["season.toml"] and "replicates = 2" in text["season.toml"]
    return Draft({name: content.encode() for name, content in text.items()})


def damaged(files: Mapping[str, str], seed: int) -> Draft:
    """Return the small season with one to three damages; seeds in a row begin with different kinds."""
    rng = np.random.default_rng([2024, seed])
    draft, kinds = small_season(files), list(DAMAGES)
    more = int(rng.integers(0, MOST_DAMAGES))
    for kind in (kinds[seed % len(kinds)], *(one_of(rng, kinds) for _ in range(more))):
        draft.done.append(f"{kind}: {DAMAGES[kind](draft, rng)}")
    return draft


def one_of(rng: Rng, options: Sequence[Any]) -> Any:
    return options[int(rng.integers(len(options)))]


# Tables as rows of cells. Bytes that are no UTF-8 survive the way there and back.


def cells_of(raw: bytes) -> Rows:
    text = raw.decode("utf-8", "surrogateescape")
    try:
        return [row for row in csv.reader(io.StringIO(text, newline="")) if row]
    except csv.Error:
        return [line.split(",") for line in text.split("\n") if line]


def bytes_of(rows: Rows) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8", "surrogateescape")


@contextlib.contextmanager
def rows_of(draft: Draft, name: str) -> Iterator[Rows]:
    rows = cells_of(draft.files[name]) or [[""]]
    yield rows
    draft.files[name] = bytes_of(rows)


def table(draft: Draft, rng: Rng, start: str = "") -> str:
    """Return the name of some table; weather counts twice. A lost one is put back with a header only."""
    names = draft.named(start, ".csv") + draft.named("weather/", ".csv")
    if not names:
        draft.files["lakes.csv"] = b"lake_id,latitude,longitude,elevation_m\n"
        return "lakes.csv"
    return str(one_of(rng, names))


def weather(draft: Draft, rng: Rng) -> str:
    names = [n for n in draft.named("weather/", ".csv") if not n.endswith(".ahead.csv")]
    if not names:
        draft.files["weather/low.csv"] = b"date,tmean_c\n2024-05-01,8\n2024-05-02,9\n"
        return "weather/low.csv"
    return str(one_of(rng, names))


def column(rows: Rows, rng: Rng, wanted: Sequence[str] = ()) -> int:
    """Return the place of some column, one of ``wanted`` if there is any."""
    found = [i for i, head in enumerate(rows[0]) if head in wanted]
    return int(one_of(rng, found or range(max(len(rows[0]), 1))))


def some_rows(rows: Rows, rng: Rng) -> list[int]:
    """Return one row below the header, a few or all of them."""
    count = len(rows) - 1
    share = one_of(rng, (1, 1, 5, max(count // 3, 1), count))
    return sorted(rng.choice(count, size=min(share, count), replace=False) + 1) if count > 0 else []


def set_cells(rows: Rows, places: Sequence[int], at: int, values: Sequence[str], rng: Rng) -> str:
    """Put values from a list into a column; return the last one."""
    value = ""
    for i in places:
        if at < len(rows[i]):
            value = rows[i][at] = str(one_of(rng, values))
    return value[:40]


def fill(draft: Draft, rng: Rng, values: Sequence[str], wanted: Sequence[str], start: str = "") -> str:
    """Put values into some cells of one of the wanted columns of some table."""
    name = table(draft, rng, start)
    with rows_of(draft, name) as rows:
        at = column(rows, rng, wanted)
        places = some_rows(rows, rng)
        value = set_cells(rows, places, at, values, rng)
        return f"{name} {rows[0][at] if rows[0] else ''} x{len(places)} {value!r}"


def table_with(draft: Draft, rng: Rng, head: str) -> str:
    names = [n for n in draft.named(end=".csv") if head.encode() in draft.files[n][:400].split(b"\n")[0]]
    return str(one_of(rng, names)) if names else table(draft, rng)


# Columns and headers.


@damage
def column_lost(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        at = column(rows, rng)
        head = rows[0][at]
        rows[:] = [row[:at] + row[at + 1 :] for row in rows]
    return f"{name} {head}"


@damage
def column_renamed(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        at = column(rows, rng)
        head = rows[0][at]
        news = (head.upper(), f" {head} ", f"{head}x", head[:-1], "", "tmin_f", "elevation_ft", "área", "x" * 3000)
        rows[0][at] = one_of(rng, news)
        return f"{name} {head} {rows[0][at][:40]!r}"


@damage
def column_doubled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        at = column(rows, rng)
        rows[:] = [[*row, row[at] if at < len(row) else ""] for row in rows]
        return f"{name} {rows[0][at]}"


@damage
def column_unnamed(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows[:] = [["" if i == 0 else "seen", *row] for i, row in enumerate(rows)]
    return name


@damage
def headers_swapped(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        a, b = column(rows, rng), column(rows, rng)
        rows[0][a], rows[0][b] = rows[0][b], rows[0][a]
        return f"{name} {rows[0][a]} {rows[0][b]}"


@damage
def header_lost(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        del rows[0]
    return name


@damage
def header_again(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows.insert(int(rng.integers(1, len(rows) + 1)), list(rows[0]))
    return name


@damage
def rows_lost(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        left = one_of(rng, (0, 1, 2, 5))
        del rows[1 + left :]
    return f"{name} {left} left"


# Cells.

ODD_NUMBERS = (
    *("nan", "NaN", "inf", "-inf", "Infinity", "1e308", "-1e308", "1e309", "1e-320", "-0", "-0.0", "+5", ".5", "5."),
    *("9" * 400, "0." + "3" * 400, "1e", "--3", "1_000", "0x1F", "٣", "１２", "½", "−4", "1 2", "1,5", "12 m", "∞"),
    *("1.2.3", "#DIV/0!", "=1+1", "true", "null", "N/A", "-", "?", "1e400", "999", "-999", "-9999", "99.9"),
)
ODD_DATES = (
    *("31.05.2024", "05/31/2024", "2024/05/31", "2024-5-31", "20240531", "45443", "2024-05-31T00:00", "31 May 2024"),
    *("2023-02-29", "2023-02-30", "2024-13-01", "2024-00-10", "2024-01-00", "0000-00-00", "2024-151", "2024-W22-5"),
    *("２０２４-05-31", "2024–05–31", "-2024-05-31", "2024-05-31 ", "yesterday", "NaT", "9" * 30, "2024-05", "2024"),
)
FAR_DATES = ("0001-01-01", "1066-10-14", "1799-12-31", "1800-01-01", "1900-02-28", "2999-01-01", "9999-12-31", "2050-06-01")
ODD_WORDS = (
    *("<script>alert(1)</script>", "🦟🦟", "\u202eيربوع\u202c", "بحيرة", "../../x", "..\\..\\x", "CON", "nul.txt", "/etc/x"),
    *("two\nlines", "tab\there", "quote\"d", "a,b", "'; DROP TABLE lakes; --", "=cmd|' /C calc'!A0", "%s%n{0}", "\u200b"),
    *("\ufeff", "\x1b[31mred\x1b[0m", "\x07", "e\u0301" * 40, "Ⅻ", "İ", "ß", " ", "nan", "NA", "None", "True", "0", "-", "."),
    *("x" * 10_000, "ö" * 70, "\udcff", "yes ", "YES", "maybe", "\r", "a\u2028b", "\u0085", "[red]x[/red]", "\\N{DASH}"),
)
LONG = ("y" * 10_000, "7" * 10_000, '"' * 9_999, "z" * 140_000, "é" * 10_000, "a b " * 2_500)


@damage
def cells_blank(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ("", " ", "\u00a0"), ())


@damage
def numbers_odd(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_NUMBERS, NUMBERS)


@damage
def numbers_odd_in_lakes(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_NUMBERS, NUMBERS, one_of(rng, ("lakes", "stations")))


@damage
def numbers_scaled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    factor = one_of(rng, (-1.0, 10.0, 1000.0, 0.001, 0.0, 1e300))
    with rows_of(draft, name) as rows:
        at = column(rows, rng, NUMBERS)
        for i in some_rows(rows, rng):
            with contextlib.suppress(ValueError, IndexError):
                rows[i][at] = repr(float(rows[i][at]) * factor)
        return f"{name} {rows[0][at] if rows[0] else ''} {factor}"


@damage
def dates_odd(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_DATES, ("date",))


@damage
def dates_of_all_rows_in_another_form(draft: Draft, rng: Rng) -> str:
    name = table_with(draft, rng, "date")
    form = one_of(rng, ("{2}.{1}.{0}", "{1}/{2}/{0}", "{0}{1}{2}", "{0}-{2}-{1}", "{0}-{1}-{2}T12:00"))
    with rows_of(draft, name) as rows:
        at = column(rows, rng, ("date",))
        for row in rows[1:]:
            with contextlib.suppress(IndexError):
                row[at] = form.format(*row[at].split("-"))
    return f"{name} {form}"


@damage
def dates_far(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, FAR_DATES, ("date",))


@damage
def words_odd(draft: Draft, rng: Rng) -> str:
    words = ("name", "region", "notes", "note", "observer", "taxon", "stage", "level", "event", "residence", "stems")
    return fill(draft, rng, ODD_WORDS, (*words, "share", "lake_id", "station_id"))


@damage
def lake_words_odd(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_WORDS, ("name", "region", "notes"), "lakes")


@damage
def cells_long(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, LONG, ())


@damage
def cells_shifted(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        for i in some_rows(rows, rng):
            rows[i] = one_of(rng, (["", *rows[i]], rows[i][1:], [*rows[i], "extra"], rows[i] * 3, rows[i][:1]))
    return name


# Rows.


@damage
def rows_doubled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows += [list(rows[i]) for i in some_rows(rows, rng)]
    return name


@damage
def rows_contradict(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        for i in some_rows(rows, rng):
            twin = list(rows[i])
            twin[-1] = one_of(rng, (*twin, "12.5", "no", "off"))
            rows.append(twin)
    return name


@damage
def rows_shuffled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows[1:] = [rows[i + 1] for i in rng.permutation(max(len(rows) - 1, 0))]
    return name


@damage
def rows_many(draft: Draft, rng: Rng) -> str:
    with rows_of(draft, table(draft, rng)) as rows:
        rows += [list(rows[-1]) for _ in range(4000)]
        return f"{len(rows)} rows"


@damage
def blank_lines(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    lines = draft.files[name].split(b"\n")
    for _ in range(5):
        lines.insert(int(rng.integers(len(lines) + 1)), one_of(rng, (b"", b",,,", b"   ", b",,,,,,,,,,,,,,,,")))
    draft.files[name] = b"\n".join(lines)
    return name


# Bytes.


def any_file(draft: Draft, rng: Rng) -> str:
    names = draft.named()
    return str(one_of(rng, names)) if names else table(draft, rng)


def rewrite(draft: Draft, rng: Rng, change: Callable[[bytes], bytes]) -> str:
    name = any_file(draft, rng)
    draft.files[name] = change(draft.files[name])
    return name


def recode(raw: bytes, encoding: str) -> bytes:
    return raw.decode("utf-8", "replace").encode(encoding, "replace")


@damage
def cut_short(draft: Draft, rng: Rng) -> str:
    return rewrite(draft, rng, lambda raw: raw[: int(rng.integers(len(raw) + 1))])


@damage
def head_cut_off(draft: Draft, rng: Rng) -> str:
    return rewrite(draft, rng, lambda raw: raw[int(rng.integers(len(raw) + 1)) :])


@damage
def bytes_flipped(draft: Draft, rng: Rng) -> str:
    count = one_of(rng, (1, 3, 30))

    def flip(raw: bytes) -> bytes:
        codes = np.frombuffer(raw, dtype=np.uint8).copy()
        if len(codes):
            places = rng.integers(len(codes), size=count)
            codes[places] ^= (1 << rng.integers(8, size=count)).astype(np.uint8)
        return codes.tobytes()

    return f"{rewrite(draft, rng, flip)} {count}"


@damage
def printable_bytes_changed(draft: Draft, rng: Rng) -> str:
    count = one_of(rng, (1, 3, 30))

    def change(raw: bytes) -> bytes:
        codes = np.frombuffer(raw, dtype=np.uint8).copy()
        if len(codes):
            codes[rng.integers(len(codes), size=count)] = rng.integers(32, 127, size=count)
        return codes.tobytes()

    return f"{rewrite(draft, rng, change)} {count}"


@damage
def nul_bytes(draft: Draft, rng: Rng) -> str:
    return rewrite(draft, rng, one_of(rng, (lambda raw: raw + b"\0" * 9, lambda raw: raw[:50] + b"\0" + raw[50:],
                                            lambda raw: b"\0" * len(raw))))  # fmt: skip


@damage
def other_encoding(draft: Draft, rng: Rng) -> str:
    code = one_of(rng, ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "utf-8-sig", "cp037"))
    return f"{rewrite(draft, rng, lambda raw: recode(raw, code))} {code}"


@damage
def latin_letters(draft: Draft, rng: Rng) -> str:
    code = one_of(rng, ("latin-1", "cp1252", "mac_roman", "utf-8"))
    return f"{rewrite(draft, rng, lambda raw: raw.replace(b'e', 'é'.encode(code)))} {code}"


@damage
def byte_order_marks(draft: Draft, rng: Rng) -> str:
    mark = b"\xef\xbb\xbf"
    return rewrite(draft, rng, one_of(rng, (lambda raw: mark + raw, lambda raw: mark * 2 + raw,
                                            lambda raw: raw.replace(b"\n", b"\n" + mark), lambda raw: mark)))  # fmt: skip


@damage
def line_ends(draft: Draft, rng: Rng) -> str:
    end = one_of(rng, (b"\r\n", b"\r", b"\r\r\n", b"\n\r", b"\x0b", b"\x0c", b"\xe2\x80\xa8", b"\xc2\x85", b"\\n"))
    return f"{rewrite(draft, rng, lambda raw: raw.replace(chr(10).encode(), end))} {end!r}"


@damage
def separators(draft: Draft, rng: Rng) -> str:
    name, mark = table(draft, rng), one_of(rng, (b";", b"\t", b"|", b" ", b", ", b",,"))
    raw = draft.files[name].replace(b",", mark)
    draft.files[name] = raw.replace(b".", b",") if rng.random() < 0.5 else raw
    return f"{name} {mark!r}"


@damage
def quotes(draft: Draft, rng: Rng) -> str:
    mark = one_of(rng, (b'"', b'""', b"'", "“".encode(), b'"""'))

    def put(raw: bytes) -> bytes:
        at = int(rng.integers(len(raw) + 1))
        return raw[:at] + mark + raw[at:]

    return f"{rewrite(draft, rng, put)} {mark!r}"


@damage
def nothing_in_it(draft: Draft, rng: Rng) -> str:
    return rewrite(draft, rng, lambda raw: one_of(rng, (b"", b"\n", b" \t\r\n", b",", b",,,\n,,,\n", b"\xef\xbb\xbf\n", b'""')))


@damage
def something_else_in_it(draft: Draft, rng: Rng) -> str:
    noise = rng.integers(0, 256, size=2000).astype(np.uint8).tobytes()
    others = (noise, b"PK\x03\x04" + noise, b"%PDF-1.7\n", b"<!DOCTYPE html><html></html>", b'{"lakes": [1, 2]}', b"\x1f\x8b" + noise)
    return rewrite(draft, rng, lambda raw: one_of(rng, (*others, raw + raw, raw + b"\x1a", raw * 3)))


@damage
def contents_exchanged(draft: Draft, rng: Rng) -> str:
    a, b = any_file(draft, rng), any_file(draft, rng)
    draft.files[a], draft.files[b] = draft.files[b], draft.files[a]
    return f"{a} {b}"


@damage
def packed(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    raw = gzip.compress(draft.files[name], mtime=0)
    at = int(rng.integers(len(raw)))
    flipped = raw[:at] + bytes([raw[at] ^ 255]) + raw[at + 1 :]
    ways = {"sound": raw, "cut": raw[:at], "flipped": flipped, "twice": gzip.compress(raw), "two parts": raw + raw,
            "tail": raw + b"tail", "not packed": draft.files[name], "empty": b"", "big": gzip.compress(b" " * 3_000_000),
            "both": raw, "no gz": raw}  # fmt: skip
    way = one_of(rng, list(ways))
    if way != "both":
        del draft.files[name]
    draft.files[name if way == "no gz" else f"{name}.gz"] = ways[way]
    return f"{name} {way}"


# The folder.


@damage
def file_missing(draft: Draft, rng: Rng) -> str:
    name = any_file(draft, rng)
    del draft.files[name]
    return name


@damage
def something_in_place_of_a_file(draft: Draft, rng: Rng) -> str:
    kinds = ["folder", "loop", "dangling", "up", "self", "device", "locked", *(["pipe"] if hasattr(os, "mkfifo") else [])]
    name, kind = any_file(draft, rng), one_of(rng, kinds)
    draft.put(name, kind)
    return f"{name} {kind}"


@damage
def something_in_place_of_a_folder(draft: Draft, rng: Rng) -> str:
    name, kind = one_of(rng, ("weather", "taxa")), one_of(rng, ("file", "loop", "dangling", "up", "self", "folder", "gone"))
    draft.put(name, kind)
    return f"{name} {kind}"


@damage
def file_renamed(draft: Draft, rng: Rng) -> str:
    name = any_file(draft, rng)
    stem, _, end = name.rpartition(".")
    news = (name.upper(), f"{stem}.{end}.txt", f"{stem}.CSV", f"{stem}s.{end}", f"{stem} (1).{end}", stem, f".{name}",
            f"weather/{name}", f"{stem}.ahead.{end}", f"taxa/{name}.toml", f"{stem}\n.{end}", f"{stem}🦟.{end}")  # fmt: skip
    new = one_of(rng, news)
    draft.files[new] = draft.files.pop(name)
    return f"{name} {new!r}"


@damage
def strange_files_beside(draft: Draft, rng: Rng) -> str:
    names = ("weather/\udcff.csv", "weather/none.csv", "weather/.csv", "weather/deep/low.csv", "weather/low.ahead.ahead.csv",
             "taxa/notes.txt", "taxa/x.toml", "desktop.ini", "~$lakes.csv", "lakes (2).csv", "weather/a\nb.csv",
             "weather/low.csv.csv", "weather/CON.csv", "weather/high.ahead.csv", "overrules.csv", "learned.json")  # fmt: skip
    for _ in range(3):
        draft.files[one_of(rng, names)] = draft.files[any_file(draft, rng)]
    return "3 files"


@damage
def nothing_but_one_file(draft: Draft, rng: Rng) -> str:
    name = any_file(draft, rng)
    draft.files = {name: draft.files[name]}
    return name


# Weather.


def days_of(rows: Rows) -> list[str]:
    return [row[0] for row in rows[1:] if row]


@damage
def minima_and_maxima_exchanged(draft: Draft, rng: Rng) -> str:
    name = weather(draft, rng)
    with rows_of(draft, name) as rows:
        for i in some_rows(rows, rng):
            rows[i][1:3] = rows[i][1:3][::-1]
    return name


@damage
def fahrenheit(draft: Draft, rng: Rng) -> str:
    name, said = weather(draft, rng), rng.random() < 0.3
    with rows_of(draft, name) as rows:
        if said:
            rows[0] = [head.replace("_c", "_f") for head in rows[0]]
        for row in rows[1:]:
            for at in range(1, len(row)):
                with contextlib.suppress(ValueError):
                    row[at] = f"{float(row[at]) * 1.8 + 32:.1f}"
    return f"{name} {'said' if said else 'not said'}"


@damage
def weather_of_another_kind(draft: Draft, rng: Rng) -> str:
    name = weather(draft, rng)
    kinds = ("0", "-0", "-89.9", "59.9", "39.9", "10", "")
    kind = one_of(rng, (*kinds, "wild", "steps"))
    with rows_of(draft, name) as rows:
        days = days_of(rows)
        wild = {"wild": rng.uniform(-60, 55, len(days)), "steps": np.where(np.arange(len(days)) % 2, -50.0, 45.0)}
        values = [f"{v:.1f}" for v in wild[kind]] if kind in wild else [kind] * len(days)
        rows[:] = [["date", "tmean_c"], *([day, value] for day, value in zip(days, values, strict=True))]
    return f"{name} {kind!r}"


@damage
def weather_short(draft: Draft, rng: Rng) -> str:
    name, count = weather(draft, rng), one_of(rng, (1, 2, 5, 20, 31, 90, 200, 364))
    with rows_of(draft, name) as rows:
        at = int(rng.integers(1, max(len(rows) - count, 1) + 1))
        rows[1:] = rows[at : at + count]
    return f"{name} {count} days"


@damage
def weather_with_a_gap(draft: Draft, rng: Rng) -> str:
    name, count = weather(draft, rng), one_of(rng, (4, 40, 200, 400, 700))
    with rows_of(draft, name) as rows:
        at = int(rng.integers(1, max(len(rows) - count, 1) + 1))
        del rows[at : at + count]
    return f"{name} {count} days"


@damage
def weather_of_another_time(draft: Draft, rng: Rng) -> str:
    year = one_of(rng, (1800, 1801, 1850, 1900, 1969, 1970, 1999, 2009))
    for name in draft.named("weather/") if rng.random() < 0.5 else [weather(draft, rng)]:
        for place in (2024, 2023, 2022):
            new = f"{year + place - 2022}-".encode()
            draft.files[name] = draft.files[name].replace(f"{place}-".encode(), new)
    return str(year)


@damage
def one_very_old_day(draft: Draft, rng: Rng) -> str:
    name, day = weather(draft, rng), one_of(rng, ("1800-01-01", "1800-12-31", "1900-07-01"))
    with rows_of(draft, name) as rows:
        rows.append([day, *rows[-1][1:]])
    return f"{name} {day}"


@damage
def one_half_of_the_range(draft: Draft, rng: Rng) -> str:
    name = weather(draft, rng)
    with rows_of(draft, name) as rows:
        for i in some_rows(rows, rng):
            rows[i][int(rng.integers(1, max(len(rows[i]), 2))) :] = [""]
    return name


@damage
def mean_outside_the_range(draft: Draft, rng: Rng) -> str:
    name = weather(draft, rng)
    with rows_of(draft, name) as rows:
        rows[:] = [[*row, "tmean_c" if i == 0 else one_of(rng, ("30", "-30", "", "5"))] for i, row in enumerate(rows)]
    return name


@damage
def forecast_days(draft: Draft, rng: Rng) -> str:
    station, first = one_of(rng, ("low", "high")), one_of(rng, ("2023-01-01", "2024-06-03", "2999-01-01", "1750-01-01", "x"))
    last = one_of(rng, ("2100-01-01", "2024-06-20", first))
    draft.files[f"weather/{station}.ahead.csv"] = f"date,tmean_c\n{first},11\n{last},{one_of(rng, ODD_NUMBERS)}\n".encode()
    if rng.random() < 0.3:
        draft.files.pop(f"weather/{station}.csv", None)
    return f"{station} {first} {last}"


# Lakes and stations.


def set_column(draft: Draft, name: str, head: str, values: Sequence[str]) -> None:
    """Give a whole column, which is added if it is absent; values are repeated."""
    if name not in draft.files:
        draft.files[name] = b"lake_id,latitude,longitude,elevation_m\na,50,10,100\n"
    with rows_of(draft, name) as rows:
        if head not in rows[0]:
            rows[:] = [[*row, head if i == 0 else ""] for i, row in enumerate(rows)]
        at = rows[0].index(head)
        for i, row in enumerate(rows[1:]):
            row += [""] * (at + 1 - len(row))
            row[at] = values[i % len(values)]


PLACES = {
    "one place": ("51.2", "-119.4"), "north pole": ("90", "0"), "south pole": ("-90", "0"), "date line": ("51", "180"),
    "other date line": ("51", "-180"), "equator": ("0", "-119"), "nowhere": ("0", "0"), "south": ("-44.6", "169.2"),
    "off the map": ("91", "181"), "exchanged": ("-119.4", "51.2"), "a hair south": ("-0.0000001", "10"), "arctic": ("78.2", "15"),
}  # fmt: skip


@damage
def lakes_moved(draft: Draft, rng: Rng) -> str:
    place = one_of(rng, list(PLACES))
    both = rng.random() < 0.7
    for name in ("lakes.csv", "stations.csv") if both else ("lakes.csv",):
        set_column(draft, name, "latitude", [PLACES[place][0]])
        set_column(draft, name, "longitude", [PLACES[place][1]])
    return f"{place} {'with stations' if both else ''}"


@damage
def lakes_in_both_hemispheres(draft: Draft, rng: Rng) -> str:
    set_column(draft, "lakes.csv", "latitude", ["51.2", "-51.2", "0.0001"])
    return "every other lake"


@damage
def lakes_of_other_shape(draft: Draft, rng: Rng) -> str:
    shapes = {"area_ha": ("0", "0.001", "40000000", "-3", "", "1e-9"), "mean_depth_m": ("0", "0.05", "800", "-2", "", "20"),
              "max_depth_m": ("0", "0.05", "1700", "1", ""), "elevation_m": ("-450", "6500", "9000", "0", "-0"),
              "secchi_m": ("0.01", "80", "0", "x")}  # fmt: skip
    heads = [str(h) for h in rng.choice(list(shapes), size=2, replace=False)]
    for head in heads:
        set_column(draft, "lakes.csv", head, [one_of(rng, shapes[head])])
    return ", ".join(heads)


@damage
def stations_of_other_height(draft: Draft, rng: Rng) -> str:
    height = one_of(rng, ("-450", "9000", "9001", "0", ""))
    set_column(draft, "stations.csv", "elevation_m", [height])
    return height


@damage
def station_names_odd(draft: Draft, rng: Rng) -> str:
    name = one_of(rng, ("", "none", "LOW", "low ", "high", "<script>", "../low", "low.csv", "nan"))
    set_column(draft, "lakes.csv", "station_id", [name])
    return repr(name)


@damage
def renamed_everywhere(draft: Draft, rng: Rng) -> str:
    """Give a lake or station another id in all files at once, so that the run goes on with it."""
    old = one_of(rng, ("alder", "cedar", "low", "high"))
    new = one_of(rng, ("CON", "nan", "NA", "null", "None", "0", "007", "1e5", "-", "_", "a.b", "x" * 64, "x" * 65, "ß", "İz",
                       "Å", "e\u0301toile", "湖", "True", "..", "low.ahead", "<b>", "windows", "x.csv", "=1"))  # fmt: skip
    for name in draft.named(end=".csv"):
        if name.startswith(f"weather/{old}."):
            draft.files[f"weather/{new}.{name.split('.', 1)[1]}"] = draft.files.pop(name)
        elif name in TABLES:
            with rows_of(draft, name) as rows:
                rows[:] = [[new if cell == old else cell for cell in row] for row in rows]
    return f"{old} {new[:20]!r}"


@damage
def lakes_many(draft: Draft, rng: Rng) -> str:
    rows = [f"lake{i},{40 + i % 20},{-100 - i % 15},{i * 7}" for i in range(40)]
    draft.files["lakes.csv"] = "\n".join(["lake_id,latitude,longitude,elevation_m", *rows]).encode()
    return "40, far from the stations"


@damage
def lake_of_no_file(draft: Draft, rng: Rng) -> str:
    name = one_of(rng, ("readings.csv", "ice.csv", "sightings.csv", "residents.csv"))
    set_column(draft, name, "lake_id", ["nowhere", "Alder", "alder", ""])
    return name


@damage
def residents_odd(draft: Draft, rng: Rng) -> str:
    said = one_of(rng, ("no", "yes", "perhaps", "NO", "", "unsure"))
    word = one_of(rng, ("coenagrion", "nothing", "buzzer", "Lake Fly", "-", "", "coenagrian"))
    pairs = [f"{lake},{taxon},{said}" for lake in ("alder", "birch", "cedar") for taxon in ("chironomus", word)]
    draft.files["residents.csv"] = "\n".join(["lake_id,taxon,residence", *pairs]).encode()
    return f"{word!r} {said!r}"


# season.toml.

KEYS = ("name", "time_zone", "weather.source", "taxa.run", "ensemble.slots", "ensemble.replicates", "ensemble.seed",
        "units.temperature", "units.length", "guests.lakes")  # fmt: skip
VALUES = (
    *("0", "-1", "1", "3.5", "true", '"8"', "1000000000", "9223372036854775807", "9223372036854775808", "1e400", "nan"),
    *("[]", '[""]', "[1]", '["coenagrion", "coenagrion"]', '["nothing"]', '["lake fly"]', '["*"]', '["buzzer"]', "{}", "[[]]"),
    *('""', '"C"', '"F"', '"ft"', '"all"', '"meteostat"', '"both"', '"files"', "2024-05-31", "12:00:00", '"\\u0000"'),
    *('"Nowhere/City"', '"../../etc/passwd"', '"Europe"', '"/etc/localtime"', '"' + "a" * 5000 + '"', '"Etc/GMT+2"', '"."'),
    *('"CON"', '"../x"', '"🦟"', '" x "', '"a\\nb"', '"<script>"', '"nul.txt"', '"' + "é" * 80 + '"', '"\\u202eabc"', "'''\n'''"),
)


def set_key(draft: Draft, dotted: str, value: str) -> None:
    section, _, key = dotted.rpartition(".")
    lines = draft.files.get("season.toml", b"").decode("utf-8", "surrogateescape").split("\n")
    lines = [line for line in lines if not line.startswith(f"{key} =")]
    at = lines.index(f"[{section}]") + 1 if f"[{section}]" in lines else 0
    new = f"{key} = {value}" if at or not section else f"{dotted} = {value}"
    draft.files["season.toml"] = "\n".join([*lines[:at], new, *lines[at:]]).encode("utf-8", "surrogateescape")


@damage
def setting_odd(draft: Draft, rng: Rng) -> str:
    key, value = one_of(rng, KEYS), one_of(rng, VALUES)
    set_key(draft, key, value)
    return f"{key} = {value[:40]}"


@damage
def numbers_of_members(draft: Draft, rng: Rng) -> str:
    key = one_of(rng, ("ensemble.slots", "ensemble.replicates"))
    value = one_of(rng, ("0", "1", "-5", "1000000000", "61", "2.0", '"30"', "0x10", "1_0", "true"))
    set_key(draft, key, value)
    return f"{key} = {value}"


@damage
def taxa_to_run(draft: Draft, rng: Rng) -> str:
    value = one_of(rng, ('["nothing"]', '["coenagrian"]', "[]", '["lestes", "lestes"]', '["-"]', '["caddis"]', '["buzzer"]'))
    set_key(draft, "taxa.run", value)
    return str(value)


@damage
def setting_unknown(draft: Draft, rng: Rng) -> str:
    key = one_of(rng, ("nam", "timezone", "ensemble.slot", "members", "weather.file", "x.y.z", '"a b"', "run"))
    set_key(draft, key, one_of(rng, VALUES))
    return str(key)


@damage
def settings_no_toml(draft: Draft, rng: Rng) -> str:
    texts = ("name = ", "= 3", "[ensemble", "name: High lakes", "a" * 20_000, "[" * 5000, "x = " + "[" * 3000, "x = '''",
             "a = 1\na = 2", "[a]\n[a]", "x = 1" + "0" * 5000, "\\", "x = {a = 1,}", "# only a note", "name = 'x' 'y'",
             "[[ensemble]]\nslots = 3", "ensemble = 3", "[weather.source]\nx = 1", "x = \ud800")  # fmt: skip
    text = one_of(rng, texts)
    draft.files["season.toml"] = text.encode("utf-8", "surrogatepass")
    return repr(text[:30])


# Own taxa.

LIMITS = {
    "°C": (-10.0, 0.0, 45.0, -300.0), "°C·day": (0.0, 1e-9, 1.0, 10000.0, 1e308, -1.0), "1": (0.0, 1e-12, 1.5, 10.0),
    "h": (0.0, 12.0, 24.0, 25.0), "m": (0.0, 1e-6, 6000.0), "ha": (0.0, 1e7), "°": (0.0, 90.0), "day": (0.0, 366.0),
}  # fmt: skip
OWN = ("coenagrion", "chironomus")


def inline(value: object) -> str:
    """Return a value as TOML, tables inline."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {inline(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(inline(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value).lower()


def taxon_table(key: str) -> dict[str, Any]:
    return tomllib.loads((CATALOGUE / f"{key}.toml").read_text(encoding="utf-8"))


def put_taxon(draft: Draft, table: dict[str, Any], file: str = "own") -> None:
    draft.files[f"taxa/{file}.toml"] = "\n".join(f"{k} = {inline(v)}" for k, v in table.items()).encode()


def quantities(node: object, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(node, dict) and "value" in node:
        yield path, node
    children = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, child in children:
        yield from quantities(child, f"{path}.{key}")


def leaves(node: dict[str, Any] | list[Any]) -> Iterator[tuple[Any, Any]]:
    for key, child in list(node.items() if isinstance(node, dict) else enumerate(node)):
        yield node, key
        if isinstance(child, dict | list):
            yield from leaves(child)


def own_taxon(draft: Draft, rng: Rng) -> dict[str, Any]:
    """Return one of the two taxa of the run as a table of one's own; the file that overrides it is gone."""
    draft.files.pop("taxa/coenagrion.toml", None)
    return taxon_table(one_of(rng, OWN))


@damage
def taxon_numbers_at_the_edge(draft: Draft, rng: Rng) -> str:
    taxon, told = own_taxon(draft, rng), []
    found = list(quantities(taxon))
    for _ in range(one_of(rng, (1, 1, 4))):
        path, number = one_of(rng, found)
        value = one_of(rng, LIMITS[number["unit"]])
        number |= {"value": value, "low": value, "high": value}
        told.append(f"{path} {value}")
    put_taxon(draft, taxon)
    return f"{taxon['id']} {told}"


@damage
def taxon_part_odd(draft: Draft, rng: Rng) -> str:
    taxon = own_taxon(draft, rng)
    holder, key = one_of(rng, list(leaves(taxon)))
    value = one_of(rng, ("text", "", 3, -1, 1e400, float("nan"), True, [], [1], {}, {"value": 3}, "°F", None, "02-29", "99-99"))
    holder[key] = value
    if value is None:
        del holder[key]
    put_taxon(draft, taxon)
    return f"{taxon['id']} {key} {value!r}"


@damage
def taxon_ranges_lost(draft: Draft, rng: Rng) -> str:
    taxon = own_taxon(draft, rng)
    for _, number in quantities(taxon):
        number.pop("low", None)
        number.pop("high", None)
    put_taxon(draft, taxon)
    return str(taxon["id"])


@damage
def taxon_gates_odd(draft: Draft, rng: Rng) -> str:
    taxon = own_taxon(draft, rng)
    variable = one_of(rng, ("water_mean", "air_max", "air_dusk", "day_length", "wind"))
    unit = "h" if variable == "day_length" else "°C"
    sure = {"unit": unit, "source": "own notes", "standing": "our prior"}
    gate = {"variable": variable} | {key: {"value": one_of(rng, (0.0, 10.0, 24.0, 45.0))} | sure for key in ("shut_at", "open_at")}
    taxon["gates"] = [gate] * one_of(rng, (1, 2, 30))
    put_taxon(draft, taxon)
    return f"{taxon['id']} {len(taxon['gates'])} {variable}"


@damage
def taxon_start_odd(draft: Draft, rng: Rng) -> str:
    taxon = own_taxon(draft, rng)
    taxon["start"] = {"rule": one_of(rng, ("date", "ice_off", "warm_week", "moon")),
                      "month_day": one_of(rng, ("01-01", "12-31", "02-29", "00-00", "06-31", "1-1"))}  # fmt: skip
    if rng.random() < 0.5:
        value = one_of(rng, (-10.0, 0.0, 44.0))
        taxon["start"]["threshold"] = {"value": value, "unit": "°C", "source": "own notes", "standing": "our prior"}
    put_taxon(draft, taxon)
    return f"{taxon['id']} {taxon['start']}"


@damage
def taxon_broods_many(draft: Draft, rng: Rng) -> str:
    taxon = taxon_table("chironomus")
    taxon["broods"] = (taxon.get("broods") or []) * one_of(rng, (0, 3, 20))
    put_taxon(draft, taxon)
    return str(len(taxon["broods"]))


@damage
def taxon_of_ones_own(draft: Draft, rng: Rng) -> str:
    taxon = own_taxon(draft, rng)
    key = one_of(rng, ("own_midge", "Own", "x", "-", "own midge", "", "lestes", "a" * 60, 5, "con"))
    taxon |= {"id": key, "name": one_of(rng, ("own midge", "large lake midges", "", "🦟", "x" * 99, "a\nb")), "also_called": []}
    put_taxon(draft, taxon, one_of(rng, ("own", "a\nb", "lestes", "x" * 100)))
    set_key(draft, "taxa.run", f"[{json.dumps(str(key))}]")
    return f"{key!r} {taxon['name'][:20]!r}"


@damage
def taxon_changes_a_little(draft: Draft, rng: Rng) -> str:
    texts = ("growth.lower.value = 44", 'growth.lower = 3', 'gates = "none"', "gates = []", "gates = [{}]", "format = 2",
             "growth.requirement.median.value = 0", 'unknown_key = 1', 'id = "chironomus"', "habitat.needs_stems = 1",
             'also_called = ["damsel", "damsel", "buzzer"]', "start.rule = 5", "depth = 3", 'stage_words = { x = "y" }',
             'growth.requirement.median = { value = 9999, low = 9999, high = 9999, source = "own", standing = "our prior" }',
             'name = "<script>"', "[[gates]]\n", "[growth", "x = " + "[" * 2000, "")  # fmt: skip
    text = one_of(rng, texts)
    draft.files["taxa/coenagrion.toml"] = f'format = 1\nid = "coenagrion"\n{text}\n'.encode()
    return repr(text[:50])
