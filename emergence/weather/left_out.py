"""How well the other stations tell the air at a station that is left out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.records import Lakes, Stations, StationSeries
from emergence.weather.block import lake_record
from emergence.weather.gaps import CALENDAR, FilledSeries, fill_record, observed_means, truncate
from emergence.weather.lapse import VARIABLES, Variable, learned_lapse
from emergence.weather.mix import link_stations, station_normals
from emergence.weather.neighbours import NO_STATION, assign_stations, great_circle_km

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LeftOut:
    """The error of one station's daily ``variable`` told from the others, told minus measured [°C].

    ``bias_c``, ``rmse_c`` by weighted stations moved to its height; ``nearest_bias_c``, ``nearest_rmse_c`` by the
    nearest station ``nearest_id`` as it is, on the same ``days``. ``stations`` is how many were weighted.
    """

    station_id: str
    variable: Variable
    days: int
    stations: int
    bias_c: float
    rmse_c: float
    nearest_id: str
    nearest_bias_c: float
    nearest_rmse_c: float


def leave_one_out(
    stations: Stations, weather: Mapping[str, StationSeries], *, first_day: int, last_day: int
) -> tuple[LeftOut, ...]:
    """Return the error of each station told from the others, by `VARIABLES`.

    Parameters
    ----------
    stations
        The season's stations.
    weather
        Records by station_id; stations without one are left aside.
    first_day, last_day
        Days to be scored (day numbers), both included; nothing later is looked at.

    Returns
    -------
    tuple
        One row a station and variable, in the order of ``stations``; none where there is no other station within
        reach or no common day.

    Notes
    -----
    The station left out enters neither the weights nor the lapse rates nor the filling of gaps (records are only
    interpolated here). Scored are days on which it was measured, as was one of the others and the nearest.
    """
    cut = {name: truncate(series, last_day) for name, series in weather.items()}
    known = [
        name in cut and bool(np.isfinite(observed_means(cut[name])).any()) for name in stations.station_id.tolist()
    ]
    stations = stations.take(np.array(known, dtype=bool))
    records = [cut[name] for name in stations.station_id.tolist()]
    filled = [_alone(stations, k, record, first_day, last_day) for k, record in enumerate(records)]
    normals = np.array([station_normals(f) for f in filled]).reshape(-1, len(VARIABLES), 12)
    days = np.arange(first_day, last_day + 1)
    measured = [np.stack([_on(r, days, v) for v in VARIABLES]) for r in records]
    rows: list[LeftOut] = []
    for k in range(len(stations)):
        rows += _told(stations, k, filled, normals, measured)
    return tuple(rows)


def overall_rmse(rows: tuple[LeftOut, ...], variable: Variable) -> tuple[float, float]:
    """Return the root mean square error [°C] over all stations and days: weighted, and nearest as it is."""
    chosen = [r for r in rows if r.variable == variable]
    n = np.array([r.days for r in chosen], dtype=float)
    square = np.array([(r.rmse_c**2, r.nearest_rmse_c**2) for r in chosen]).reshape(-1, 2)
    mean = np.sqrt((n[:, None] * square).sum(axis=0) / n.sum()) if n.sum() else np.full(2, np.nan)
    return float(mean[0]), float(mean[1])


def _alone(stations: Stations, k: int, record: StationSeries, first_day: int, last_day: int) -> FilledSeries:
    return fill_record(
        record,
        neighbours=[],
        first_day=min(record.first_day, first_day),
        last_day=last_day,
        latitude=float(stations.latitude[k]),
        elevation_m=float(stations.elevation_m[k]),
    )


def _on(record: StationSeries, days: NDArray[np.int64], variable: Variable) -> Floats:
    """Return measured values [°C] on consecutive days, NaN where missing."""
    values = observed_means(record) if variable == "tmean" else getattr(record, f"{variable}_c")
    at = days - record.first_day
    inside = (at >= 0) & (at < len(values))
    out = np.full(len(days), np.nan)
    out[inside] = values[at[inside]]
    return out


def _told(
    stations: Stations, k: int, filled: list[FilledSeries], normals: Floats, measured: list[Floats]
) -> Iterator[LeftOut]:
    """Yield the rows of one station."""
    usable = np.arange(len(stations)) != k
    found = assign_stations(_as_lake(stations, k), stations, usable)
    if not found.found[0]:
        return
    used = found.station_index[0][found.station_index[0] != NO_STATION]
    normals = normals.copy()
    normals[k] = np.nan
    links = link_stations(found, np.arange(len(stations)), learned_lapse(stations, normals, around=used))
    n_days = measured[k].shape[1]
    last_day = filled[k].last_day
    told = lake_record(filled, links, first_day=last_day - n_days + 1, last_day=last_day)
    km = great_circle_km(stations.latitude[k], stations.longitude[k], stations.latitude, stations.longitude)
    nearest = int(np.argmin(np.where(usable, km, np.inf)))
    for v, variable in enumerate(VARIABLES):
        truth, other = measured[k][v], measured[nearest][v]
        scored = np.isfinite(truth) & np.isfinite(other) & (told.how[:, 0] != CALENDAR)
        if not scored.any():
            continue
        ours = (getattr(told, variable)[:, 0].astype(np.float64) - truth)[scored]
        plain = (other - truth)[scored]
        yield LeftOut(
            str(stations.station_id[k]),
            variable,
            int(scored.sum()),
            len(used),
            float(ours.mean()),
            float(np.sqrt(np.mean(ours**2))),
            str(stations.station_id[nearest]),
            float(plain.mean()),
            float(np.sqrt(np.mean(plain**2))),
        )


def _as_lake(stations: Stations, k: int) -> Lakes:
    """Return a station's place as that of a lake that names no station."""
    blank, unknown = np.array([""], dtype=object), np.array([np.nan])
    row = slice(k, k + 1)
    return Lakes(
        lake_id=stations.station_id[row],
        name=stations.name[row],
        region=blank,
        latitude=stations.latitude[row],
        longitude=stations.longitude[row],
        elevation_m=stations.elevation_m[row],
        area_ha=unknown,
        mean_depth_m=unknown,
        max_depth_m=unknown,
        secchi_m=unknown,
        station_id=blank,
        stems=blank,
        share=blank,
        notes=blank,
    )
