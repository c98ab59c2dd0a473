"""The season folder as a whole."""

from __future__ import annotations

from dataclasses import fields, replace
from operator import attrgetter
from pathlib import Path

from emergence.errors import Problem, SeasonError
from emergence.records import Booking, Lakes, Season
from emergence.season.access import (
    ACCESS_RULES,
    CLOSURE_RULES,
    TRAVEL_RULES,
    read_access,
    read_closures,
    read_travel,
)
from emergence.season.intake import Intake, shown_name
from emergence.season.lakes import (
    LAKE_RULES,
    RESIDENT_RULES,
    STATION_RULES,
    check_heights,
    read_lakes,
    read_residents,
    read_stations,
)
from emergence.season.names import Names
from emergence.season.observations import (
    ICE_RULES,
    READING_RULES,
    SIGHTING_RULES,
    read_ice,
    read_readings,
    read_sightings,
)
from emergence.season.overrules import OVERRULE_RULES, read_overrules
from emergence.season.settings import read_settings
from emergence.season.tables import Rules, Sheet, read_sheet
from emergence.season.trips import GUIDE_RULES, TRIP_RULES, read_guides, read_trips
from emergence.season.weather import note_stations_without, read_weather, weather_stems

_SHOWN = 200
_ALL_FIELDS = attrgetter(*(f.name for f in fields(Problem)))
_NEW_LAKES = (
    "Add it, with one row for each lake and the columns "
    "lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m."
)
_TABLE_RULES = {
    "lakes": LAKE_RULES,
    "stations": STATION_RULES,
    "residents": RESIDENT_RULES,
    "readings": READING_RULES,
    "ice": ICE_RULES,
    "sightings": SIGHTING_RULES,
    "overrules": OVERRULE_RULES,
    "trips": TRIP_RULES,
    "guides": GUIDE_RULES,
    "closures": CLOSURE_RULES,
    "access": ACCESS_RULES,
    "travel": TRAVEL_RULES,
}


def read_season(folder: Path, *, today: int) -> Season:
    """Read and check a season folder.

    Parameters
    ----------
    folder
        The season folder; never written to.
    today
        Today's day number [d]: later days are bad rows in weather, readings, ice dates and sightings.

    Returns
    -------
    The records. ``problems`` holds what was left out (rows, whole weather files) and notes, sorted by file
    and row. Lakes and stations keep the user's order; observations are sorted by lake and day. A station
    whose file gives no daily mean has an all-NaN ``tmean_c``; nothing is computed here.

    Raises
    ------
    SeasonError
        If anything stops the run; its message lists what does, its ``problems`` are those of all files.
    """
    intake = Intake(Path(folder))
    intake.list_files("", "stop")
    if intake.problems:
        raise _refusal(intake)
    intake.list_files("weather", "file")
    intake.list_files("taxa", "stop")
    season = _read_all(intake, today)
    if any(p.severity == "stop" for p in intake.problems):
        raise _refusal(intake)
    return replace(season, problems=_in_order(intake), checksums=dict(sorted(intake.checksums.items())))


def _read_all(intake: Intake, today: int) -> Season:
    sheets = {name: _open_table(intake, name, rules) for name, rules in _TABLE_RULES.items()}
    stations, station_names = read_stations(sheets["stations"])
    if not _there(intake, "stations") and not _miss_stations(intake, sheets["lakes"]):
        station_names = Names(())
    lakes, lake_names = read_lakes(sheets["lakes"], station_names)
    check_heights(sheets["lakes"], lakes, stations)
    weather, ahead = read_weather(intake, stations, station_names, today)
    if sheets["stations"] is not None:
        note_stations_without(intake, sheets["stations"], stations)
    booking = _booking(sheets, lakes, lake_names)
    season = Season(
        folder=intake.folder,
        settings=read_settings(intake),
        lakes=lakes,
        stations=stations,
        weather=weather,
        ahead=ahead,
        readings=read_readings(sheets["readings"], lake_names, today),
        ice=read_ice(sheets["ice"], lake_names, today),
        sightings=read_sightings(sheets["sightings"], lake_names, today),
        residents=read_residents(sheets["residents"], lake_names),
        own_taxa=_own_taxa(intake),
        problems=(),
        overrules=read_overrules(sheets["overrules"], lake_names, station_names),
        booking=None if sheets["trips"] is None else booking,
        closures=booking.closures,
        access=booking.access,
    )
    for sheet in sheets.values():
        intake.problems.extend(sheet.problems if sheet is not None else ())
    _report_names(intake)
    return season


def _booking(sheets: dict[str, Sheet | None], lakes: Lakes, lake_names: Names | None) -> Booking:
    """Return parties, guides and rules of access."""
    guides = sheets["guides"]
    bases = () if guides is None else guides.cells.get("base", ())
    travel, places = read_travel(sheets["travel"], lake_names, bases)
    return Booking(
        trips=read_trips(sheets["trips"], lakes, lake_names),
        guides=read_guides(guides, places),
        closures=read_closures(sheets["closures"], lake_names),
        access=read_access(sheets["access"], lake_names),
        travel=travel,
    )


def _there(intake: Intake, table: str) -> bool:
    return f"{table}.csv" in intake.paths or f"{table}.csv.gz" in intake.paths


def _open_table(intake: Intake, table: str, rules: Rules) -> Sheet | None:
    file = intake.find(table, rules.whole)
    return read_sheet(intake, file, rules) if file else None


def _miss_stations(intake: Intake, lakes: Sheet | None) -> bool:
    named = lakes is not None and any(lakes.cells.get("station_id", ()))
    if not named and not weather_stems(intake):
        return False
    rule = f"the file is missing, but {'lakes.csv names stations' if named else 'there are weather files'}"
    remedy = "Add stations.csv with the columns station_id,name,latitude,longitude,elevation_m."
    intake.problems.append(Problem("stations.csv", 0, "", "", rule, remedy, "stop"))
    return True


def _own_taxa(intake: Intake) -> dict[str, str]:
    files = [name for name in intake.paths if name.startswith("taxa/") and name.endswith(".toml")]
    texts = {name: intake.text(name, "stop") for name in sorted(files)}
    return {name: text for name, text in texts.items() if text is not None}


def _report_names(intake: Intake) -> None:
    near = intake.near_misses()
    if not _there(intake, "lakes"):
        meant = f"Rename {near.pop('lakes.csv')} to lakes.csv." if "lakes.csv" in near else _NEW_LAKES
        intake.problems.append(Problem("lakes.csv", 0, "", "", "the file is missing", meant, "stop"))
    for known, name in near.items():
        rule = "this file was not read, because its name is not known"
        remedy = f"If {known} is meant, rename it."
        intake.problems.append(Problem(name, 0, "", "", rule, remedy, "note"))


def _in_order(intake: Intake) -> tuple[Problem, ...]:
    return tuple(sorted(set(intake.problems), key=_ALL_FIELDS))


def _refusal(intake: Intake) -> SeasonError:
    problems = _in_order(intake)
    stops = [p.sentence() for p in problems if p.severity == "stop"]
    count = "1 problem stops" if len(stops) == 1 else f"{len(stops)} problems stop"
    lines = [f"The season folder {shown_name(str(intake.folder))!r} cannot be used; {count} the run:"]
    lines += [f"  {sentence}" for sentence in stops[:_SHOWN]]
    if len(stops) > _SHOWN:
        lines.append(f"  … and {len(stops) - _SHOWN} more")
    return SeasonError("\n".join(lines), problems)
