"""Which cautions a day gets and in which order; what is fished, when and in which colours."""

from __future__ import annotations

import string

import pytest
from sheet_example import insect, sheet

from emergence.angling.cautions import day_cautions, warned
from emergence.angling.practice import day_advice, habitat, hours_of, practice
from emergence.angling.sheet import EventDay, Stages
from emergence.angling.sums import HeatTiers
from emergence.taxa.catalogue_io import load_catalogue

COOL = {"afternoon_c": (16.0, 17.9)}
USUAL = ["air", "lightning", "wind", "plan", "boat", "ice", "heat", "bloom", "birds", "rules"]


def keys(**changes: object) -> list[str]:
    return [c.key for c in day_cautions(sheet(**changes))]


def test_the_usual_order_is_that_of_the_list() -> None:
    assert keys(**COOL) == USUAL
    assert list(warned()) == [
        "air",
        "lightning",
        "wind",
        "cold",
        "plan",
        "boat",
        "ice",
        "heat",
        "bloom",
        "birds",
        "rules",
    ]


def test_cold_water_is_told_below_15_degrees_of_the_10_percent_and_goes_up() -> None:
    assert keys(water=(14.9, 17.0, 19.0))[:3] == ["air", "cold", "lightning"]
    assert "cold" not in keys(water=(15.0, 17.0, 19.0))


def test_ice_that_may_be_about_comes_before_cold_water() -> None:
    assert keys(water=(0.0, 1.0, 3.0), ice_chance=0.01)[:3] == ["air", "ice", "cold"]
    told = {c.key: c for c in day_cautions(sheet(ice_chance=0.009))}
    assert not told["ice"].raised and told["ice"].text == "Never judge ice from this program."


def test_every_sheet_never_judges_ice_and_leaves_rules_to_the_authority() -> None:
    for changes in ({}, {"ice_chance": 0.8}, {"water": (2.0, 3.0, 4.0)}):
        texts = " ".join(c.text for c in day_cautions(sheet(**changes)))
        assert "Never judge ice from this program" in texts and "local authority" in texts


@pytest.mark.parametrize(
    ("upper_c", "words"),
    [(17.9, "care from"), (18.0, "play {species} short"), (20.0, "fish early"), (22.8, "may be closed")],
)
def test_heat_goes_by_the_upper_range_of_the_afternoon(upper_c: float, words: str) -> None:
    """The middle and the mean of the day are cool throughout."""
    (told,) = [c for c in day_cautions(sheet(water=(13.0, 14.0, 15.0), afternoon_c=(15.0, upper_c))) if c.key == "heat"]
    assert words in told.text and told.raised == (upper_c >= 18.0)
    assert "hermometer" in told.text and "local closures rule" in told.text


def test_where_even_the_dawn_is_too_warm_there_is_no_early() -> None:
    """Mean 22.0, afternoon 24.0: dawn 20.0, the stop of Boyd et al. 2010."""
    told = {c.key: c.text for c in day_cautions(sheet(water=(21.0, 22.0, 23.0), afternoon_c=(24.0, 26.0)))}
    assert "Leave {species} alone today" in told["heat"]
    told = {c.key: c.text for c in day_cautions(sheet(water=(21.0, 21.9, 23.0), afternoon_c=(24.0, 26.0)))}
    assert "Fish early" in told["heat"]


def test_kinds_of_fish_with_their_own_tiers() -> None:
    tiers = (HeatTiers("rainbow trout", 18.0, 20.0, 22.8), HeatTiers("bull trout", 12.0, 15.0, 18.0))
    told = [c for c in day_cautions(sheet(afternoon_c=(16.0, 18.5), tiers=tiers)) if c.key == "heat"]
    assert [c.tiers.species for c in told if c.tiers] == ["bull trout", "rainbow trout"]
    cool = [c for c in day_cautions(sheet(afternoon_c=(8.0, 9.0), tiers=tiers)) if c.key == "heat"]
    assert len(cool) == 1 and cool[0].tiers is tiers[1]


def test_raised_heat_goes_up_behind_ice_and_cold_water() -> None:
    """The order that the sheet's heading promises."""
    hot = {"afternoon_c": (18.5, 20.4)}
    assert keys(**hot)[:4] == ["air", "lightning", "heat", "wind"]
    assert keys(water=(14.0, 17.0, 19.0), ice_chance=0.01, **hot)[:5] == ["air", "ice", "cold", "lightning", "heat"]


def test_the_life_jacket_stands_on_every_sheet() -> None:
    for water in ((5.0, 6.0, 7.0), (15.0, 17.0, 19.0), (19.0, 21.0, 23.0)):
        told = {c.key: c.text for c in day_cautions(sheet(water=water))}
        assert "Life jacket on" in told["boat"]


def test_no_stems_no_nests() -> None:
    assert "birds" not in keys(stems="none") and "birds" in keys(stems="")


def test_every_caution_has_a_source() -> None:
    assert all(len(one.source) > 3 for one in warned().values())
    published = {key for key, one in warned().items() if one.standing == "published"}
    assert published == {"lightning", "cold", "heat"}


def test_every_taxon_of_the_catalogue_has_practice_and_hours_within_a_long_day() -> None:
    sun = (4.0, 12.0, 20.0)
    for taxon in load_catalogue().values():
        own = practice(taxon.id, taxon.group)
        spans = hours_of(own.hours, sun)
        assert all(3.0 <= begin < end <= 22.5 for begin, end in spans), taxon.id  # first light: an hour before sunrise
        assert all(spans[k][1] < spans[k + 1][0] for k in range(len(spans) - 1)), taxon.id
        fields = {name for text in (own.moving, own.still, own.how) for _, name, *_ in string.Formatter().parse(text)}
        assert fields - {None} <= {"top", "swim", "off_bottom", "shallow", "deep"}


def test_hours_by_hand() -> None:
    """Large lake midges: most just before sunset (Hilsenhoff 1966): noon + 4 to sunset."""
    assert hours_of(practice("chironomus", "midge").hours, (4.5, 12.25, 20.0)) == ((16.25, 20.0),)
    assert practice("early_midge", "midge").hours.words != practice("chironomus", "midge").hours.words
    assert practice("mine", "no such group") == practice("mine", "other")


def test_short_winter_days_have_no_hours_that_run_backwards() -> None:
    ((begin, end),) = hours_of(practice("mine", "other").hours, (11.0, 12.0, 13.0))
    assert begin == end


def test_hours_are_those_that_the_words_and_sources_say() -> None:
    """Damselflies: mostly morning to midday (Corbet 1999); squaregill mayflies: first light and evening."""
    sun = (4.5, 12.25, 20.0)
    damsel, caenis = practice("coenagrion", "damselfly").hours, practice("caenis", "mayfly").hours
    assert "morning to midday" in damsel.words and hours_of(damsel, sun) == ((8.25, 12.25),)
    assert hours_of(caenis, sun) == ((3.5, 5.5), (17.0, 20.0))


@pytest.mark.parametrize(
    ("stems", "secchi_m", "matched"),
    [("much", float("nan"), "weed"), ("none", 4.0, "bare"), ("some", 1.4, "stained"), ("", float("nan"), "weed")],
)
def test_colours_follow_the_habitat(stems: str, secchi_m: float, matched: str) -> None:
    assert habitat(stems, secchi_m) == matched
    (advice,) = day_advice(sheet(stems=stems, secchi_m=secchi_m))
    assert advice.colours == getattr(advice.practice, matched)


def test_known_residents_go_before_likelier_ones_that_may_live_there() -> None:
    sure = insect("caenis", group="mayfly", events=(EventDay("migration", 1, 0.5, 0.3, ""),))
    maybe = insect("ischnura", residence="unsure", events=(EventDay("migration", 1, 0.9, 0.9, ""),))
    low = insect("aeshna", group="dragonfly", events=(EventDay("migration", 1, 0.1, 0.19, ""),))
    assert [a.insect.taxon for a in day_advice(sheet(maybe, sure, low))] == ["caenis", "ischnura"]


def test_damselflies_lead_among_those_that_move() -> None:
    darner = insect("aeshna", group="dragonfly", events=(EventDay("migration", 1, 0.9, 0.9, ""),))
    damsel = insect(events=(EventDay("migration", 1, 0.5, 0.3, ""),))
    assert [a.insect.taxon for a in day_advice(sheet(darner, damsel))] == ["coenagrion", "aeshna"]


def test_with_nothing_on_the_move_young_nymphs_are_fished() -> None:
    quiet = (EventDay("migration", 1, 0.0, 0.0, ""),)
    damsel = insect(events=quiet, stages=Stages(0.9, 0.1, 0.0, 0.0, 0.0))
    caddis = insect("phryganeid", group="caddis", events=quiet, stages=Stages(0.1, 0.9, 0.0, 0.0, 0.0))
    (advice,) = day_advice(sheet(caddis, damsel))
    assert advice.insect.taxon == "coenagrion" and not advice.moving
    assert "off the bottom under a float" in advice.where


def test_nothing_is_fished_under_ice() -> None:
    assert day_advice(sheet(ice_chance=0.51)) == () and len(day_advice(sheet(ice_chance=0.5))) == 1


def test_at_most_three_are_told_and_those_fished_alike_once() -> None:
    groups = ("damselfly", "damselfly", "dragonfly", "caddis", "mayfly", "midge")
    told = day_advice(sheet(*(insect(f"own_{k}", group=group) for k, group in enumerate(groups))))
    assert [a.insect.taxon for a in told] == ["own_0", "own_2", "own_3"]
