"""Damage to season.toml, to own taxa and to learned.json."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from emergence.learning.water import IceFit, LakeFit
from emergence.runs.learn import to_json
from emergence.runs.taught import Learned
from emergence.water.features import FEATURES

from .draft import Draft, Rng, damage, one_of

CATALOGUE = Path(__file__).resolve().parents[2] / "emergence" / "taxa" / "catalogue"

KEYS = ("name", "time_zone", "weather.source", "taxa.run", "ensemble.slots", "ensemble.replicates", "ensemble.seed",
        "units.temperature", "units.length", "guests.lakes")  # fmt: skip
VALUES = (
    *("0", "-1", "1", "3.5", "true", '"8"', "1000000000", "9223372036854775807", "9223372036854775808", "1e400", "nan"),
    *(
        "[]",
        '[""]',
        "[1]",
        '["coenagrion", "coenagrion"]',
        '["nothing"]',
        '["lake fly"]',
        '["*"]',
        '["buzzer"]',
        "{}",
        "[[]]",
    ),
    *('""', '"C"', '"F"', '"ft"', '"all"', '"meteostat"', '"both"', '"files"', "2024-05-31", "12:00:00", '"\\u0000"'),
    *(
        '"Nowhere/City"',
        '"../../etc/passwd"',
        '"Europe"',
        '"/etc/localtime"',
        '"' + "a" * 5000 + '"',
        '"Etc/GMT+2"',
        '"."',
    ),
    *(
        '"CON"',
        '"../x"',
        '"🦟"',
        '" x "',
        '"a\\nb"',
        '"<script>"',
        '"nul.txt"',
        '"' + "é" * 80 + '"',
        '"\\u202eabc"',
        "'''\n'''",
    ),
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
    value = one_of(
        rng, ('["nothing"]', '["coenagrian"]', "[]", '["lestes", "lestes"]', '["-"]', '["caddis"]', '["buzzer"]')
    )
    set_key(draft, "taxa.run", value)
    return str(value)


@damage
def setting_unknown(draft: Draft, rng: Rng) -> str:
    key = one_of(rng, ("nam", "timezone", "ensemble.slot", "members", "weather.file", "x.y.z", '"a b"', "run"))
    set_key(draft, key, one_of(rng, VALUES))
    return str(key)


@damage
def settings_no_toml(draft: Draft, rng: Rng) -> str:
    texts = ("name = ", "= 3", "[ensemble", "name: High lakes", "a" * 20_000, "[" * 5000, "x = " + "[" * 3000,
             "x = '''", "a = 1\na = 2", "[a]\n[a]", "x = 1" + "0" * 5000, "\\", "x = {a = 1,}", "# only a note",
             "name = 'x' 'y'", "[[ensemble]]\nslots = 3", "ensemble = 3", "[weather.source]\nx = 1",
             "x = \ud800")  # fmt: skip
    text = one_of(rng, texts)
    draft.files["season.toml"] = text.encode("utf-8", "surrogatepass")
    return repr(text[:30])


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
    value = one_of(
        rng, ("text", "", 3, -1, 1e400, float("nan"), True, [], [1], {}, {"value": 3}, "°F", None, "02-29", "99-99")
    )
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
    gate = {"variable": variable} | {
        key: {"value": one_of(rng, (0.0, 10.0, 24.0, 45.0))} | sure for key in ("shut_at", "open_at")
    }
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
    taxon |= {
        "id": key,
        "name": one_of(rng, ("own midge", "large lake midges", "", "🦟", "x" * 99, "a\nb")),
        "also_called": [],
    }
    put_taxon(draft, taxon, one_of(rng, ("own", "a\nb", "lestes", "x" * 100)))
    set_key(draft, "taxa.run", f"[{json.dumps(str(key))}]")
    return f"{key!r} {taxon['name'][:20]!r}"


@damage
def taxon_changes_a_little(draft: Draft, rng: Rng) -> str:
    median = '{ value = 9999, low = 9999, high = 9999, source = "own", standing = "our prior" }'
    texts = ("growth.lower.value = 44", "growth.lower = 3", 'gates = "none"', "gates = []", "gates = [{}]",
             "format = 2", "growth.requirement.median.value = 0", "unknown_key = 1", 'id = "chironomus"',
             "habitat.needs_stems = 1",
             'also_called = ["damsel", "damsel", "buzzer"]', "start.rule = 5", "depth = 3", 'stage_words = { x = "y" }',
             f"growth.requirement.median = {median}",
             'name = "<script>"', "[[gates]]\n", "[growth", "x = " + "[" * 2000, "")  # fmt: skip
    text = one_of(rng, texts)
    draft.files["taxa/coenagrion.toml"] = f'format = 1\nid = "coenagrion"\n{text}\n'.encode()
    return repr(text[:50])


# learned.json.


def learned_table() -> dict[str, Any]:
    """Return what ``emergence learn`` may have written for one lake of the small season."""
    few = len(FEATURES)
    fit = LakeFit(np.full(few, 0.1), np.diag(np.full(few, 0.02)), 12, 3, 1, np.full(few, 0.3))
    ice = {"alder": IceFit(2.0, 4.0, 3, 7.0)}
    return dict(json.loads(to_json(Learned(19000, {"alder": fit}, ice, {"alder": (50.0, -120.0, 900.0)}), {})))


@damage
def learned_part_odd(draft: Draft, rng: Rng) -> str:
    learned = learned_table()
    holder, key = one_of(rng, list(leaves(learned)))
    odd = ("text", "", 3, -1, 1e308, -1e300, float("inf"), float("nan"), True, None, [], [1], {}, 1e9, "2999-01-01")
    value = holder[key] = one_of(rng, odd)
    if rng.random() < 0.1:
        del holder[key]
    draft.files["learned.json"] = json.dumps(learned).encode()
    return f"{key} {value!r}"


@damage
def learned_numbers_odd(draft: Draft, rng: Rng) -> str:
    learned = learned_table()
    lake = learned["lakes"]["alder"]
    part = one_of(rng, ("coefficients", "covariance", "ice_off", "place", "readings"))
    value = one_of(rng, (0.0, -1.0, 60.0, 1e6, 1e38, 1e308, float("inf"), float("nan")))
    if part == "covariance":
        lake[part] = np.diag(np.full(len(FEATURES), value)).tolist()
    elif part == "readings":
        lake[part] = value
    else:
        lake[part] = dict.fromkeys(lake[part], value)
    draft.files["learned.json"] = json.dumps(learned).encode()
    return f"{part} {value!r}"


@damage
def learned_no_json(draft: Draft, rng: Rng) -> str:
    sound = json.dumps(learned_table())
    texts = (
        "",
        "{}",
        "[]",
        "null",
        "3",
        "{",
        "[" * 5000,
        sound[: len(sound) // 2],
        sound * 2,
        "\ufeff" + sound,
        '{"format": 2}',
    )
    text = one_of(rng, texts)
    draft.files["learned.json"] = one_of(rng, (text.encode(), text.encode("utf-16"), text.encode() + b"\xff\0"))
    return repr(text[:30])
