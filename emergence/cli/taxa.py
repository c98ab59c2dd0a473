"""``emergence taxa``: the catalogue, with the source of every number."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from emergence.sources import Quantity
    from emergence.taxa.model import Adult, Requirement, Taxon, YearClass

WIDTH = 80
GATE_WORDS = {
    "water_mean": "daily mean water",
    "water_change": "change of daily mean water",
    "air_max": "daily maximum air",
    "air_dusk": "air at dusk",
    "day_length": "day length",
}
WINTER_WORDS = {
    "final": "Full-grown nymphs winter in the final instar: emergence is early and short.",
    "before_final": "Nobody winters in the final instar: emergence is later and long.",
    "egg": "One year, everywhere.",
}
STAGE_WORDS = {"empty_skin": "empty skin"}
BOUND_WORDS = {
    "min_depth_m": "mean depth at least",
    "max_depth_m": "mean depth at most",
    "min_area_ha": "area at least",
    "max_area_ha": "area at most",
    "max_elevation_m": "elevation at most",
    "min_latitude": "latitude at least",
    "max_latitude": "latitude at most",
}
_MONTHS = "January February March April May June July August September October November December".split()


@click.command("taxa")
@click.argument("taxon", required=False)
@click.option("--json", "as_json", is_flag=True, help="Write JSON instead of text.")
def taxa_command(taxon: str | None, as_json: bool) -> None:
    """List the insects of the catalogue, or show one with the source of every number.

    TAXON is an id, a name, or a word that guides use for it. A group (damselfly, midge, caddis, ...) lists
    its members.

    \b
    Examples:
      emergence taxa
      emergence taxa coenagrion
      emergence taxa "traveller sedge"
      emergence taxa midge --json
    """
    from emergence.taxa.catalogue_io import load_catalogue
    from emergence.taxa.names import find_taxon, group_taxa

    catalogue = load_catalogue()
    if taxon is None:
        click.echo(_list_text(catalogue, as_json))
        return
    if key := find_taxon(taxon, catalogue):
        click.echo(_taxon_json(catalogue[key]) if as_json else "\n".join(_page(catalogue[key])))
        return
    group = {key: catalogue[key] for key in group_taxa(taxon, catalogue)}
    if not group:
        raise click.UsageError(_not_found(taxon, catalogue))
    click.echo(_list_text(group, as_json))


def _not_found(word: str, catalogue: Mapping[str, Taxon]) -> str:
    from emergence.taxa.names import nearest_taxon

    near = nearest_taxon(word, catalogue)
    meant = f" Did you mean {near} ({catalogue[near].name})?" if near else ""
    return f"No taxon is called {word!r}.{meant} 'emergence taxa' lists them all."


def _leaving(taxon: Taxon) -> str:
    if taxon.leaving == "flight":
        return "flies off"
    return "hatches ashore" if taxon.growth.move_before_dd else "hatches at the surface"


def _list_text(catalogue: Mapping[str, Taxon], as_json: bool) -> str:
    rows = [
        {
            "id": t.id,
            "name": t.name,
            "latin": t.latin,
            "group": t.group,
            "leaves_the_water": _leaving(t),
            "migration": t.growth.move_before_dd is not None,
            "broods": 1 + len(t.later_broods),
            "also_called": list(t.also_called),
        }
        for t in catalogue.values()
    ]
    if as_json:
        return json.dumps({"format": 1, "taxa": rows}, ensure_ascii=False, indent=2)
    lines = [f"{'id':<13}{'name':<32}{'leaves the water':<24}migration"]
    for row in rows:
        migrates = "yes" if row["migration"] else "no"
        lines.append(f"{row['id']:<13}{row['name']:<32}{row['leaves_the_water']:<24}{migrates}")
    return "\n".join(lines)


def _taxon_json(taxon: Taxon) -> str:
    body = {"format": 1, "taxon": taxon.model_dump(mode="json", exclude_none=True, exclude={"format"})}
    return json.dumps(body, ensure_ascii=False, indent=2)


def _page(taxon: Taxon) -> Iterator[str]:
    yield f"{taxon.id}: {taxon.name}"
    yield from _wrapped(f"{taxon.latin} ({taxon.group})", "")
    if taxon.also_called:
        yield from _wrapped(f"Also called: {', '.join(taxon.also_called)}", "")
    yield from ("", "Life cycle")
    yield from _wrapped(taxon.life)
    yield from _wrapped(f"Leaves the water: {_leaving(taxon)}.")
    yield from ("", "Heat")
    yield from _heat(taxon)
    yield from ("", "Waits for")
    yield from _gates(taxon)
    if taxon.year_class is not None:
        yield from ("", "Year-classes")
        yield from _year_class(taxon.year_class)
    if taxon.adult is not None:
        yield from ("", "After the water")
        yield from _adult(taxon.adult)
    yield from ("", "Where it lives")
    yield from _habitat(taxon)
    if taxon.stage_words:
        yield from ("", "Words for its stages")
        words = (f"{word}: {STAGE_WORDS.get(stage, stage)}" for word, stage in taxon.stage_words.items())
        yield from _wrapped("; ".join(words))
    yield from ("", "What is not known")
    yield from _wrapped(taxon.unknown)


def _heat(taxon: Taxon) -> Iterator[str]:
    month, day = (int(part) for part in taxon.start.month_day.split("-"))
    begins = {
        "date": f"on {day} {_MONTHS[month - 1]} (half a year later in the south)",
        "ice_off": "on the first open day after ice-off",
        "warm_week": "on the first day whose seven-day mean water reaches the start temperature",
        "hatch": "on the first day whose mean water reaches the start temperature",
        "day_length": "on the first day after midwinter that is as long as the start",
    }[taxon.start.rule]
    yield from _wrapped(f"Counting starts {begins}. Heat is degree-days of daily mean water where it lives.")
    growth = taxon.growth
    yield from _number("start at", taxon.start.threshold)
    yield from _number("lower threshold", growth.lower)
    yield from _number("no faster above", growth.upper)
    yield from _requirement(growth.requirement)
    yield from _number("moves to shore this much before", growth.move_before_dd)
    number = 2
    for brood in taxon.broods:
        last = number + brood.times - 1
        name = f"Brood {number}" if brood.times == 1 else f"Broods {number} to {last}"
        yield from _wrapped(f"{name}, counted from the middle of the brood before:")
        number = last + 1
        yield from _requirement(brood.requirement)
        yield from _number("only while days are at least", brood.shortest_day)


def _requirement(need: Requirement) -> Iterator[str]:
    yield from _number("heat needed, middle insect", need.median)
    yield from _number("spread between insects", need.spread)
    yield from _number("lakes differ, early side (ln sd)", need.ln_sd_early)
    yield from _number("lakes differ, late side (ln sd)", need.ln_sd_late)


def _year_class(part: YearClass) -> Iterator[str]:
    waits = "wintered as eggs" if part.last_winter == "egg" else "are in their last three instars by midwinter"
    yield from _wrapped(f"Those emerge in a season that {waits}. {WINTER_WORDS[part.last_winter]}")
    if part.eggs_wait:
        yield from _wrapped("Eggs hatch in the spring after they were laid.")
    yield from _number("heat to the last three instars", part.critical)
    yield from _number("heat to the full-grown nymph", part.grown)
    yield from _number("nymphs differ by (share)", part.dispersion)
    yield from _number("winter's differences left (share)", part.carry)
    yield from _number("grows while days are at least", part.shortest_day)
    yield from _number("lives through a year (share)", part.survival)
    yield from _number("young follow adults (elasticity)", part.density)
    yield from _number("numbers differ else (ln sd)", part.ln_sd)


def _adult(part: Adult) -> Iterator[str]:
    yield from _number("can fly after", part.flies_after)
    yield from _number("breeds after", part.maturation)
    yield from _number("lives from then on, on average", part.life)
    yield from _number("ended by air of, from midsummer", part.hard_frost)
    if part.egg:
        yield from _number("eggs hatch the same season, after", part.egg)


def _gates(taxon: Taxon) -> Iterator[str]:
    if not taxon.gates:
        yield from _wrapped("Nothing: leaves as soon as it is ready.")
    for gate in taxon.gates:
        words = GATE_WORDS[gate.variable]
        if gate.shut_at.value == gate.open_at.value:
            yield from _number(f"{words}, open from", gate.open_at)
        else:
            yield from _number(f"{words}, shut at", gate.shut_at)
            yield from _number(f"{words}, fully open at", gate.open_at)
        if gate.below_warmest is not None:
            yield from _number("  or, in cool summers, below the warmest month's maximum by", gate.below_warmest)


def _habitat(taxon: Taxon) -> Iterator[str]:
    habitat = taxon.habitat
    stems = " Not in lakes without stems." if habitat.needs_stems else ""
    yield from _wrapped(habitat.text + stems)
    for key, words in BOUND_WORDS.items():
        yield from _number(words, getattr(habitat, key))
    if taxon.depth.feels == "air":
        yield from _wrapped("Lives ashore: the temperature of the air counts.")
        return
    yield from _number("young live from", taxon.depth.shallow)
    yield from _number("young live down to", taxon.depth.deep)


def _number(label: str, number: Quantity | None) -> Iterator[str]:
    """Yield a number with unit, range and standing on one line, its source below."""
    if number is None:
        return
    unit = "" if number.unit == "1" else f" {number.unit}"
    low, high = number.low, number.high
    span = f" ({low:g} to {high:g})" if low is not None and high is not None else ""
    yield from _wrapped(f"{label + ':':<34}{number.value:g}{unit}{span}, {number.standing}", "  ", "      ")
    place = f"; {number.place}" if number.place else ""
    yield from _wrapped(f"{number.source}{place}", "      ")


def _wrapped(text: str, indent: str = "  ", later: str | None = None) -> list[str]:
    joined = text if later else " ".join(text.split())
    return textwrap.wrap(
        joined, WIDTH, initial_indent=indent, subsequent_indent=later or indent, break_on_hyphens=False
    )
