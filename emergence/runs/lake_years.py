"""A lake's water and ice through one season of the record, with the model's band and what was noted there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, season_span, season_year, to_date
from emergence.errors import WrongUseError
from emergence.records import Season
from emergence.runs.record import Record, winters
from emergence.runs.results import LakeYear
from emergence.runs.taught import Learned, with_learned
from emergence.water.breakup import breakup_shift, lay_breakup
from emergence.water.coefficients import load_coefficients
from emergence.water.conditioning import SURFACE_M
from emergence.water.features import Features
from emergence.water.members import MemberWater, member_water
from emergence.water.spread import Spread, draw_errors, error_bank
from emergence.water.surface import WaterPath, opening_keep

Days = NDArray[np.int64]
Floats = NDArray[np.floating]
MEMBERS = 1000  # the 10 and 90 % of so many draws are good to 0.1 °C where the band is 4 °C wide
SEED = 0


def chosen_years(record: Record, lake: int, years: Sequence[int]) -> list[SeasonSpan]:
    """Return the seasons to draw of one lake: those asked for, else the last that the record covers to its end.

    Raises
    ------
    WrongUseError
        A season of which the record holds no day.
    """
    south = bool(record.lakes.southern[lake])
    first, last = int(record.first[lake]), int(record.last[lake])
    if not years:
        latest = season_year(last, south)
        complete = season_span(latest, south).end <= last or season_span(latest - 1, south).end < first
        return [season_span(latest if complete else latest - 1, south)]
    spans = [season_span(y, south) for y in years]
    for span in spans:
        if span.end < first or span.start > last:
            raise WrongUseError(
                f"--year {span.year}: the weather of {record.lakes.lake_id[lake]} reaches from {to_date(first)} to "
                f"{to_date(last)}."
            )
    return spans


def lake_year(
    season: Season,
    record: Record,
    learned: Learned,
    central: tuple[Floats, NDArray[np.bool_]],
    *,
    lake: int,
    span: SeasonSpan,
) -> LakeYear:
    """Return what a picture of one lake and season shows.

    Parameters
    ----------
    season
        Supplies names, readings, ice dates and units.
    record
        The simulated record.
    learned
        Fits that are laid on it.
    central
        Water [°C] and ice of ``runs.record.central_water``.
    lake
        The lake's place in the record.
    span
        The season.
    """
    low = max(span.start, int(record.first[lake]))
    days = np.arange(low, min(span.end, int(record.last[lake])) + 1)
    at = days - record.first_day
    spread = with_learned(record.spread, record.lakes, learned)
    water, ice = _drawn(record, spread, lake, days)
    ends = np.sort(water, axis=1)[:, [round(p * MEMBERS) for p in (0.1, 0.9)]]
    lake_id = str(record.lakes.lake_id[lake])
    fit, ice_fit = learned.lakes.get(lake_id), learned.ice.get(lake_id)
    return LakeYear(
        lake_id=lake_id,
        name=str(record.lakes.name[lake]),
        elevation_m=float(record.lakes.elevation_m[lake]),
        year=span.year,
        southern=span.southern,
        days=pd.DataFrame(
            {
                "date": days.astype("datetime64[D]"),
                "low": ends[:, 0],
                "middle": central[0][at, lake],
                "high": ends[:, 1],
                "ice_chance": ice.mean(axis=1),
                "measured": record.measured[at, lake],
            }
        ),
        readings=_readings(season, learned, lake_id, days, central[0][at, lake]),
        ice=_ice_dates(season, lake_id, days),
        fitted=fit.readings if fit else 0,
        fitted_ice=ice_fit.dates if ice_fit else 0,
        temperature_unit=season.settings.temperature_unit,
        length_unit=season.settings.length_unit,
    )


def _drawn(record: Record, spread: Spread, lake: int, days: Days) -> tuple[Floats, NDArray[np.bool_]]:
    """Return drawn water [°C] and ice of one lake, shape (days, MEMBERS), from the winters that the days lie in."""
    one = np.array([lake])
    parts = []
    for part, opening in winters(record):
        of_part = record.days[part]
        inside = (of_part >= days[0]) & (of_part <= days[-1])
        if inside.any():
            laid = _winter(record, spread.take(one), one, part, opening[one])
            parts.append((laid.water_c[inside, 0, 0], laid.ice[inside, 0, 0]))
    return np.concatenate([w for w, _ in parts]), np.concatenate([i for _, i in parts])


def _winter(record: Record, spread: Spread, one: Days, part: slice, opening: Days) -> MemberWater:
    of_part, shape = record.days[part], record.shape.take(one)
    year = season_year(int(of_part[-1]), bool(record.lakes.southern[one[0]]))
    ids = record.lakes.lake_id[one], record.lakes.region[one]
    errors = draw_errors(spread, *ids, seed=SEED, season=year, members=MEMBERS)
    laid = member_water(
        WaterPath(*(v[part][:, one] for v in vars(record.path).values())),
        errors,
        known=Features(record.known.calendar[part], record.known.weather[part][:, one]),
        bank=error_bank(SEED, len(of_part)),
        opening=opening,
        keep=opening_keep(shape),
    )
    opens = np.where(opening[..., None] >= 0, opening[..., None] + errors.ice_shift_d.reshape(laid.ice.shape[1:]), -1)
    lay_breakup(laid.ice, opens, breakup_shift(opening + of_part[0], shape)[..., None])
    return laid


def _readings(season: Season, learned: Learned, lake_id: str, days: Days, middle: Floats) -> pd.DataFrame:
    """Return the surface readings of these days; ``used`` is false for those that nobody would believe.

    Where the fits did not look (``learned.before``) that is a reading absurdly far from the estimate.
    """
    r = season.readings
    mine = r.take((r.lake_id == lake_id) & (r.day >= days[0]) & (r.day <= days[-1]) & ~(r.depth_m > SURFACE_M))
    doubted = {(d.day, d.water_c) for d in learned.doubted if d.lake_id == lake_id}
    told = np.array([(d, w) in doubted for d, w in zip(mine.day.tolist(), mine.water_c.tolist(), strict=True)], bool)
    far = np.abs(mine.water_c - middle[mine.day - days[0]]) >= load_coefficients()["learning"]["suspicious_c"]
    out = np.where(mine.day < learned.before, told, far)
    return pd.DataFrame({"date": mine.day.astype("datetime64[D]"), "water_c": mine.water_c, "used": ~out})


def _ice_dates(season: Season, lake_id: str, days: Days) -> pd.DataFrame:
    ice = season.ice
    mine = ice.take((ice.lake_id == lake_id) & (ice.day >= days[0]) & (ice.day <= days[-1]))
    return pd.DataFrame({"date": mine.day.astype("datetime64[D]"), "event": mine.event})
