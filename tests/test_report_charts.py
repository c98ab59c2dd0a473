"""Charts: what they show, one hue, safe with any text, the same bytes for the same run."""

from __future__ import annotations

import colorsys
import datetime as dt
import itertools
import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from run_result import NAMES, make_result, without_dates

from emergence.report import choose
from emergence.report.charts import (
    CONFIG,
    DAY_MS,
    INK,
    PAPER,
    RAMP,
    SOFT,
    headline_pictures,
    render_png,
    render_svg,
    season_strip,
    water_fan,
    weeks_strip,
)
from emergence.report.lake_chart import lake_picture, lake_pictures
from emergence.runs.results import RunResult

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def result() -> RunResult:
    return make_result(NAMES)


def values(layer: dict[str, Any]) -> list[dict[str, Any]]:
    return list(layer["data"]["values"])


def words_in(svg: str) -> list[str]:
    return ["".join(element.itertext()) for element in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def ms(date: dt.date) -> int:
    return (date - dt.date(1970, 1, 1)).days * DAY_MS


def test_strip_shows_each_day_s_chance(result: RunResult) -> None:
    _, shade, *_ = season_strip(result, "bluets", "migration")["layer"]
    days = result.days
    chosen = days[(days["taxon"] == "bluets") & (days["event"] == "migration") & (days["lake_id"] == "L1")]
    on = ms(dt.date(2023, 6, 8))
    (drawn,) = (v for v in values(shade) if v["label"].startswith("Long Water") and v["start"] <= on < v["end"])
    (exact,) = chosen.loc[chosen["date"] == pd.Timestamp(2023, 6, 8), "chance_moving"]
    assert drawn["chance"] == pytest.approx(exact, abs=0.005)  # whole per cent
    covered = sum(v["end"] - v["start"] for v in values(shade) if v["label"].startswith("Long Water"))
    assert covered <= len(chosen) * DAY_MS


def test_neighbouring_days_of_equal_chance_are_one_bar(result: RunResult) -> None:
    days = result.days.assign(chance_moving=0.5)
    _, shade, *_ = season_strip(replace(result, days=days), "bluets", "migration")["layer"]
    assert len(values(shade)) == len(NAMES)


def test_active_chance_can_make_the_shade(result: RunResult) -> None:
    moving, active = (season_strip(result, "bluets", "migration", chance=f"chance_{c}") for c in ("moving", "active"))
    assert max(v["chance"] for v in values(active["layer"][1])) > max(v["chance"] for v in values(moving["layer"][1]))
    assert active["layer"][1]["encoding"]["color"]["legend"]["title"] == "chance that it is under way"


def test_a_thin_brood_has_no_edge_and_no_week(result: RunResult) -> None:
    """Its shade stays; what is told of it is that it is thin."""
    windows = result.windows.copy()
    windows.loc[windows["lake_id"] == "L1", "best_week_chance"] = 0.02
    spec = season_strip(replace(result, windows=windows), "bluets", "migration")
    _, shade, edge, _, _, week, *_ = spec["layer"]
    thin = {v["label"]: v["week"] for v in values(week) if "thin, no best week" in v["week"]}
    assert [label.split(",")[0] for label in thin] == ["Long Water"]
    assert not thin.keys() & {v["label"] for v in values(edge)}
    assert thin.keys() <= {v["label"] for v in values(shade)}


def test_dates_of_a_strip_in_the_order_of_the_settings(result: RunResult) -> None:
    turned = replace(result, info=replace(result.info, date_order="month-day"))
    one, other = (" ".join(words_in(render_svg(season_strip(r, "bluets", "migration")))) for r in (result, turned))
    assert "as of 28 May 2023" in one and "as of May 28, 2023" in other
    assert "11 Jun" in one or "18 Jun" in one
    assert " Jun" not in other.replace("Jun ", "")


def test_best_week_is_edged_and_printed(result: RunResult) -> None:
    spec = season_strip(result, "bluets", "migration")
    edge = spec["layer"][2]
    assert edge["mark"]["filled"] is False
    first = values(edge)[0]
    assert (first["start"], first["end"]) == (ms(dt.date(2023, 6, 5)), ms(dt.date(2023, 6, 12)))
    drawn = words_in(render_svg(spec))
    assert {"95 %", "5-11 Jun", "as of 28 May 2023", "Bluets, nymphs on the move", "Alder Mere, 12 m"} <= set(drawn)


def test_lakes_stand_soonest_first_and_few(result: RunResult) -> None:
    spec = season_strip(result, "bluets", "migration", most=4)
    labels = [v["label"] for v in values(spec["layer"][0])]
    assert labels == ["Alder Mere, 12 m", "Long Water, 95 m", "Otter Pool, 180 m", "Cold Tarn, 340 m"]
    assert "2 more in windows.csv" in spec["title"]["subtitle"][1]


def test_issue_date_stands_at_the_end_of_its_day(result: RunResult) -> None:
    *_, rule, _ = season_strip(result, "bluets", "migration")["layer"]
    assert values(rule)[0]["start"] == ms(dt.date(2023, 5, 29))


def test_weeks_strip_names_lake_and_insect_and_keeps_to_its_dates(result: RunResult) -> None:
    spec = weeks_strip(result)
    assert "Cold Tarn: Large lake midge, hatch" in [v["label"] for v in values(spec["layer"][0])]
    low, high = ms(dt.date(2023, 5, 21)), ms(dt.date(2023, 7, 10))
    assert all(low <= v["start"] < v["end"] <= high for layer in spec["layer"][:3] for v in values(layer))
    assert any(w.endswith("may live here") for w in words_in(render_svg(spec)))


def test_weeks_strip_cut_short_keeps_known_residents(result: RunResult) -> None:
    labels = [v["label"] for v in values(weeks_strip(result, most=12)["layer"][0])]
    assert len(labels) == 12 and not any("Speckled" in label for label in labels)


def test_a_lake_s_picture_has_its_insects_and_its_water(result: RunResult) -> None:
    """The rows of the lake's windows with a date, soonest first, the water below; another lake is not in it."""
    spec = lake_picture(result, "L1")
    insects, water = spec["vconcat"]
    rows = choose.soonest_first(result.windows[(result.windows["lake_id"] == "L1") & choose.has_date(result.windows)])
    assert len(values(insects["layer"][0])) == len(rows)
    assert values(insects["layer"][0])[0]["label"].lower().startswith(("large lake midge", "speckled", "spring"))
    drawn = words_in(render_svg(spec))
    assert "Long Water, 95 m: as of 28 May 2023" in drawn and "Bluets, nymphs on the move" in drawn
    assert not any("Alder Mere" in text for text in drawn)
    assert any("water, °C" in text for text in drawn) and len(water["vconcat"]) == 2
    with pytest.raises(ValueError, match="nothing of lake"):
        lake_picture(result, "L99")


def test_each_lake_has_a_picture_whatever_it_is_called(result: RunResult) -> None:
    lakes = result.info.lakes.copy()
    lakes["lake_id"] = lakes["lake_id"].replace("L0", "../up")
    windows = result.windows.assign(lake_id=result.windows["lake_id"].replace("L0", "../up"))
    odd = replace(result, info=replace(result.info, lakes=lakes.head(2)), windows=windows)
    names = [name for name, _ in lake_pictures(odd)]
    assert len(names) == len(set(names)) == 4 and names[2:] == ["lake-L1.png", "lake-L1.svg"]
    assert not any("/" in name or ".." in name for name in names)


def test_headline_pictures(result: RunResult) -> None:
    assert list(headline_pictures(result)) == ["next-weeks", "migration-bluets", "migration-spreadwings"]


def test_nothing_to_draw_is_said(result: RunResult) -> None:
    with pytest.raises(ValueError, match="no window of hexagenia"):
        season_strip(result, "hexagenia", "emergence")
    with pytest.raises(ValueError, match="nothing is on"):
        weeks_strip(without_dates(result))
    with pytest.raises(ValueError, match="no water of lake 'L99'"):
        water_fan(result, "L99")


def test_strip_without_dates_still_renders(result: RunResult) -> None:
    svg = render_svg(season_strip(without_dates(result), "bluets", "migration"))
    assert words_in(svg).count("no date") == len(NAMES)


def test_fan_shows_band_readings_and_ice_with_its_caution(result: RunResult) -> None:
    readings = pd.DataFrame({"date": pd.to_datetime(["2023-05-01"]), "water_c": [11.0]})
    spec = water_fan(result, "L3", readings)
    temperature, ice = spec["vconcat"]
    assert [layer["mark"]["type"] for layer in temperature["layer"]] == ["area", "line", "point", "rule", "text"]
    assert values(temperature["layer"][2]) == [{"start": ms(dt.date(2023, 5, 1)), "water": 11.0}]
    assert ice["encoding"]["y"]["field"] == "ice"
    assert "not for standing on" in " ".join(words_in(render_svg(spec)))


def test_fan_without_ice_or_readings_leaves_them_out(result: RunResult) -> None:
    spec = water_fan(replace(result, water=result.water.assign(ice_chance=0.0)), "L3")
    (temperature,) = spec["vconcat"]
    assert len(temperature["layer"]) == 4
    assert "circles" not in " ".join(spec["title"]["subtitle"])


def test_fan_in_fahrenheit(result: RunResult) -> None:
    spec = water_fan(replace(result, info=replace(result.info, temperature_unit="F", length_unit="ft")), "L0")
    fan = values(spec["vconcat"][0]["layer"][0])
    row = result.water[result.water["lake_id"] == "L0"].iloc[150]
    assert fan[150]["water_p50"] == pytest.approx(row["water_p50"] * 9 / 5 + 32, abs=0.005)  # two decimals
    assert {"water, °F", "Alder Mere, 39 ft"} <= set(words_in(render_svg(spec)))


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", "a & b \"c\" 'd'", "שלום", "🎣", "\x00\x1b[2J", "x" * 300]
)
def test_any_name_is_only_text(name: str) -> None:
    result = make_result([name, name, "datum.label + 1"])
    for spec in (season_strip(result, "bluets", "migration"), water_fan(result, "L0")):
        svg = render_svg(spec)
        elements = {element.tag.rpartition("}")[2] for element in ET.fromstring(svg).iter()}
        assert not elements & {"script", "image", "a", "foreignObject"}
    labels = [v["label"] for v in values(season_strip(result, "bluets", "migration")["layer"][0])]
    assert len(set(labels)) == 3


def test_bytes_repeat_and_do_not_know_the_time_zone(result: RunResult) -> None:
    spec = season_strip(result, "bluets", "migration")
    assert render_png(spec) == render_png(spec)
    assert render_svg(spec) == render_svg(spec)
    code = (
        "from run_result import NAMES, make_result; "
        "from emergence.report.charts import render_svg, season_strip; import hashlib; "
        "svg = render_svg(season_strip(make_result(NAMES), 'bluets', 'migration')); "
        "print(hashlib.sha256(svg.encode()).hexdigest())"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", code],
            env=os.environ | {"TZ": zone, "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for zone in ("UTC", "Pacific/Auckland", "America/Vancouver")
    }
    assert len(digests) == 1


def rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (w3.org/TR/WCAG22, "relative luminance")."""
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_ramp_is_one_hue_and_darkens_evenly() -> None:
    hues = [colorsys.rgb_to_hls(*rgb(colour))[0] * 360 for colour in RAMP]
    assert max(hues) - min(hues) < 15  # degrees of 360: one name for all
    lightness = [116 * luminance(colour) ** (1 / 3) - 16 for colour in RAMP]  # CIE L*
    steps = [a - b for a, b in itertools.pairwise(lightness)]
    assert min(steps) > 10 and max(steps) < 2 * min(steps)


@pytest.mark.parametrize("ink", [INK, SOFT])
def test_text_has_the_contrast_of_wcag_aa(ink: str) -> None:
    assert CONFIG["background"] == PAPER
    assert (luminance(PAPER) + 0.05) / (luminance(ink) + 0.05) >= 4.5  # WCAG 2.2, 1.4.3
