"""Damage to bytes, files and the folder."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable

import numpy as np

from .draft import Draft, Rng, damage, one_of, table


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
    return rewrite(
        draft, rng, lambda raw: one_of(rng, (mark + raw, mark * 2 + raw, raw.replace(b"\n", b"\n" + mark), mark))
    )


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
    return rewrite(
        draft, rng, lambda raw: one_of(rng, (b"", b"\n", b" \t\r\n", b",", b",,,\n,,,\n", b"\xef\xbb\xbf\n", b'""'))
    )


@damage
def something_else_in_it(draft: Draft, rng: Rng) -> str:
    noise = rng.integers(0, 256, size=2000).astype(np.uint8).tobytes()
    others = (
        noise,
        b"PK\x03\x04" + noise,
        b"%PDF-1.7\n",
        b"<!DOCTYPE html><html></html>",
        b'{"lakes": [1, 2]}',
        b"\x1f\x8b" + noise,
    )
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
            "tail": raw + b"tail", "not packed": draft.files[name], "empty": b"", "both": raw, "no gz": raw,
            "big": gzip.compress(b" " * 3_000_000)}  # fmt: skip
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
    kinds = [
        "folder",
        "loop",
        "dangling",
        "up",
        "self",
        "device",
        "locked",
        *(["pipe"] if hasattr(os, "mkfifo") else []),
    ]
    name, kind = any_file(draft, rng), one_of(rng, kinds)
    draft.put(name, kind)
    return f"{name} {kind}"


@damage
def something_in_place_of_a_folder(draft: Draft, rng: Rng) -> str:
    name, kind = (
        one_of(rng, ("weather", "taxa")),
        one_of(rng, ("file", "loop", "dangling", "up", "self", "folder", "gone")),
    )
    draft.put(name, kind)
    return f"{name} {kind}"


@damage
def file_renamed(draft: Draft, rng: Rng) -> str:
    name = any_file(draft, rng)
    stem, _, end = name.rpartition(".")
    ends = (f"{end}.txt", "CSV", f"ahead.{end}", f"{end}.bak")
    news = (name.upper(), stem, f".{name}", f"weather/{name}", f"taxa/{name}.toml", *(f"{stem}.{e}" for e in ends))
    new = one_of(rng, (*news, *(f"{stem}{tail}.{end}" for tail in ("s", " (1)", "\n", "🦟"))))
    draft.files[new] = draft.files.pop(name)
    return f"{name} {new!r}"


@damage
def strange_files_beside(draft: Draft, rng: Rng) -> str:
    stems = ("\udcff", "none", "", "deep/low", "low.ahead.ahead", "a\nb", "low.csv", "CON", "high.ahead")
    others = ("taxa/notes.txt", "taxa/x.toml", "desktop.ini", "~$lakes.csv", "lakes (2).csv", "overrules.csv")
    names = (*others, "learned.json", *(f"weather/{stem}.csv" for stem in stems))
    for _ in range(3):
        draft.files[one_of(rng, names)] = draft.files[any_file(draft, rng)]
    return "3 files"


@damage
def nothing_but_one_file(draft: Draft, rng: Rng) -> str:
    name = any_file(draft, rng)
    draft.files = {name: draft.files[name]}
    return name
