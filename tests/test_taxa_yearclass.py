"""Year-classes: voltinism as published from the warmth of the water, mass balance, echoes, tight and wide emergence.

Waters are simulated from monthly air normals (from memory) or made to a given heat; both are synthetic.
"""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from climates import MADISON, PLATEAU, SASKATOON, one_lake, shape_of, weather

from emergence.dates import season_span
from emergence.degreedays import accumulate, mean_water_degree_days
from emergence.errors import CatalogueError
from emergence.taxa import yearclass
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.model import Taxon
from emergence.taxa.population import ready_share, water_start
from emergence.taxa.yearclass import (
    CLUTCHES,
    PointClasses,
    SeasonHeat,
    YearClasses,
    autumn_arrest,
    generation,
    member_ages,
    member_classes,
    season_heat,
    traits,
    year_classes,
)
from emergence.water.surface import drivers, exchange, initial_state, simulate

CATALOGUE = load_catalogue()
HEX = CATALOGUE["hexagenia"]
SOUTH_SWEDEN = (-3.3, -3.5, -0.2, 4.6, 10.6, 15.3, 16.6, 15.6, 11.4, 7.1, 1.9, -1.6)
LAPLAND = (-13.9, -12.5, -8.7, -3.2, 3.4, 9.6, 12.0, 9.8, 4.6, -1.4, -8.1, -11.9)
ALBERTA = (-9.0, -6.5, -2.5, 4.0, 9.3, 13.2, 16.0, 15.2, 10.6, 5.2, -2.6, -7.5)
TORONTO = (-6.5, -5.5, -0.5, 6.5, 12.8, 18.0, 20.8, 20.0, 15.7, 9.4, 3.5, -2.8)
LAKES = {  # normals, then latitude, elevation [m], area [ha], mean depth [m]
    "58.7 N": (SOUTH_SWEDEN, 58.7, 60.0, 2.0, 1.0),
    "58.7 N lake": (SOUTH_SWEDEN, 58.7, 60.0, 10.0, 4.0),
    "67.8 N": (LAPLAND, 67.8, 400.0, 5.0, 1.5),
    "saskatoon pond": (SASKATOON, 52.1, 500.0, 0.5, 1.0),
    "alberta pond": (ALBERTA, 51.0, 1100.0, 2.0, 1.5),
    "plateau": (PLATEAU, 50.0, 1150.0, 30.0, 4.0),
    "madison": (MADISON, 43.1, 260.0, 130.0, 3.0),
    "toronto pond": (TORONTO, 43.7, 150.0, 1.0, 1.5),
}
YEARS = 24  # simulated years, as ``climates.weather`` makes them


@cache
def water_of(lake: str) -> tuple[np.ndarray, float]:
    """Surface of one lake in YEARS independent years, (365, years, 1) [°C], and its latitude."""
    monthly, *place = LAKES[lake]
    span = season_span(2021, False)
    days = np.arange(span.sim_start, span.end + 1)
    air = weather(monthly, days)
    shape = shape_of(one_lake(*place), monthly)
    path, _ = simulate(air, drivers(days, shape), exchange(shape), initial_state(air[:30].mean(axis=0)))
    return path.water_c[-365:].transpose(0, 2, 1), place[0]


def warmth(taxon: Taxon, water: np.ndarray, latitude: float) -> SeasonHeat:
    own, growth = traits(taxon), taxon.growth
    upper = growth.upper.value if growth.upper else None
    heat = accumulate(mean_water_degree_days(water, lower=growth.lower.value, upper=upper))
    start = np.zeros(water.shape[1:], dtype=np.int16)
    if taxon.start.threshold is not None:
        start = water_start(water, threshold=taxon.start.threshold.value, first=0)
    place = np.full(water.shape[2], latitude)
    arrest = autumn_arrest(place, own.shortest_day, days_of_year=np.arange(1, 366), solstice=171)
    return season_heat(heat, own, start=start, arrest=arrest)


@cache
def run(taxon_id: str, lake: str) -> YearClasses:
    taxon = CATALOGUE[taxon_id]
    return year_classes(warmth(taxon, *water_of(lake)), traits(taxon))


def age_shares(classes: YearClasses) -> np.ndarray:
    """Shares of those aged 1, 2, 3, ... years among all who matured in the years run."""
    number = classes.maturing[:-1, None] * classes.ages[:-1]
    return np.asarray(number.sum(axis=(0, 2)) / number.sum())


def even_water(annual: float, lower: float = 10.0, *, years: int = 30, sd: float = 0.7) -> np.ndarray:
    """Water with a given mean heat a year above ``lower``: a cosine, warmest in early August, years that differ."""
    season = np.cos(2 * np.pi * (np.arange(365) - 212) / 365) - 0.35
    low, high = 0.0, 40.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (low, middle) if np.clip(middle * season, 0, None).sum() > annual else (middle, high)
    shift = np.random.default_rng(1).normal(0, sd, years)
    shift -= shift.mean()
    return np.clip(lower + low * season[:, None] + shift, 0, None).astype(np.float32)[:, :, None]


# ---------------------------------------------------------------- voltinism


def test_coenagrion_one_to_two_years_at_58_north_and_three_to_four_at_68() -> None:
    """Norling 1984 Odonatologica 13:429 (C. hastulatum): 1-2 years at 58.7 N, 3-4 at 67.8 N.

    A tenth may fall outside: shares are not published, normals and the ponds are from memory.
    """
    south, north = age_shares(run("coenagrion", "58.7 N")), age_shares(run("coenagrion", "67.8 N"))
    assert south[:2].sum() > 0.99
    assert south[0] > 0.05 and south[1] > 0.05
    assert north[2:4].sum() > 0.9
    assert north[0] < 0.001
    assert 2.8 < generation(run("coenagrion", "67.8 N"))[0] < 4


def test_coenagrion_ten_to_twenty_two_months_in_southern_alberta() -> None:
    """Krishnaraj & Pritchard 1995 Can J Zool 73:1672 (C. resolutum): nymphs live 10 to 22 months, one cohort split."""
    shares = age_shares(run("coenagrion", "alberta pond"))
    assert shares[:2].sum() > 0.98
    assert shares[0] > 0.1 and shares[1] > 0.1


def test_coenagrion_of_the_saskatchewan_pond() -> None:
    """Sawchyn & Gillott 1975 Can Ent 107:119: one year; most winter in the last three instars, some full-grown."""
    classes = run("coenagrion", "saskatoon pond")
    assert age_shares(classes)[0] > 0.95
    younger, _, _, grown = classes.instars.mean(axis=0)[:, 0]
    assert younger < 0.5
    assert grown > 0.1


def test_leucorrhinia_three_years_at_58_north() -> None:
    """Norling 1976 Odonatologica 5:245 (L. dubia): three years in southern Sweden, longer in the north.

    Half a year either side: which other ages were met is not in the abstract.
    """
    south, north = run("libellula", "58.7 N lake"), run("libellula", "67.8 N")
    assert 2.5 < generation(south)[0] < 3.5
    assert age_shares(south)[2] > 0.6
    assert generation(north)[0] > generation(south)[0] + 1


def test_hawker_two_to_three_years_in_southern_sweden_and_three_to_four_on_the_plateau() -> None:
    """Norling 1971 (Aeshna viridis, 2-3 years); 3-4 years on a plateau lake at 50 N (from memory)."""
    assert age_shares(run("aeshna", "58.7 N lake"))[1:3].sum() > 0.95
    assert age_shares(run("aeshna", "plateau"))[2:4].sum() > 0.95


@pytest.mark.parametrize("annual", [350, 450, 550, 650])
def test_hexagenia_three_to_four_years_in_cold_lakes(annual: float) -> None:
    """Giberson & Rosenberg 1994 Freshw Biol: 3 years (4 in the coldest) where a year has 210-650 °C·day above 10.

    Tested from 350 on, since 1,222 °C·day at 210 a year would be six years: the low end is of single years or sites.
    Most, since at either edge the next age begins (two years at 650, five at 350).
    """
    shares = age_shares(year_classes(warmth(HEX, even_water(annual), 56.8), traits(HEX)))
    assert shares[2:4].sum() > 0.5
    assert shares[1:5].sum() > 0.95


@pytest.mark.parametrize("annual", [900, 950, 1000])
def test_hexagenia_two_years_in_warm_lakes(annual: float) -> None:
    """Heise et al. 1987: mean 1.9 years in Dauphin Lake (900-1,000 °C·day above 10); 0.2 for means of one lake."""
    mean = generation(year_classes(warmth(HEX, even_water(annual), 51.0), traits(HEX)))[0]
    assert mean == pytest.approx(1.9, abs=0.2)


@pytest.mark.parametrize(("annual", "low", "high"), [(450, 1222, 1468), (950, 1806, 2030)])
def test_hexagenia_needs_more_heat_where_it_is_warmer(annual: float, low: float, high: float) -> None:
    """Egg to emergence: 1,222-1,468 °C·day above 10 in Manitoba at 57 N, 1,806-2,030 in Dauphin Lake.

    Giberson & Rosenberg 1994, Heise et al. 1987: both follow from one critical size in autumn. 5 % for reading a mean.
    """
    heat = warmth(HEX, even_water(annual), 54.0)
    age = generation(year_classes(heat, traits(HEX)))[0]
    final = min(HEX.growth.requirement.median.value, 0.45 * heat.annual.mean())
    total = heat.after.mean() + (age - 1) * heat.annual.mean() + final
    assert 0.95 * low < total < 1.05 * high


@pytest.mark.parametrize("lake", ["58.7 N", "saskatoon pond", "plateau", "madison"])
def test_lestes_always_one_year(lake: str) -> None:
    """Sawchyn & Gillott 1974 Can Ent 106:1283; Corbet et al. 2006 IJO 9:1: Lestidae keep one year at all latitudes."""
    assert age_shares(run("lestes", lake))[0] == pytest.approx(1, abs=1e-12)  # rounding


def test_green_darner_residents_take_eleven_months_near_toronto() -> None:
    """Trottier 1971 Can J Zool 49:1671: residents, about 11 months, winter half-grown.

    1,605 °C·day in all; the 705 of the final season leave 900 before winter, within a tenth (year to year, one pond).
    """
    heat = warmth(CATALOGUE["anax"], *water_of("toronto pond"))
    assert heat.after.mean() == pytest.approx(1605 - 705, rel=0.1)
    classes = run("anax", "toronto pond")
    assert age_shares(classes)[0] > 0.97
    assert classes.instars.mean(axis=0)[3, 0] < 0.2  # hardly anybody is full-grown in winter


def test_warmer_water_never_makes_a_generation_longer() -> None:
    water, latitude = water_of("plateau")
    for taxon_id in ("coenagrion", "libellula", "aeshna", "hexagenia"):
        taxon = CATALOGUE[taxon_id]
        ages = [
            generation(year_classes(warmth(taxon, water + np.float32(d), latitude), traits(taxon)))[0]
            for d in (-2, -1, 0, 1, 2, 4)
        ]
        assert (np.diff(ages) <= 0.02).all(), taxon_id  # 0.02: shares of strong and weak years weigh differently


# ---------------------------------------------------------------- numbers


@pytest.mark.parametrize("taxon_id", ["coenagrion", "lestes", "libellula", "aeshna", "hexagenia"])
def test_nymphs_in_are_emerged_dead_or_still_there(taxon_id: str) -> None:
    """Every year and over 30 years, to rounding of double precision."""
    taxon = CATALOGUE[taxon_id]
    hatch = np.random.default_rng(4).uniform(0.1, 1.5, 30)
    b = year_classes(warmth(taxon, even_water(800, 9.0), 52.0), traits(taxon), hatch=hatch).balance
    before = np.concatenate([b.before[None], b.present[:-1]])
    np.testing.assert_allclose(before + b.hatched, b.emerged + b.dead + b.present, rtol=1e-12)
    whole = b.before + b.hatched.sum(axis=0)
    np.testing.assert_allclose(whole, b.emerged.sum(axis=0) + b.dead.sum(axis=0) + b.present[-1], rtol=1e-12)
    for flow in (b.hatched, b.emerged, b.dead, b.present):
        assert (flow >= 0).all() and flow.any()


def two_year_lake(hatch: np.ndarray | None = None, *, colder_in: int | None = None) -> YearClasses:
    """Thirty like years of a lake in which damselflies take two years; one may be cold or damaged."""
    water = even_water(850, 9.0, sd=0.0)
    if colder_in is not None:
        water[:, colder_in] = np.maximum(water[:, colder_in] - 4, 0)
    return year_classes(warmth(CATALOGUE["coenagrion"], water, 50.0), traits(CATALOGUE["coenagrion"]), hatch=hatch)


def test_like_years_are_all_alike() -> None:
    classes = two_year_lake()
    assert age_shares(classes)[1] > 0.9
    np.testing.assert_allclose(classes.maturing, 1, atol=0.01)  # 1 %: what is left of the start after SPIN_UP years


def test_damaged_year_echoes_two_years_later() -> None:
    """A year in which nine tenths of the young die: half as many or fewer two years on, next to nothing before."""
    hatch = np.ones(30)
    hatch[10] = 0.1
    maturing = two_year_lake(hatch).maturing[:, 0]
    assert maturing.argmin() == 12
    assert maturing[12] < 0.5
    assert maturing[11] > 0.8
    assert maturing[14] < 0.9  # and once more in the offspring of the few, damped


def test_cold_year_echoes_two_years_later() -> None:
    """A summer 4 °C colder: eggs late, nymphs small; fewest two years on."""
    maturing = two_year_lake(colder_in=10).maturing[:, 0]
    usual = maturing[:10].mean()
    assert maturing.argmin() in (11, 12)
    assert maturing[12] < 0.9 * usual


def test_nobody_leaves_in_the_summer_in_which_it_grows_up() -> None:
    """The long-day block: where all grow up within months, a year without young leaves the next without adults."""
    taxon = CATALOGUE["coenagrion"]
    own = dataclasses.replace(traits(taxon), critical=600.0, grown=800.0)
    heat = warmth(taxon, even_water(2400, 9.0, sd=0.0), 44.0)
    assert (heat.after > own.grown * 1.3).all()
    hatch = np.ones(30)
    hatch[10] = 0
    classes = year_classes(heat, own, hatch=hatch)
    assert classes.maturing[11, 0] < 0.01
    assert classes.balance.emerged[10, 0] > 0
    assert classes.balance.emerged[11, 0] < 0.01 * classes.balance.emerged[10, 0]


def test_shares_are_shares() -> None:
    for taxon_id in ("coenagrion", "aeshna", "lestes"):
        classes = run(taxon_id, "plateau")
        np.testing.assert_allclose(classes.ages.sum(axis=1), 1, rtol=1e-12)
        np.testing.assert_allclose(classes.instars.sum(axis=1), 1, rtol=1e-12)
        assert classes.ages.min() >= 0 and classes.instars.min() >= -1e-12


def test_too_cold_a_lake_has_no_numbers() -> None:
    taxon = CATALOGUE["coenagrion"]
    classes = year_classes(warmth(taxon, even_water(40, 9.0, sd=0.0), 68.0), traits(taxon))
    assert not classes.maturing.any() and not classes.balance.emerged.any()


def test_cells_do_not_feel_their_neighbours() -> None:
    taxon, (water, latitude) = CATALOGUE["coenagrion"], water_of("plateau")
    many = np.concatenate([water + np.float32(d) for d in (-1, 0, 1, 2)], axis=2)
    alone = year_classes(warmth(taxon, water, latitude), traits(taxon))
    beside = year_classes(warmth(taxon, many, latitude), traits(taxon))
    np.testing.assert_array_equal(alone.maturing[:, 0], beside.maturing[:, 1])


def test_years_may_stand_on_any_axis() -> None:
    taxon, (water, latitude) = CATALOGUE["coenagrion"], water_of("plateau")
    own = traits(taxon)
    heat = accumulate(mean_water_degree_days(water, lower=9.0, upper=22.4))
    arrest = np.array([260])
    first = season_heat(heat, own, start=np.zeros(heat.shape[1:], np.int16), arrest=arrest)
    turned = heat.transpose(0, 2, 1)
    second = season_heat(turned, own, start=np.zeros(turned.shape[1:], np.int16), arrest=arrest, axis=1)
    np.testing.assert_array_equal(first.after, second.after)
    np.testing.assert_array_equal(first.emerged, second.emerged)
    assert first.after.shape == (YEARS, len(CLUTCHES), 1)
    assert latitude == 50.0


def test_growth_stops_with_the_short_days() -> None:
    """Days are 12 h long within three days of the September equinox at 50 N (sunrise and sunset with refraction)."""
    day = autumn_arrest(np.array([50.0]), 12.0, days_of_year=np.arange(1, 366), solstice=171)[0]
    assert abs(day + 1 - 267) <= 4


# ---------------------------------------------------------------- spring and summer types


def days_from_first(taxon_id: str, lake: str, share: float) -> float:
    """Median days from the first 5 % to a share of the emergence, gates open, with the winter's differences."""
    taxon, (water, _) = CATALOGUE[taxon_id], water_of(lake)
    growth, part = taxon.growth, taxon.year_class
    assert part is not None and part.carry is not None
    winter = run(taxon_id, lake).winter_sd[:-1, 0]
    spread = np.hypot(growth.requirement.spread.value, part.carry.value * winter)
    upper = growth.upper.value if growth.upper else None
    heat = accumulate(mean_water_degree_days(water, lower=growth.lower.value, upper=upper))[:, :, 0]
    ready = ready_share(heat.astype(float), growth.requirement.median.value, spread)
    first, later = (ready >= 0.05).argmax(axis=0), (ready >= share).argmax(axis=0)
    return float(np.median(later - first))


def test_spring_type_is_tight() -> None:
    """Last winter in the final instar: half in 3-10 days of the first, most in 10 (Sawchyn & Gillott 1975).

    From memory of Corbet 1957, 1962 for Anax imperator: half by day 3, nine tenths by about day 10. Nine tenths within
    16 days here: the published first adult is earlier than our 5 %, but pond and spring are not given.
    """
    for taxon_id, lake in (("coenagrion", "saskatoon pond"), ("libellula", "58.7 N lake")):
        assert 3 <= days_from_first(taxon_id, lake, 0.5) <= 10
        assert days_from_first(taxon_id, lake, 0.9) <= 16


def test_summer_type_is_wide() -> None:
    """Last winter before the final instar: weeks (from memory); at least twice the spring type on the same lake."""
    for lake in ("plateau", "58.7 N lake"):
        assert days_from_first("aeshna", lake, 0.9) > 1.7 * days_from_first("coenagrion", lake, 0.9)
    assert days_from_first("aeshna", "plateau", 0.9) >= 21


# ---------------------------------------------------------------- members


def some_points() -> PointClasses:
    offset = np.array([-2.0, 0.0, 2.0])
    return PointClasses(
        offset_c=offset,
        annual=np.array([[600.0, 800.0, 1000.0], [600.0, 800.0, 1000.0]]),
        strength=np.array([[0.5, 1.0, 2.0], [1.0, 1.0, 1.0]]),
        winter_sd=np.array([[80.0, 40.0, 0.0], [10.0, 10.0, 10.0]]),
        younger=np.array([[4.0, 2.0, 0.0], [3.0, 3.0, 3.0]]),
        ages=np.zeros((2, 3, 8)),
    )


def exact(taxon: Taxon) -> Taxon:
    """The taxon without doubt about its critical size and without unexplained differences of numbers."""
    part = taxon.year_class
    assert part is not None and part.critical is not None
    sure = {"low": part.critical.value, "high": part.critical.value}
    critical = part.critical.model_copy(update=sure)
    quiet = part.ln_sd.model_copy(update={"value": 0.0, "low": 0.0})
    return taxon.model_copy(update={"year_class": part.model_copy(update={"critical": critical, "ln_sd": quiet})})


def test_lines_between_points_are_those_of_numpy() -> None:
    rng = np.random.default_rng(3)
    at = np.sort(rng.normal(6, 1, (7, 5)), axis=1)
    x = np.concatenate([rng.normal(6, 2, (7, 40)), at], axis=1)
    value = rng.normal(size=(3, 7, 5))
    got = yearclass._between(x, at, value)
    plain = [[np.interp(x[k], at[k], row[k]) for k in range(7)] for row in value]
    np.testing.assert_allclose(got, plain, rtol=1e-12, atol=1e-12)  # rounding


def test_members_stand_between_the_points() -> None:
    lake_ids = np.array(["a", "b"], dtype=object)
    deviation = np.array([[-5.0, -2.0, 0.0, 1.0, 2.0, 9.0]] * 2)
    taxon = exact(CATALOGUE["coenagrion"])
    got = member_classes(some_points(), taxon, deviation, lake_ids, seed=1)
    assert got.strength[0] == pytest.approx([0.5, 0.5, 1.0, 1.5, 2.0, 2.0], abs=1e-5)
    assert got.strength[1] == pytest.approx([1.0] * 6)
    assert taxon.year_class is not None and taxon.year_class.carry is not None
    assert got.uneven[0, 3] == pytest.approx(20 * taxon.year_class.carry.value, abs=1e-4)
    assert got.younger[0, 1] == pytest.approx(4)


def test_members_differ_by_what_is_not_known_and_by_their_own_key() -> None:
    lake_ids, still = np.array(["a", "b"], dtype=object), np.zeros((2, 400))
    got = member_classes(some_points(), CATALOGUE["coenagrion"], still, lake_ids, seed=1)
    part = CATALOGUE["coenagrion"].year_class
    assert part is not None
    assert np.log(got.strength[1]).std() == pytest.approx(part.ln_sd.value, rel=0.1)  # 400 draws: sd good to 4 %
    assert np.log(got.strength[0]).std() > np.log(got.strength[1]).std()
    only = dataclasses.replace(
        some_points(),
        **{k: getattr(some_points(), k)[1:] for k in ("annual", "strength", "winter_sd", "younger", "ages")},
    )
    alone = member_classes(only, CATALOGUE["coenagrion"], still[1:], lake_ids[1:], seed=1)
    np.testing.assert_array_equal(alone.strength[0], got.strength[1])


def test_ages_are_the_mean_of_the_members() -> None:
    """Half the members at a point of one-year nymphs, half at one of two-year nymphs."""
    ages = np.zeros_like(some_points().ages)
    ages[:, :2, 1] = ages[:, 2:, 0] = 1.0
    points, taxon = dataclasses.replace(some_points(), ages=ages), exact(CATALOGUE["coenagrion"])
    coldest, warmest = points.offset_c[[0, -1]]
    got = member_ages(points.take(np.array([0])), taxon, np.array([coldest, warmest]), "a", seed=1)
    assert got[:2] == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("[year_class.grown]\nvalue = 900", "year_class: grown must lie above critical"),
        ("[year_class.survival]\nvalue = 1.5", "year_class: survival must lie in 0..1"),
        ('[year_class]\nlast_winter = "egg"', "year_class: critical, grown, dispersion and carry: all four for nymphs"),
        ('[year_class]\nlast_winter = "final instar"', "year_class.last_winter: input should be 'final'"),
        ("[adult.life]\nvalue = 0", "adult: life must be positive"),
    ],
)
def test_impossible_year_classes_are_told(change: str, words: str) -> None:
    source = '\nlow = 0\nhigh = 2000\nsource = "own notes"\nstanding = "our prior"' if "value" in change else ""
    with pytest.raises(CatalogueError) as error:
        load_catalogue({"taxa/own.toml": f'id = "coenagrion"\n{change}{source}\n'})
    assert words in str(error.value)


def test_taxa_without_year_classes_are_refused() -> None:
    with pytest.raises(ValueError, match="callibaetis has no year-classes"):
        traits(CATALOGUE["callibaetis"])
