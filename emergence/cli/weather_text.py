"""``emergence weather check`` as text of 80 columns."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from emergence.report.text import clip, pad, plain, wrap
from emergence.report.words import count, day_and_year, weather_age
from emergence.runs.weather_check import Gap, LakeCheck, StationCheck, Suspicious, WeatherCheck
from emergence.weather.left_out import LeftOut, overall_rmse

WIDTH = 80
FULL = 0.95
"""Years with at least this share of their days need no number of their own."""
MOST_GAPS, MOST_SUSPICIOUS, MOST_LAKES = 3, 20, 60


def check_text(check: WeatherCheck, today: dt.date) -> str:
    """Return the whole answer, ending in a line break."""
    lines = wrap(weather_age(check.last_day, check.last_day, today), WIDTH)
    known = {station.station_id: station for station in check.stations}
    for lake in check.lakes[:MOST_LAKES]:
        lines += ["", *_lake(lake, known)]
    if len(check.lakes) > MOST_LAKES:
        lines += ["", f"and {len(check.lakes) - MOST_LAKES} more lakes; --lake shows one, --json all"]
    lines += ["", *_stations(check.stations), "", *_errors(check.errors), "", *_suspicious(check.suspicious)]
    return "\n".join(lines) + "\n"


def _lake(lake: LakeCheck, known: Mapping[str, StationCheck]) -> Iterator[str]:
    title = f"{plain(lake.name)} ({lake.lake_id})" if lake.name != lake.lake_id else lake.lake_id
    if not lake.stations:
        yield clip(f"{title}: no station with weather near enough", WIDTH)
        return
    yield clip(title, WIDTH)
    yield f"  {'station':<30} weight    distance   lake above   last day"
    for used in lake.stations:
        station = known[used.station_id]
        yield (
            f"  {pad(_label(station), 30)} {100 * used.weight:>4.0f} % {used.distance_km:>8.0f} km "
            f"{used.dz_m:>+10.0f} m   {day_and_year(station.last_day)}"
        )
    yield from wrap(_coverage(lake.coverage), WIDTH, first="  days there  ", rest="              ")
    yield from wrap(_gaps(lake.gaps), WIDTH, first="  gaps        ", rest="              ")


def _label(station: StationCheck) -> str:
    name = plain(station.name)
    return station.station_id if name == station.station_id else f"{station.station_id} {name}"


def _coverage(coverage: Mapping[int, float]) -> str:
    """Return the share of days by year, equal neighbours together."""
    parts = []
    for share, group in groupby(coverage, key=lambda year: _share(coverage[year])):
        years = list(group)
        parts.append(f"{years[0]} {share}" if len(years) == 1 else f"{years[0]}-{years[-1]} {share}")
    return ", ".join(parts)


def _share(share: float) -> str:
    return f"{100 * FULL:.0f} % or more" if share >= FULL else f"{int(100 * share)} %"


def _gaps(gaps: Sequence[Gap]) -> str:
    if not gaps:
        return "none of four days or more"
    shown = [
        f"{gap.first}" + (f" to {gap.last}" if gap.days > 1 else "") + f" ({gap.days} days)" for gap in gaps[:MOST_GAPS]
    ]
    more = f", and {len(gaps) - MOST_GAPS} shorter" if len(gaps) > MOST_GAPS else ""
    return ", ".join(shown) + more


def _stations(stations: Sequence[StationCheck]) -> Iterator[str]:
    yield "STATIONS"
    yield f"  {'station':<20} {'from':<9} first day    last day     days  forecast"
    for station in stations:
        ahead = day_and_year(station.ahead_to) if station.ahead_to else ""
        yield (
            f"  {pad(_label(station), 20)} {station.origin:<9} {day_and_year(station.first_day):<12} "
            f"{day_and_year(station.last_day):<12} {int(100 * station.share):>3} %  {ahead}"
        ).rstrip()


def _errors(rows: Sequence[LeftOut]) -> Iterator[str]:
    yield "EACH STATION TOLD FROM THE OTHERS, last three years, °C (bias, typical error)"
    means = [row for row in rows if row.variable == "tmean"]
    if not means:
        yield "  needs two stations within reach of each other"
        return
    for row in means:
        weighted = f"{row.bias_c:+.1f}, {row.rmse_c:.1f}"
        nearest = f"nearest as it is ({clip(row.nearest_id, 16)}): {row.nearest_bias_c:+.1f}, {row.nearest_rmse_c:.1f}"
        yield f"  {clip(row.station_id, 26):<26} {weighted:<11} {nearest}"
    ours, alone = overall_rmse(tuple(rows), "tmean")
    yield f"  all: {ours:.1f}; nearest as it is: {alone:.1f}"


def _suspicious(found: Sequence[Suspicious]) -> Iterator[str]:
    yield "SUSPICIOUS VALUES"
    if not found:
        yield "  none"
        return
    for value in found[:MOST_SUSPICIOUS]:
        text = f"{value.station_id} {value.column} {value.found}: {value.rule}. {value.remedy}"
        yield from wrap(plain(text), WIDTH, first="  ", rest="    ")
    if len(found) > MOST_SUSPICIOUS:
        yield f"  and {count(len(found) - MOST_SUSPICIOUS, 'more entry', 'more entries')}; --json lists all"
