"""A lake's year as a picture: what stands in it, safe with any text, the same bytes again; and its fast table."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from emergence.dates import day_number
from emergence.report.charts import DAY_MS, render_svg
from emergence.report.daily import water_csv
from emergence.report.water_chart import HEIGHT, ICE, water_year, write_water_years
from emergence.report.words import CAUTIONS
from emergence.runs.results import LakeYear

ICE_OFF = 100
"""Days of ice at the year's begin."""


def year_of_water(*, southern: bool = False) -> LakeYear:
    """An invented lake: ice to about day 100, its end sure to ten days, air unmeasured in August, two readings."""
    first = dt.date(2023, 7, 1) if southern else dt.date(2023, 1, 1)
    date = pd.date_range(first, periods=366 if southern else 365)
    day = np.arange(len(date))
    ice = np.clip((ICE_OFF + 5 - day) / 10.0, 0, 1)
    water = np.where(day < ICE_OFF, 0.0, 12 + 8 * np.sin(2 * np.pi * (day - 120) / 365))
    days = pd.DataFrame(
        {
            "date": date,
            "low": np.maximum(water - 2, 0),
            "middle": water,
            "high": water + 2,
            "ice_chance": ice,
            "measured": (day < 212) | (day >= 243),
        }
    )
    read = pd.DataFrame({"date": date[[150, 200, 220]], "water_c": [water[150] + 1, water[200] + 3, 68.0]})
    seen = pd.DataFrame({"date": date[[104]], "event": ["off"]})
    return LakeYear(
        lake_id="tarn",
        name="Cold Tarn",
        elevation_m=512.0,
        year=2023,
        southern=southern,
        days=days,
        readings=read.assign(used=[True, True, False]),
        ice=seen,
        fitted=12,
        fitted_ice=1,
    )


def layers_of(lake: LakeYear) -> list[dict[str, Any]]:
    return list(water_year(lake)["layer"])


def values(layer: dict[str, Any]) -> list[dict[str, Any]]:
    return list(layer["data"]["values"])


def drawn(lake: LakeYear, mark: str, **encoding: str) -> list[dict[str, Any]]:
    """Return the layers of a mark whose encodings name these fields."""
    return [
        layer
        for layer in layers_of(lake)
        if layer["mark"]["type"] == mark
        and all(layer["encoding"].get(k, {}).get("field") == field for k, field in encoding.items())
    ]


def words_in(svg: str) -> list[str]:
    return ["".join(element.itertext()) for element in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def ms(lake: LakeYear, day: int) -> int:
    first = pd.Timestamp(lake.days["date"].iloc[0]).date()
    return (day_number(first) + day) * DAY_MS


def test_band_and_line_are_the_days() -> None:
    lake = year_of_water()
    (band,) = drawn(lake, "area", y="low", y2="high")
    (line,) = drawn(lake, "line", y="middle")
    assert len(values(band)) == 365
    assert values(line)[199] == {
        "start": ms(lake, 199) + DAY_MS // 2,
        "low": round(lake.days["low"][199], 2),
        "middle": round(lake.days["middle"][199], 2),
        "high": round(lake.days["high"][199], 2),
    }


def test_ice_is_shaded_paler_where_less_sure() -> None:
    lake = year_of_water()
    (shade,) = drawn(lake, "rect", opacity="chance")
    bars = values(shade)
    assert shade["mark"]["color"] == ICE
    assert bars[0] == {"start": ms(lake, 0), "end": bars[1]["start"], "chance": 1.0}
    assert [b["chance"] for b in bars] == sorted((b["chance"] for b in bars), reverse=True)
    assert bars[-1]["end"] == pytest.approx(ms(lake, ICE_OFF + 5), abs=DAY_MS)
    assert all(a["end"] == b["start"] for a, b in itertools.pairwise(bars))


def test_seen_ice_date_has_a_line_and_words() -> None:
    lake = year_of_water()
    (rule,) = drawn(lake, "rule")
    assert [v["start"] for v in values(rule)] == [ms(lake, 104)]
    assert "ice off 15 Apr" in words_in(render_svg(water_year(lake)))


def test_labels_of_close_ice_dates_stand_on_lines_of_their_own() -> None:
    lake = year_of_water()
    date = lake.days["date"].iloc[[104, 98, 101, 300]].reset_index(drop=True)
    lake = dataclasses.replace(lake, ice=pd.DataFrame({"date": date, "event": ["off", "off", "on", "on"]}))
    (rule,) = drawn(lake, "rule")
    assert [(v["label"], v["level"]) for v in values(rule)] == [
        ("ice off 9 Apr", 0),
        ("ice on 12 Apr", 1),
        ("ice off 15 Apr", 2),
        ("ice on 28 Oct", 0),
    ]


def test_readings_are_circles_and_unbelievable_ones_crosses() -> None:
    lake = year_of_water()
    circles, crosses = drawn(lake, "point")
    assert len(values(circles)) == 2 and not circles["mark"]["filled"]
    assert [v["water"] for v in values(crosses)] == [68.0] and crosses["mark"]["shape"] == "cross"
    assert "68 °C" in words_in(render_svg(water_year(lake)))  # beyond the axis: its value is printed
    said = water_year(lake)["title"]["subtitle"][1]
    assert said == (
        "Circles: readings, 1 of 2 in open water inside the band. Crosses: 1 reading not believed and not used."
    )


def test_a_logger_is_drawn_as_dots() -> None:
    lake = year_of_water()
    date = lake.days["date"].iloc[120:260]
    read = pd.DataFrame({"date": date, "water_c": lake.days["middle"].iloc[120:260], "used": True})
    lake = dataclasses.replace(lake, readings=read)
    (dots,) = drawn(lake, "point")
    assert dots["mark"]["filled"] and dots["mark"]["size"] < 20
    said = water_year(lake)["title"]["subtitle"][1]
    assert said == "Dots: readings, 140 of 140 in open water inside the band."


def test_days_without_measured_air_are_marked() -> None:
    lake = year_of_water()
    bar, words = layers_of(lake)[3:5]
    assert values(bar) == [{"start": ms(lake, 212), "end": ms(lake, 243)}]
    assert words["encoding"]["text"]["value"] == "usual air, none measured"
    whole = dataclasses.replace(lake, days=lake.days.assign(measured=True))
    assert len(layers_of(whole)) == len(layers_of(lake)) - 2


@pytest.mark.parametrize("ice", [True, False])
def test_the_line_about_ice_is_always_there(ice: bool) -> None:
    lake = year_of_water()
    if not ice:
        nothing = lake.ice.iloc[:0]
        lake = dataclasses.replace(lake, days=lake.days.assign(ice_chance=0.0), ice=nothing)
    words = " ".join(words_in(render_svg(water_year(lake))))
    assert CAUTIONS[1] in words
    assert ("No ice estimated." in words) is not ice
    assert CAUTIONS[1] in water_year(lake)["description"]


def test_caption_says_what_the_line_is_fitted_to() -> None:
    lake = year_of_water()
    told = water_year(lake)["title"]["subtitle"][0]
    assert "fitted to 12 readings and 1 date of ice-off of this lake" in told
    untold = dataclasses.replace(lake, fitted=0, fitted_ice=0)
    assert "no note of this lake used" in water_year(untold)["title"]["subtitle"][0]


def test_units_of_the_guide() -> None:
    lake = dataclasses.replace(year_of_water(), temperature_unit="F", length_unit="ft")
    (line,) = drawn(lake, "line")
    assert values(line)[0]["middle"] == 32.0
    assert line["encoding"]["y"]["axis"]["title"] == "water, °F"
    assert line["encoding"]["y"]["scale"]["domain"] == [32, 77]  # 25 °C
    assert water_year(lake)["title"]["text"] == "Cold Tarn, 1680 ft: surface water 2023"


def test_a_southern_season_reaches_from_july_to_june() -> None:
    lake = year_of_water(southern=True)
    spec = water_year(lake)
    assert spec["title"]["text"].endswith("surface water 2023/24")
    domain = layers_of(lake)[0]["encoding"]["x"]["scale"]["domain"]
    assert domain == [day_number(dt.date(2023, 7, 1)) * DAY_MS, day_number(dt.date(2024, 7, 1)) * DAY_MS]
    assert [w for w in words_in(render_svg(spec)) if w in ("Jan", "Jul", "Jun")] == ["Jul", "Jan", "Jun"]


def test_any_name_is_safe_and_the_picture_keeps_its_size() -> None:
    name = 'A <b>"&\u202e name\n' + "that goes on " * 20
    lake = dataclasses.replace(year_of_water(), name=name)
    spec = water_year(lake)
    svg = render_svg(spec)
    assert ET.fromstring(svg) is not None
    assert "\u202e" not in svg and len(spec["title"]["text"]) < 100
    assert spec["height"] == HEIGHT


def test_a_year_without_a_day_is_said() -> None:
    lake = year_of_water()
    with pytest.raises(ValueError, match=r"no water of lake 'tarn' in 2023"):
        water_year(dataclasses.replace(lake, days=lake.days.iloc[:0]))


def test_files_are_the_same_bytes_again(tmp_path: Path) -> None:
    lake = dataclasses.replace(year_of_water(), lake_id="../tarn")
    first = write_water_years([lake], tmp_path / "a")
    again = write_water_years([lake], tmp_path / "b")
    assert [p.suffix for p in first] == [".png", ".svg"]
    assert all(p.parent == tmp_path / "a" for p in first)
    assert [p.read_bytes() for p in first] == [p.read_bytes() for p in again]
    assert first[0].read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_table_is_what_pandas_writes() -> None:
    """The fast writer against pandas' own, lakes named as nobody should."""
    rng = np.random.default_rng(1)
    names = np.array(["tarn", "a,b", 'say "x"', "two\nlines", " edge "], dtype=object)
    table = pd.DataFrame(
        {
            "lake_id": names[rng.integers(0, 5, 3000)],
            "date": np.datetime64("1999-12-28") + rng.integers(0, 900, 3000),
            "water_c": rng.uniform(0, 31, 3000).round(2),
            "ice": rng.integers(0, 2, 3000).astype(float),
        }
    )
    assert water_csv(table) == table.to_csv(index=False, float_format="%.2f", lineterminator="\n")
    assert water_csv(table.iloc[:0]) == "lake_id,date,water_c,ice\n"
