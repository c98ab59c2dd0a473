"""Water and ice against published formulas and values, analytic solutions, the books of heat, and three real lakes."""

from __future__ import annotations

import dataclasses
import gzip
from pathlib import Path

import numpy as np
import pytest
from climates import MADISON, daily_normal
from season_folder import write_season

from emergence.dates import NEVER, day_of_year, year_of
from emergence.records import Season
from emergence.runs.learn import learn_lakes
from emergence.runs.record import Record, central_water, simulate_record, spring_openings
from emergence.runs.taught import with_learned
from emergence.season import read_season
from emergence.solar import extraterrestrial_radiation
from emergence.water import surface
from emergence.water.coefficients import load_coefficients
from emergence.water.lumped import Lumped, lumped_eight, lumped_four, lumped_water, mixed_share
from emergence.water.shape import LakeShape
from emergence.water.surface import (
    DAY_S,
    MELT_M,
    WATER_HEAT,
    Drivers,
    Exchange,
    drivers,
    exchange,
    heat_budget,
    ice_sheet,
    initial_state,
    mixed_layer,
    simulate,
)

DATA = Path(__file__).parent / "data"


# ---------------------------------------------------------------- the published lumped model

TEN_M = np.array([10.0])


@pytest.mark.parametrize(
    ("depth", "published"),
    [
        (5.0, (-0.01433, 0.08011, 0.07346, 19.814)),
        (10.0, (-0.00224, 0.05158, 0.05051, 15.436)),
        (20.0, (0.00986, 0.03321, 0.03473, 12.025)),
    ],
)
def test_lumped_coefficients_from_depth(depth: float, published: tuple[float, ...]) -> None:
    """Regressions on mean depth (Toffolon et al. 2014), evaluated by hand; half a unit of the last digit."""
    got = [float(a[0]) for a in lumped_four(np.array([depth]))[:4]]
    assert got[:3] == pytest.approx(published[:3], abs=6e-6)
    assert got[3] == pytest.approx(published[3], abs=6e-4)


def test_lumped_coefficients_with_a_season() -> None:
    got = [float(a[0]) for a in lumped_eight(TEN_M)[:6]]
    assert got == pytest.approx((0.26613, 0.04410, 0.05759, 14.664, 0.15642, 0.55855), abs=5e-4)


@pytest.mark.parametrize(
    ("lake", "published"),
    [
        (lumped_four(TEN_M), (4.5554, 5.1023, 6.6802, 9.0360, 12.4205, 14.8563, 15.2148)),
        (lumped_eight(TEN_M), (4.6981, 5.3911, 7.4182, 10.4954, 14.8226, 17.6841, 18.4099)),
    ],
    ids=["four", "eight"],
)
def test_lumped_trajectory(lake: Lumped, published: tuple[float, ...]) -> None:
    """10 m of mean depth, air held at 15 °C, water 4 °C on day 120: an evaluation elsewhere of the reference's scheme.

    Days 1, 2, 5, 10, 20, 40, 59, printed with four decimals.
    """
    share = (120 + np.arange(60)) / 365.25
    path = lumped_water(np.full((60, 1), 15.0), share, lake, np.array([4.0]))[:, 0]
    assert path[[1, 2, 5, 10, 20, 40, 59]] == pytest.approx(published, abs=6e-5)


def test_lumped_rests_where_air_and_water_balance() -> None:
    """Steady state (a1 + a2 Ta) / a3, printed with four decimals."""
    path = lumped_water(np.full((900, 1), 15.0), np.zeros(900), lumped_four(TEN_M), np.array([4.0]))
    assert path[-1, 0] == pytest.approx(15.2730, abs=6e-5)


def test_lumped_damps_and_lags_as_a_linear_store_does() -> None:
    """Fully mixed, td = 1/a3: damping (a2/a3) / sqrt(1 + (w td)^2), lag atan(w td) / w (Piccolroaz et al. 2013).

    0.2 % and 0.1 days: the daily step replaces w by 2 tan(w/2), the start is forgotten.
    """
    a2, a3 = 0.05, 0.06
    zero, none = np.zeros(1), np.full(1, np.nan)
    lake = Lumped(zero, np.array([a2]), np.array([a3]), zero + 10, zero, zero, none, none)
    t, w = np.arange(2000), 2 * np.pi / 365.25
    path = lumped_water(20 + 8 * np.cos(w * t)[:, None], t / 365.25, lake, zero + 20, deep_c=100.0)[-731:, 0]
    wave = np.exp(-1j * w * t[-731:])
    fit = np.linalg.lstsq(np.stack([wave.real, wave.imag, np.ones(731)], axis=1), path, rcond=None)[0]
    assert np.hypot(*fit[:2]) == pytest.approx(8 * a2 / a3 / np.hypot(1, w / a3), rel=2e-3)
    assert np.arctan2(-fit[1], fit[0]) / w == pytest.approx(np.arctan(w / a3) / w, abs=0.1)


def test_lumped_layer_is_thin_when_warm_and_whole_at_the_deep_temperature() -> None:
    lake = lumped_four(TEN_M)
    share = mixed_share(np.array([1.0, 4.0, 4.0 + lake.a4[0]]), Lumped(*(np.repeat(a, 3) for a in lake)))
    assert share == pytest.approx([1, 1, np.exp(-1)])
    winter = Lumped(*(np.repeat(a, 2) for a in lake))._replace(a7=np.full(2, 3.0), a8=np.full(2, 0.2))
    assert mixed_share(np.array([1.0, 0.0]), winter) == pytest.approx(
        [np.exp(-1) + np.exp(-5), np.exp(-4 / 3) + 1]  # exp(-(Th - T)/a7) + exp(-T/a8)
    )


# ---------------------------------------------------------------- exchange of heat with the air

MMHG_HPA = 1.33322


def edinger(surface_c: float, dew_c: float, wind_m_s: float) -> tuple[float, float]:
    """Exchange coefficient [W m-2 K-1] and wind function [W m-2 mmHg-1] of Edinger et al. 1968 WRR 4:1137."""
    wind = 9.2 + 0.46 * wind_m_s**2
    mean = (surface_c + dew_c) / 2
    return 4.5 + 0.05 * surface_c + (0.35 + 0.015 * mean + 0.0012 * mean**2 + 0.47) * wind, wind


@pytest.mark.parametrize(
    ("surface_c", "dew_c", "wind_m_s", "published"),
    [(10, 5, 2, 16.04), (15, 8, 3, 20.61), (20, 10, 3, 23.04), (20, 10, 5, 32.72)],
)
def test_exchange_with_the_air_is_the_published_one(
    surface_c: float, dew_c: float, wind_m_s: float, published: float
) -> None:
    """The net flux falls by Edinger's coefficient for each degree of water above the dew point, at the same wind.

    The formula first, to its printed digits. Then ours: the mean slope of the flux between dew point and surface, from
    a lake so deep that a day changes nothing. 4 %: Bowen's ratio 0.61 hPa/K there 0.47 mmHg/K (3 % of its share),
    Edinger's parabola for the slope of vapour pressure (1 %) and straight line for longwave (2 %).
    """
    coefficient, wind = edinger(surface_c, dew_c, wind_m_s)
    assert coefficient == pytest.approx(published, abs=0.006)
    per_hpa, deep = wind / MMHG_HPA, 1e5

    def flux(water_c: float) -> float:
        lake = Exchange(*(np.full((1, 1), v) for v in (per_hpa, 0.61 * per_hpa, deep, deep, 0.9)))
        sky = Drivers(*(np.full((1, 1), v) for v in (200.0, 1.25, 1.0, 0.0)), np.ones((1, 1), dtype=bool))
        water = np.full((1, 1), float(water_c))
        warmed = heat_budget(np.full((1, 1), float(dew_c)), sky, lake, water)
        return float((warmed - water)[0, 0]) * WATER_HEAT * deep / DAY_S

    assert (flux(dew_c) - flux(surface_c)) / (surface_c - dew_c) == pytest.approx(published, rel=0.04)


def test_layer_comes_to_rest_with_its_time_constant() -> None:
    """Near equilibrium a layer of depth h returns as exp(-K t / (rho c h)): 48.4 h / K days (7.3 for 3 m and 20 W m-2).

    K from the published formula at the model's own wind; 6 %: the 4 % above, and implicit daily steps, which return by
    1/(1 + 1/tau) a day.
    """
    lake = Exchange(*(np.full((1, 1), v) for v in (9.0, 0.61 * 9.0, 3.0, 3.0, 0.9)))
    sky = Drivers(*(np.full((1, 1), v) for v in (180.0, 1.25, 1.0, 0.0)), np.ones((1, 1), dtype=bool))
    air = np.full((1, 1), 15.0)
    rest = np.full((1, 1), 15.0)
    for _ in range(300):
        rest = heat_budget(air, sky, lake, rest)
    water = rest + 0.1
    for _ in range(5):
        water = heat_budget(air, sky, lake, water)
    days = -5 / np.log(float((water - rest)[0, 0]) / 0.1)
    at = float(rest[0, 0])
    mean_slope = 0.35 + 0.015 * at + 0.0012 * at**2
    coefficient = 4.5 + 0.05 * at + (mean_slope + 0.47) * 9.0 * MMHG_HPA
    tau = 48.4 * 3.0 / coefficient
    assert days == pytest.approx(1 / np.log1p(1 / tau), rel=0.06)


def test_relaxation_under_constant_air_is_the_exponential() -> None:
    """X_n = f + (X_0 - f) k^n, exact but for rounding."""
    n, keep, at = 60, float(np.exp(-1 / 9.0)), 12.0
    one = np.ones((n, 1, 1))
    drive = Drivers(200 * one, 1.2 * one, one, 3.0 * one, np.ones((n, 1, 1), dtype=bool))
    lake = Exchange(*(np.full((1, 1), v) for v in (10.0, 6.0, 2.0, 5.0, keep)))
    path, _ = simulate(at * one, drive, lake, initial_state(np.full((1, 1), 2.0)))
    target = 3.0 + load_coefficients()["relaxation"]["air"] * at
    expected = target + (4.0 - target) * keep ** np.arange(1, n + 1)  # the start is 2 °C above the first month's air
    assert path.free_c[:, 0, 0] == pytest.approx(expected, abs=1e-9)


# ---------------------------------------------------------------- sun


def one_lake(latitude: float, height: float = 300.0, area: float = 0.3, depth: float = 5.0) -> LakeShape:
    one, flags = np.ones(1), np.zeros(1, dtype=bool)
    return LakeShape(latitude * one, height * one, area * one, depth * one, 13.0 * one, flags, flags)


@pytest.mark.parametrize("latitude", [30.0, 45.0, 60.0, -40.0])
def test_sun_lies_between_overcast_and_clear_sky(latitude: float) -> None:
    """FAO-56 (Allen et al. 1998): at least 0.25 Ra under full cloud (eq. 35), at most (0.75 + 2e-5 z) Ra (eq. 37)."""
    days = 18_000 + np.arange(365)
    sun = drivers(days, one_lake(latitude), np.float64).sun[:, 0, 0]
    outside = extraterrestrial_radiation(latitude, day_of_year(days))
    assert (sun >= 0.25 * outside).all()
    assert (sun <= (0.75 + 2e-5 * 300) * outside).all()


# ---------------------------------------------------------------- ice


def test_bare_ice_grows_as_stefan_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """H = sqrt((k/u)^2 + 2 k F / (rho L)) - k/u with F the freezing degree-seconds, u the exchange at the surface.

    Stefan 1891, with a surface resistance as in Ashton 1986 (River and Lake Ice Engineering), from memory. Snow and the
    water's heat are switched off. 1.2 cm: by so much the first daily step, forward in time, grows too far. Without the
    resistance bare ice grows 3.4-3.5 cm for the root of a degree-day (Ashton 1986): 2 % for density and latent heat as
    rounded.
    """
    bare = {name: dict(table) for name, table in load_coefficients().items()}
    bare["ice"] |= {"snow_factor": 1.0, "freeze_loss": 0.0}
    monkeypatch.setattr(surface, "load_coefficients", lambda: bare)
    k, u = bare["ice"]["conductivity"], bare["ice"]["surface_exchange"]
    ice, snow = np.full((1, 1), 0.01), np.zeros((1, 1))
    air, night = np.full((1, 1), -12.0), np.zeros((1, 1))
    begin = ((0.01 + k / u) ** 2 - (k / u) ** 2) / (2 * k * MELT_M)  # degree-days that the first centimetre took
    for day in range(1, 121):
        ice, snow = ice_sheet(air, night, ice, snow)
        expected = np.sqrt((k / u) ** 2 + 2 * k * MELT_M * (12.0 * day + begin)) - k / u
        assert ice[0, 0] == pytest.approx(expected, abs=0.012)
    assert ice[0, 0] > 0.8
    assert 100 * np.sqrt(2 * k * MELT_M) == pytest.approx(3.5, abs=0.07)


# ---------------------------------------------------------------- the books of heat


@dataclasses.dataclass
class Books:
    """Heat of one lake's mixed layer and ice over some days [J m-2].

    ``steps`` is what the model's rules set without a flux: water to 0 °C with a first sheet at freezing, the sheet's
    least thickness, snow fallen onto it, water at its opening temperature when the sheet is gone.
    """

    stored: float = 0.0
    flux: float = 0.0
    steps: float = 0.0
    sun: float = 0.0
    froze: int = 0
    opened: int = 0


def net_flux(air: float, water: float, sky: dict[str, float], lake: dict[str, float]) -> tuple[float, float]:
    """Net flux into open water and its fall with each degree of water [W m-2, W m-2 K-1], typed anew."""
    c = load_coefficients()
    sigma, ta, tw = 5.67e-8, air + 273.15, water + 273.15
    es_water, es_air = (6.108 * np.exp(17.27 * t / (t + 237.3)) for t in (water, air))
    vapour = c["air"]["humidity_share"] * es_air
    emissivity = min(1.0, sky["sky"] * (vapour / ta) ** (1 / 7))
    flux = c["sun"]["absorbed"] * sky["sun"] + 0.97 * sigma * (emissivity * ta**4 - tw**4)
    flux -= lake["wind"] * (es_water - vapour) + lake["bowen_wind"] * (water - air)
    change = es_water * 17.27 * 237.3 / (water + 237.3) ** 2
    return flux, 4 * 0.97 * sigma * tw**3 + lake["wind"] * change + lake["bowen_wind"]


def keep_books(air: np.ndarray, days: np.ndarray, shape: LakeShape) -> Books:
    """Run a lake day by day and enter every change of heat."""
    drive, lake = drivers(days, shape, np.float64), exchange(shape, np.float64)
    state, books = initial_state(np.full((1, 1), air[:30].mean())), Books()
    own = {name: float(value[0, 0]) for name, value in vars(lake).items()}
    ice, latent = load_coefficients()["ice"], DAY_S / MELT_M
    for k in range(len(days)):
        today = Drivers(*(v[k : k + 1] for v in vars(drive).values()))
        sky = {name: float(v[k, 0, 0]) for name, v in vars(drive).items()}
        _, after = simulate(air[k : k + 1, None, None], today, lake, state)
        t0, t1 = float(state.budget_c[0, 0]), float(after.budget_c[0, 0])
        h0, h1 = float(state.ice_m[0, 0]), float(after.ice_m[0, 0])
        w0, w1 = float(state.snow_m[0, 0]), float(after.snow_m[0, 0])
        if h0 == 0:
            capacity = WATER_HEAT * float(mixed_layer(state.budget_c, today.deepen[0], lake)[0, 0])
            flux, slope = net_flux(air[k], t0, sky, own)
            warmed = t0 + DAY_S * flux / (capacity + DAY_S * slope)
            books.flux += DAY_S * (flux - slope * (warmed - t0))
            books.sun += DAY_S * load_coefficients()["sun"]["absorbed"] * sky["sun"]
            books.stored += capacity * (t1 - t0) - latent * h1
            if h1 > 0:
                books.steps += capacity * (0 - warmed) - latent * h1
                books.froze += 1
        else:
            conduct = ice["conductivity"] * ice["snow_factor"]
            cold = air[k] < 0
            lost = conduct * -air[k] / (h0 + conduct / ice["surface_exchange"]) - ice["freeze_loss"] if cold else 0.0
            fallen = ice["snow_reserve_m"] if cold else 0.0
            grown = max(h0 + MELT_M * lost, ice["floor_m"]) if cold else h0
            share = ice["melt_sun_snow"] if w0 + fallen > 0 else ice["melt_sun"]
            melt = max(ice["melt_air"] * air[k] + share * sky["sun"] - ice["melt_threshold"], 0)
            left_over = max(MELT_M * melt - min(MELT_M * melt, w0 + fallen) - grown, 0)
            books.flux += DAY_S * (melt - lost)
            books.stored -= latent * (h1 - h0 + w1 - w0)
            books.steps -= latent * (grown - h0 - MELT_M * lost) + latent * fallen + latent * left_over
            if h1 == 0:
                jump = WATER_HEAT * float(mixed_layer(after.budget_c, today.deepen[0], lake)[0, 0]) * t1
                books.stored, books.steps, books.opened = books.stored + jump, books.steps + jump, books.opened + 1
        state = after
    return books


@pytest.mark.parametrize("warmer", [0.0, 12.0], ids=["with ice", "without ice"])
def test_heat_is_accounted_for(warmer: float) -> None:
    """Over three years: heat stored = fluxes + the steps that the rules set, to rounding (1e-7: constants in float32).

    The steps are what the model does not conserve; with ice they are a few per cent of the sun it absorbs, without ice
    there are none and the fluxes alone close the books.
    """
    days = 17_800 + np.arange(1096)
    noise = np.random.default_rng(2).normal(0, 3.5, len(days))
    books = keep_books(daily_normal(MADISON, day_of_year(days)) + noise + warmer, days, one_lake(45.0))
    assert books.stored == pytest.approx(books.flux + books.steps, abs=1e-7 * books.sun)
    if warmer:
        assert (books.froze, books.opened, books.steps) == (0, 0, 0.0)
    else:
        assert books.froze >= 3 and books.opened >= 3
        assert abs(books.steps) < 0.05 * books.sun


# ---------------------------------------------------------------- three lakes through the whole program

LAKES = """\
lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m
{}
"""
SHAPES = {
    "crampton": "crampton,Crampton Lake,,46.21,-89.47,509,26,5.0,18.5",
    "pothole": "pothole,Prairie Pothole,,47.13,-99.25,579,11.2,2.0,4.0",
    "mendota": "mendota,Lake Mendota,,43.10,-89.41,259,3985,12.8,25.3",
}
STATIONS = "station_id,name,latitude,longitude,elevation_m\nair,Station,{},{},{}\n"
NOTHING = ("season.toml", "weather/low.csv", "weather/high.csv", "weather/low.ahead.csv", "sightings.csv")


def text(name: str) -> str:
    with gzip.open(DATA / name, "rt", encoding="utf-8") as file:
        return file.read()


def folder(
    tmp_path: Path, lake: str, *, height: int, air: str, water: str = "", ice: str = ""
) -> tuple[Season, Record]:
    """Return the season folder of one lake, read, and its record simulated."""
    row = SHAPES[lake].split(",")
    files: dict[str, str | bytes | None] = dict.fromkeys((*NOTHING, "residents.csv", "taxa/coenagrion.toml"))
    files |= {
        "lakes.csv": LAKES.format(SHAPES[lake]),
        "stations.csv": STATIONS.format(row[3], row[4], height),
        "weather/air.csv": text(air),
        "readings.csv": named(lake, text(water)) if water else None,
        "ice.csv": named(lake, text(ice)) if ice else None,
    }
    season = read_season(write_season(tmp_path, files), today=25_000)
    return season, simulate_record(season, season.lakes)


def named(lake: str, table: str) -> str:
    head, *rows = table.strip().splitlines()
    if head.startswith("lake_id"):
        return table
    return "\n".join([f"lake_id,{head}", *(f"{lake},{row}" for row in rows)]) + "\n"


def scored(season: Season, record: Record) -> Season:
    """Return the season folder with the readings that count: 4 °C and more, air known for 16 of the 20 days before."""
    read = season.readings.take(season.readings.day <= record.last[0])
    at = read.day - record.first_day
    counts = np.concatenate([[0], np.cumsum(record.measured[:, 0])])
    keep = (read.water_c >= 4) & (counts[at] - counts[np.maximum(at - 20, 0)] >= 16)
    return dataclasses.replace(season, readings=read.take(keep))


def error(record: Record, season: Season, *, known: Season | None = None) -> np.ndarray:
    """Return model minus reading [°C], the model told what the readings of ``known`` teach."""
    spread = record.spread
    if known is not None:
        spread = with_learned(spread, record.lakes, learn_lakes(known, record, before=10**6))
    water, _ = central_water(record, spread)
    return water[season.readings.day - record.first_day, 0] - season.readings.water_c


def rms(x: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(x))))


@pytest.mark.parametrize(
    ("lake", "height", "unseen_c", "ten_c"), [("crampton", 509, 1.6, 1.2), ("pothole", 579, 1.8, 1.5)]
)
def test_surface_water_of_two_lakes(tmp_path: Path, lake: str, height: int, unseen_c: float, ten_c: float) -> None:
    """Daily buoy water (NEON, CC0), without any reading and then with ten of one season, the other years scored.

    When written: Crampton 1.33 °C, with ten 1.00 (mean of eight choices); the prairie pothole 1.53 and 1.29. The bounds
    leave 15 %. The coefficients were fitted on lakes that include these two, so this guards the program and claims no
    skill; left out with its station a lake scores as in tests/benchmarks/WATER.md.
    """
    season, record = folder(tmp_path, lake, height=height, air=f"{lake}_air.csv.gz", water=f"{lake}_water.csv.gz")
    season = scored(season, record)
    years, unseen = year_of(season.readings.day), error(record, season)
    rng, told = np.random.default_rng(1), []
    for _ in range(8):
        year = rng.choice([y for y in np.unique(years) if (years == y).sum() >= 30])
        ten = np.sort(rng.choice(np.flatnonzero(years == year), 10, replace=False))
        known = dataclasses.replace(season, readings=season.readings.take(ten))
        told.append(rms(error(record, season, known=known)[years != year]))
    assert len(unseen) > 600
    assert rms(unseen) < unseen_c
    assert np.mean(told) < ten_c
    assert np.mean(told) < rms(unseen)


def test_ice_off_of_mendota(tmp_path: Path) -> None:
    """Ice-off of forty springs from the air of Madison (NTL-LTER, CC0), without any date and with the first twenty.

    When written: 4.5 days over all, 4.2 over the last twenty, 4.3 with the shift that the first twenty teach (a lake
    that the model has right already). The bounds leave a day; as above, no claim of skill on unseen lakes.
    """
    season, record = folder(tmp_path, "mendota", height=262, air="madison_air.csv.gz", ice="mendota_ice.csv.gz")
    off = season.ice.take((season.ice.event == "off") & (season.ice.day <= record.last[0] - 30))
    years, middle = year_of(off.day).tolist(), int(np.median(off.day))
    opened = spring_openings(record)
    assert len(years) >= 38 and NEVER not in [opened[y][0] for y in years]
    unseen = np.array([opened[y][0] - day for y, day in zip(years, off.day.tolist(), strict=True)])
    shift = learn_lakes(season, record, before=middle).ice["mendota"].mean_d
    later = unseen[off.day >= middle]
    assert rms(unseen) < 5.5
    assert rms(later + round(shift)) < 5.3
