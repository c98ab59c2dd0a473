"""readings.csv, ice.csv and sightings.csv: a bad row is left out, the same observation twice counts once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.records import LEVELS, STAGES, Days, IceDates, Readings, Sightings
from emergence.season.columns import Bounds, choices, dates, numbers, references, text
from emergence.season.lakes import MAX_DEPTH, TAXON_REMEDY
from emergence.season.names import Names
from emergence.season.tables import Rules, Sheet, no_rows

READING_RULES = Rules(required=("lake_id", "date", "water_c"), optional=("depth_m", "hour"), row="row")
ICE_RULES = Rules(required=("lake_id", "date", "event"), row="row")
SIGHTING_RULES = Rules(
    required=("lake_id", "date", "taxon", "stage", "level"),
    optional=("minutes", "observer", "note"),
    row="row",
)

WATER = Bounds(-2.0, 45.0, "For °F name the column water_f.")
DEPTH = Bounds(0.0, MAX_DEPTH.high, "Write the depth below the surface in metres; for feet name the column depth_ft.")
HOUR = Bounds(0.0, 24.0, "Write the hour of the day, such as 14.5 for half past two.")
MINUTES = Bounds(0.0, 1440.0, "Write how many minutes somebody looked.")
LATE = "nothing can have been observed after today"


def _days(sheet: Sheet, today: int) -> Days:
    return dates(sheet, "date", today, LATE)


def once(columns: list[NDArray[np.generic]]) -> NDArray[np.int64]:
    """Return the indices that sort the rows by all columns, the first one leading, equal rows taken once.

    Parameters
    ----------
    columns
        Equally long arrays, shape (rows,); NaN equals NaN.

    Returns
    -------
    Indices, shape (different rows,). They do not depend on the order of the rows.
    """
    codes = []
    for column in columns:
        plain = column.astype(str) if column.dtype == object else column
        codes.append(np.unique(plain, return_inverse=True)[1])
    order = np.lexsort(codes[::-1])
    ranked = np.stack(codes)[:, order]
    new = np.ones(len(order), dtype=bool)
    new[1:] = (ranked[:, 1:] != ranked[:, :-1]).any(0)
    return order[new]


def read_readings(sheet: Sheet | None, lakes: Names | None, today: int) -> Readings:
    """Return the usable readings, sorted by lake and day."""
    if sheet is None or not len(sheet):
        return no_rows(Readings)
    table = Readings(
        lake_id=references(sheet, "lake_id", lakes, "lakes.csv"),
        day=_days(sheet, today),
        water_c=numbers(sheet, "water_c", WATER, required=True),
        depth_m=numbers(sheet, "depth_m", DEPTH),
        hour=numbers(sheet, "hour", HOUR),
    ).take(~sheet.bad)
    return table.take(once([table.lake_id, table.day, table.depth_m, table.hour, table.water_c]))


def read_ice(sheet: Sheet | None, lakes: Names | None, today: int) -> IceDates:
    """Return the usable ice dates, sorted by lake and day; of two events on one day the first row counts."""
    if sheet is None or not len(sheet):
        return no_rows(IceDates)
    lake_id = references(sheet, "lake_id", lakes, "lakes.csv")
    day = _days(sheet, today)
    event = choices(sheet, "event", ("on", "off"), required=True)
    first: dict[tuple[str, int], int] = {}
    clash = np.zeros(len(sheet), dtype=bool)
    for i in np.flatnonzero(~sheet.bad).tolist():
        clash[i] = event[first.setdefault((lake_id[i], int(day[i])), i)] != event[i]
    rule = "another row gives the opposite ice event for the same lake and day"
    sheet.flag(clash, "event", rule, "The first of the two rows was used; remove the wrong one.")
    table = IceDates(lake_id, day, event).take(~sheet.bad)
    return table.take(once([table.lake_id, table.day, table.event]))


def read_sightings(sheet: Sheet | None, lakes: Names | None, today: int) -> Sightings:
    """Return the usable sightings, sorted by lake and day."""
    if sheet is None or not len(sheet):
        return no_rows(Sightings)
    taxon = text(sheet, "taxon")
    sheet.flag(taxon == "", "taxon", "the taxon is missing", TAXON_REMEDY)
    table = Sightings(
        lake_id=references(sheet, "lake_id", lakes, "lakes.csv"),
        day=_days(sheet, today),
        taxon=taxon,
        stage=choices(sheet, "stage", STAGES, required=True),
        level=choices(sheet, "level", LEVELS, required=True),
        minutes=numbers(sheet, "minutes", MINUTES),
        observer=text(sheet, "observer"),
        note=text(sheet, "note", long=True),
    ).take(~sheet.bad)
    what = [table.taxon, table.stage, table.level, table.minutes, table.observer, table.note]
    return table.take(once([table.lake_id, table.day, *what]))
