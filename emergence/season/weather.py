"""weather/ID.csv and weather/ID.ahead.csv: daily air temperature on a calendar without holes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.dates import month_of, year_of
from emergence.errors import Problem
from emergence.records import Days, Floats, Stations, StationSeries
from emergence.season.columns import FIRST_DAY, Bounds, dates, raw_numbers, within
from emergence.season.intake import Intake, shorten
from emergence.season.names import Names
from emergence.season.tables import Rules, Sheet, read_sheet, twin_name

WEATHER_RULES = Rules(required=("date",), optional=("tmin_c", "tmax_c", "tmean_c"), whole="file", row="row")
AIR = Bounds(-90.0, 60.0, "For °F end the column's name in _f (tmin_f, tmax_f, tmean_f).")
"""The world's records rounded outwards: -89.2 °C Vostok 1983, 56.7 °C Furnace Creek 1913 (WMO archive of
weather and climate extremes, from memory)."""

WARMEST_MONTH_C = 40.0
"""Above this mean of the warmest month [°C] a column must hold °F (common practice, no source)."""
AHEAD_DAYS = 731
_MONTH_ENOUGH = 10
_FAR_DAYS, _LONE_DAYS, _RECORD_DAYS = 300, 3, 30
"""Days without weather around a few lone ones, how many are few, and how many make a record (our prior)."""
_HIGHEST_F = 140.0

_COLUMNS = ("tmin_c", "tmax_c", "tmean_c")


def weather_stems(intake: Intake) -> set[str]:
    """Return the names of the weather files without folder and ending: ``ID`` or ``ID.ahead``."""
    names = {name.removesuffix(".gz") for name in intake.paths if name.startswith("weather/")}
    return {name.removeprefix("weather/").removesuffix(".csv") for name in names if name.endswith(".csv")}


def read_weather(
    intake: Intake, stations: Stations, known: Names | None, today: int
) -> tuple[dict[str, StationSeries], dict[str, StationSeries]]:
    """Return the records and the forecast days of the stations in stations.csv, by station_id in its order.

    ``known=None`` means that stations.csv itself could not be used: then every file is checked.
    """
    past: dict[str, StationSeries] = {}
    ahead: dict[str, StationSeries] = {}
    for stem in _in_order(weather_stems(intake), stations, known):
        station_id = stem.removesuffix(".ahead")
        if known is not None and station_id not in known:
            _note_stranger(intake, stem, known)
            continue
        into = ahead if stem.endswith(".ahead") else past
        series = _read_file(intake, stem, station_id, today)
        if series is not None:
            into[station_id] = series
    return past, ahead


def _in_order(found: set[str], stations: Stations, known: Names | None) -> list[str]:
    order = {name: i for i, name in enumerate(stations.station_id)} if known is not None else {}
    return sorted(found, key=lambda stem: (order.get(stem.removesuffix(".ahead"), len(order)), stem))


def _note_stranger(intake: Intake, stem: str, known: Names) -> None:
    station_id = stem.removesuffix(".ahead")
    remedy = f"{known.suggestion(station_id)}Add the station to stations.csv, or rename the file."
    rule = "no station of that id is in stations.csv, so the file was not read"
    file = f"weather/{stem}.csv" if f"weather/{stem}.csv" in intake.paths else f"weather/{stem}.csv.gz"
    intake.problems.append(Problem(file, 0, "", station_id, rule, remedy, "note"))


def note_stations_without(intake: Intake, sheet: Sheet, stations: Stations) -> None:
    """Note the stations of stations.csv (``sheet``) that have no weather file."""
    found = weather_stems(intake)
    for row, station_id, bad in zip(sheet.rows.tolist(), stations.station_id, sheet.bad, strict=True):
        if station_id not in found and not bad:
            rule = "this station has no weather file"
            remedy = f"Add weather/{station_id}.csv, or remove the station."
            problem = Problem(sheet.file, row, "station_id", str(station_id), rule, remedy, "note")
            intake.problems.append(problem)


def _read_file(intake: Intake, stem: str, station_id: str, today: int) -> StationSeries | None:
    file = intake.find(f"weather/{stem}", "file")
    sheet = read_sheet(intake, file, WEATHER_RULES) if file else None
    if sheet is None:
        return None
    is_ahead = stem.endswith(".ahead")
    last = today + AHEAD_DAYS if is_ahead else today
    rule = "forecast days must lie within two years of today" if is_ahead else "nobody knows weather after today"
    series = _series(sheet, station_id, last, rule)
    intake.problems.extend(sheet.problems)
    return series


def _series(sheet: Sheet, station_id: str, last: int, last_rule: str) -> StationSeries | None:
    if not _columns_fit(sheet):
        return None
    if not len(sheet):
        sheet.fail("the file has a header but no days", "Add the days, or remove the file.")
        return None
    day = dates(sheet, "date", last, last_rule)
    values = {name: raw_numbers(sheet, name) for name in _COLUMNS}
    if _fahrenheit_by_mistake(sheet, day, values):
        return None
    for name in _COLUMNS:
        within(sheet, name, values[name], AIR)
    _drop_fahrenheit_months(sheet, day, values)
    tmin, tmax = values["tmin_c"], values["tmax_c"]
    rule = "the day's minimum is above its maximum"
    sheet.flag((tmin > tmax) & ~sheet.bad, "tmin_c", rule, lambda i: _swap_remedy(sheet, i))
    grid = np.stack([values[name] for name in _COLUMNS])
    _drop_repeated(sheet, day, grid)
    told = ~sheet.bad & np.isfinite(grid).any(0)
    _drop_lone_days(sheet, day, told)
    told &= ~sheet.bad
    if not told.any():
        _fail_for_all_rows(sheet)
        return None
    first = int(day[told].min())
    calendar = np.full((3, int(day[told].max()) - first + 1), np.nan)
    calendar[:, day[told] - first] = grid[:, told]
    return StationSeries(station_id, first, calendar[0], calendar[1], calendar[2])


def _columns_fit(sheet: Sheet) -> bool:
    pair = [name for name in ("tmin_c", "tmax_c") if name in sheet.cells]
    if len(pair) == 2 or (not pair and "tmean_c" in sheet.cells):
        return True
    missing = "tmean_c" if not pair else "tmax_c" if pair == ["tmin_c"] else "tmin_c"
    if pair and "tmean_c" in sheet.cells:
        rule = f"{sheet.written[pair[0]]} is of no use without {missing} and was not read"
        remedy = f"Add {missing}; until then the daily mean alone is used."
        sheet.problems.append(Problem(sheet.file, 1, sheet.written[pair[0]], "", rule, remedy, "note"))
        del sheet.cells[pair[0]]
        return True
    head = ",".join(sheet.written.values())
    rule = "the columns must be date and either tmin_c and tmax_c, or tmean_c, or all three"
    remedy = f"Add the column {missing} (for °F: {twin_name(missing)})."
    sheet.fail(rule, remedy, row=1, column=missing, value=head)
    return False


def _swap_remedy(sheet: Sheet, i: int) -> str:
    return f"{sheet.written['tmax_c']} says {shorten(sheet.cells['tmax_c'][i])}; correct one of the two or swap them."


def warmest_month(day: Days, values: Floats) -> tuple[int, float]:
    """Return the month (1-12) with the highest mean and that mean [unit of ``values`` (days,)].

    Months with fewer than ten values do not count; if there is no other, month 0 and the mean of all.
    """
    use = np.isfinite(values)
    if not use.any():
        return 0, np.nan
    month = month_of(day[use])
    count = np.bincount(month, minlength=13)
    total = np.bincount(month, weights=values[use], minlength=13)
    if count.max() < _MONTH_ENOUGH:
        return 0, float(values[use].mean())
    mean = np.where(count >= _MONTH_ENOUGH, total / np.maximum(count, 1), -np.inf)
    return int(mean.argmax()), float(mean.max())


def _fahrenheit_by_mistake(sheet: Sheet, day: Days, values: dict[str, Floats]) -> bool:
    middle = (values["tmin_c"] + values["tmax_c"]) / 2
    for head, air in (("tmean_c", values["tmean_c"]), ("tmin_c", middle)):
        plausible = (day >= FIRST_DAY) & (day != 0) & (np.abs(air) <= _HIGHEST_F)
        month, mean = warmest_month(day, np.where(plausible, air, np.nan))
        if mean > WARMEST_MONTH_C:
            which = f"of the warmest month ({month})" if month else "of all days"
            rule = f"the mean {which} must not be above {WARMEST_MONTH_C:.0f} °C"
            columns = ["tmean_c"] if head == "tmean_c" else ["tmin_c", "tmax_c"]
            heads = [sheet.written[name] for name in columns]
            remedy = _unit_remedy(heads)
            sheet.fail(rule, remedy, column=", ".join(heads), value=f"{mean:.1f}")
            return True
    return False


def _drop_fahrenheit_months(sheet: Sheet, day: Days, values: dict[str, Floats]) -> None:
    """Leave out single months that are too warm for any place: part of the record is in °F."""
    middle = (values["tmin_c"] + values["tmax_c"]) / 2
    air = np.where(np.isfinite(values["tmean_c"]), values["tmean_c"], middle)
    use = np.isfinite(air) & (day >= FIRST_DAY) & (day != 0) & (np.abs(air) <= _HIGHEST_F)
    if not use.any():
        return
    month = year_of(day) * 12 + month_of(day)
    found, place, count = np.unique(month[use], return_inverse=True, return_counts=True)
    mean = np.bincount(place, weights=air[use]) / count
    hot = found[(count >= _MONTH_ENOUGH) & (mean > WARMEST_MONTH_C)]
    rule = f"the mean of this month must not be above {WARMEST_MONTH_C:.0f} °C; the month was not used"
    remedy = "If these days are in °F, convert them or put them in columns that end in _f in a file of their own."
    column = "tmean_c" if "tmean_c" in sheet.cells else "tmax_c"
    sheet.flag(np.isin(month, hot) & ~sheet.bad, column, rule, lambda i: remedy)


def _unit_remedy(heads: list[str]) -> str:
    if any(head.endswith("_f") for head in heads):
        return "No place on earth is that warm: check the unit of the values."
    wanted = "column " if len(heads) == 1 else "columns "
    wanted += " and ".join(twin_name(head) for head in heads)
    return f"No place on earth is that warm: if the values are °F, name the {wanted}."


def _drop_repeated(sheet: Sheet, day: Days, grid: NDArray[np.float64]) -> None:
    good = np.flatnonzero(~sheet.bad)
    order = good[np.argsort(day[good], kind="stable")]
    new = np.ones(len(order), dtype=bool)
    new[1:] = day[order[1:]] != day[order[:-1]]
    if new.all():
        return
    first = order[np.maximum.accumulate(np.where(new, np.arange(len(order)), 0))]
    same = ((grid[:, order] == grid[:, first]) | (np.isnan(grid[:, order]) & np.isnan(grid[:, first]))).all(0)
    earlier = dict(zip(order.tolist(), first.tolist(), strict=True))
    clash, twin = np.zeros(len(sheet), dtype=bool), np.zeros(len(sheet), dtype=bool)
    clash[order[~new & ~same]] = True
    twin[order[~new & same]] = True
    rule = "this day is there twice with different temperatures"

    def remedy(i: int) -> str:
        return f"Row {sheet.rows[earlier[i]]} was used; remove one of the two rows."

    sheet.flag(clash, "date", rule, remedy)
    sheet.bad |= twin


def _drop_lone_days(sheet: Sheet, day: Days, told: NDArray[np.bool_]) -> None:
    """Flag one to three days far from the rest of the record: a wrong year, which would stretch it or set ``as_of``."""
    good = np.unique(day[told])
    runs = np.split(good, np.flatnonzero(np.diff(good) > _FAR_DAYS) + 1)
    if max(map(len, runs)) < _RECORD_DAYS:
        return
    lone = np.concatenate([run if len(run) <= _LONE_DAYS else run[:0] for run in runs])
    rule = f"this day stands alone, more than {_FAR_DAYS} days from the rest of the record"
    sheet.flag(told & np.isin(day, lone), "date", rule, "Check the year, or remove the row.")


def _fail_for_all_rows(sheet: Sheet) -> None:
    worst = next((p for p in sheet.problems if p.severity == "row"), None)
    if worst is None:
        sheet.fail("no day has a temperature", "Fill in the temperatures, or remove the file.")
        return
    rule = f"none of the {len(sheet)} rows can be used; the first one: {worst.rule}"
    sheet.fail(rule, worst.remedy, row=worst.row, column=worst.column, value=worst.value)
