"""Damage to what the files say: weather, lakes, stations, residents."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

import numpy as np

from .draft import TABLES, Draft, Rng, Rows, damage, one_of, rows_of, some_rows
from .tables import ODD_NUMBERS


def weather(draft: Draft, rng: Rng) -> str:
    names = [n for n in draft.named("weather/", ".csv") if not n.endswith(".ahead.csv")]
    if not names:
        draft.files["weather/low.csv"] = b"date,tmean_c\n2024-05-01,8\n2024-05-02,9\n"
        return "weather/low.csv"
    return str(one_of(rng, names))


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
    station, first = (
        one_of(rng, ("low", "high")),
        one_of(rng, ("2023-01-01", "2024-06-03", "2999-01-01", "1750-01-01", "x")),
    )
    last = one_of(rng, ("2100-01-01", "2024-06-20", first))
    draft.files[f"weather/{station}.ahead.csv"] = (
        f"date,tmean_c\n{first},11\n{last},{one_of(rng, ODD_NUMBERS)}\n".encode()
    )
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
    "off the map": ("91", "181"), "exchanged": ("-119.4", "51.2"), "a hair south": ("-0.0000001", "10"),
    "arctic": ("78.2", "15"),
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
    shapes = {
        "area_ha": ("0", "0.001", "40000000", "-3", "", "1e-9"),
        "mean_depth_m": ("0", "0.05", "800", "-2", "", "20"),
        "max_depth_m": ("0", "0.05", "1700", "1", ""),
        "elevation_m": ("-450", "6500", "9000", "0", "-0"),
        "secchi_m": ("0.01", "80", "0", "x"),
    }
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
    plain = (
        "CON nan NA null None 0 007 1e5 - _ a.b ß İz Å e\u0301toile 湖 True .. low.ahead <b> windows x.csv =1".split()
    )
    new = one_of(rng, (*plain, "x" * 64, "x" * 65))
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
