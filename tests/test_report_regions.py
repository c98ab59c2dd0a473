"""Regions on the screen, as JSON and as pictures: what is said, 80 cells, one hue with numbers, safe with any text."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pandas as pd
import pytest
from region_result import START, make_regions

from emergence.report.charts import RAMP, render_svg
from emergence.report.region_chart import climb_picture, region_picture, region_pictures, write_region_pictures
from emergence.report.region_words import (
    climb_words,
    group_words,
    headline_events,
    region_lines,
    regions_json,
    signed_days,
)
from emergence.report.tables import columns, schema
from emergence.report.text import cells

NASTY = (
    "<script>alert(1)</script>",
    "\u202eבריכת השחר",
    '🐟 \u0001 o\'clock "pool" & sons',
    "x" * 300,
    "../../etc/passwd",
)
LATER = START + pd.Timedelta(days=8)
SVG = "{http://www.w3.org/2000/svg}"


def text_in(svg: str) -> str:
    return " | ".join("".join(e.itertext()) for e in ET.fromstring(svg).iter(f"{SVG}text"))


def test_screen_says_departures_climb_and_where_it_moves_next() -> None:
    lines = region_lines(make_regions())
    text = " ".join(" ".join(lines).split())
    assert "all lakes 4 8 days earlier than normal most like 2015 (± 1 d)" in text
    assert "Bluets, nymphs on the move" in text
    assert "It climbs 3.2 days for each 100 m (2.5 to 3.9); 9 lakes, compared within their region." in text
    assert "takes some" not in text
    assert "Moves next to fell (week of 5 Jun, 62 %)." in text
    assert "30 past springs" in text and "1 Jan 2023" in text


def test_what_the_lakes_cannot_tell_is_said_so() -> None:
    result = make_regions()
    open_ = result.climbs.assign(per_100m_low=-1.2, per_100m_high=7.6, lakes_wanted=112)
    words = climb_words(replace(result, climbs=open_), "bluets", 1, "migration")
    assert words == (
        "Not told from no climb by 9 lakes: 3.2 days for each 100 m (-1.2 to 7.6). "
        "To know the climb with height to a day takes some 200 lakes. Latitude cannot be told from height here."
    )
    none = result.climbs.assign(per_100m=float("nan"), lakes=2)
    words = climb_words(replace(result, climbs=none), "bluets", 1, "migration")
    assert words == "How it climbs cannot be told: 2 lakes, too few or too near to each other in height."
    assert climb_words(replace(result, climbs=none.assign(lakes=0)), "bluets", 1, "migration") == ""


def test_feet_where_feet_are_shown() -> None:
    text = " ".join(" ".join(region_lines(make_regions(length_unit="ft"))).split())
    assert "0-984 ft" in text
    assert "9.8 days for each 1000 ft (7.6 to 11.9)" in text  # 3.2, 2.5 and 3.9 days on 100 m, by 3.048
    assert group_words("*", "-300-0", "ft") == "-984-0 ft"


@pytest.mark.parametrize("names", [("coast", "fell"), NASTY])
def test_lines_fit_80_cells_and_hold_no_control_characters(names: tuple[str, ...]) -> None:
    for line in region_lines(make_regions(names)):
        assert cells(line.replace("\u2068", "").replace("\u2069", "")) <= 80
        assert "\u202e" not in line and "\x01" not in line


def test_nothing_known_of_the_normal_year_is_said() -> None:
    result = make_regions()
    unknown = result.seasons.assign(days_vs_normal=float("nan"), like_year=0)
    lines = region_lines(replace(result, seasons=unknown, normal_as_of=None))
    assert any("Not known" in line for line in lines)


def test_headlines_are_what_is_on_or_comes() -> None:
    result = make_regions()
    assert headline_events(result)[0] == ("bluets", 1, "migration")
    later = result.table.assign(week_start=result.table["week_start"] + pd.Timedelta(days=120))
    assert headline_events(replace(result, table=later)) == []


def test_signed_days() -> None:
    assert [signed_days(v) for v in (-2.6, 0.4, 3.0, float("nan"))] == ["-3", "0", "+3", ""]


def test_json_is_the_twin_of_the_table() -> None:
    result = make_regions(NASTY)
    data = json.loads(regions_json(result))
    assert [list(row) for row in data["regions"][:1]] == [list(columns("regions"))]
    assert len(data["regions"]) == len(result.table)
    assert data["climbs"][0]["per_degree"] is None
    assert data["seasons"][0]["like_year"] == 2015


def test_json_obeys_its_published_schema() -> None:
    text = resources.files("emergence.report").joinpath("schemas", "regions.schema.json").read_text(encoding="utf-8")
    told = json.loads(text)
    jsonschema.Draft202012Validator.check_schema(told)
    check = jsonschema.Draft202012Validator(told, format_checker=jsonschema.FormatChecker())
    data = json.loads(regions_json(make_regions(NASTY)))
    check.validate(data)
    for wrong in (
        data | {"format": 2},
        data | {"as_of": "28 May"},
        data | {"regions": [data["regions"][0] | {"share_active": 1.2}]},
        data | {"climbs": [{k: v for k, v in data["climbs"][0].items() if k != "per_100m_low"}]},
    ):
        assert not check.is_valid(wrong)


def test_schema_has_the_contract_columns_first() -> None:
    contract = "region,band,taxon,event,week_start,share_active,onset_p50,peak_p50,spread_days,days_vs_normal"
    assert columns("regions")[:10] == tuple(contract.split(","))
    assert all(field["description"].endswith(".") for field in schema("regions")["fields"])


def marks(spec: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [layer for panel in spec["hconcat"] for layer in panel["layer"] if layer["mark"]["type"] == kind]


def test_every_shade_has_its_number_and_every_bar_its_days() -> None:
    result = make_regions()
    spec = region_picture(result, "bluets", 1, "migration")
    (shade,) = marks(spec, "rect")
    assert shade["encoding"]["color"]["scale"]["range"] == list(RAMP)
    fell = result.table[(result.table["region"] == "fell") & (result.table["event"] == "migration")]
    drawn_fell = [cell for cell in shade["data"]["values"] if cell["label"] == "fell"]
    for cell, share in zip(drawn_fell, fell["share_active"], strict=True):
        assert abs(int(cell["said"]) - 100 * share) <= 0.55  # whole per cent of a share rounded to three decimals
        assert cell["share"] == pytest.approx(share, abs=0.0005)
    (bars,) = marks(spec, "bar")
    assert {b["label"]: b["said"] for b in bars["data"]["values"]} == {
        "coast": "-3", "fell": "+2", "0-300 m": "+7", "300-600 m": "+12",
    }  # fmt: skip
    drawn = text_in(render_svg(spec))
    for words in ("+12", "-3", "this week", "coast", "300-600 m", "22 May", "5 Jun"):
        assert words in drawn


def test_climb_marks_each_lake_by_region_shape() -> None:
    spec = climb_picture(make_regions(), "bluets", 1, "migration")
    points = spec["layer"][-1]
    assert [p["height"] for p in points["data"]["values"]] == [0.0, 120.0]
    assert len(set(points["encoding"]["shape"]["scale"]["range"])) == 2
    assert "3.2 days for each 100 m" in text_in(render_svg(spec)).replace(" | ", " ")


def test_fitted_line_has_the_slope_and_is_left_out_where_none_is_told() -> None:
    result = make_regions(("coast", "fell"))
    lakes = pd.concat([result.dates.assign(elevation_m=h, middle=day) for h, day in ((100.0, START), (300.0, LATER))])
    lines, _ = climb_picture(replace(result, dates=lakes), "bluets", 1, "migration")["layer"]
    ends = lines["data"]["values"]
    assert [e["line"] for e in ends] == ["coast", "coast", "fell", "fell"]
    assert (ends[1]["date"] - ends[0]["date"]) / 86_400_000 == pytest.approx(2 * 3.2)  # 200 m
    middle = (START.value + LATER.value) / 2e6
    assert (ends[0]["date"] + ends[1]["date"]) / 2 == pytest.approx(middle)
    open_ = replace(result, climbs=result.climbs.assign(per_100m_low=-0.1))
    assert len(climb_picture(open_, "bluets", 1, "migration")["layer"]) == 1


def test_nothing_to_draw_is_an_error() -> None:
    for draw in (region_picture, climb_picture):
        with pytest.raises(ValueError, match="to draw"):
            draw(make_regions(), "gnats", 1, "emergence")


def test_any_text_is_drawn_as_text_and_files_stay_inside(tmp_path: Path) -> None:
    result = make_regions(NASTY)
    odd = {key: f"../{key}" for key in ("bluets",)}
    renamed = {name: getattr(result, name).replace({"taxon": odd}) for name in ("table", "climbs", "moves", "dates")}
    paths = write_region_pictures(replace(result, **renamed), tmp_path / "out")
    assert len(paths) == 2 * len(region_pictures(replace(result, **renamed)))
    assert all(p.resolve().parent == tmp_path / "out" and p.is_file() for p in paths)
    for path in (p for p in paths if p.suffix == ".svg"):
        tree = ET.fromstring(path.read_text(encoding="utf-8"))
        assert not list(tree.iter(f"{SVG}script"))
        assert not [e for e in tree.iter() if any(name.startswith("on") for name in e.attrib)]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_same_result_same_bytes() -> None:
    first, second = (render_svg(region_picture(make_regions(), "bluets", 1, "migration")) for _ in range(2))
    assert first == second
