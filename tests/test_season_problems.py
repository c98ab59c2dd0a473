"""One case for each thing that can be wrong: its severity, place and words."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from season_folder import LAST, TODAY, season_files, weather_low, write_season

from emergence.errors import Problem, SeasonError, Severity
from emergence.season import read_season

Edit = Callable[[str], str | bytes | None]


@dataclass(frozen=True)
class Case:
    """A file changed by ``edit``, and the problem that must be told."""

    name: str
    file: str
    edit: Edit
    severity: Severity
    row: int
    column: str
    value: str
    says: str
    remedy: str
    others: int = 0


def swap(old: str, new: str) -> Edit:
    def edit(text: str) -> str:
        assert old in text
        return text.replace(old, new, 1)

    return edit


def add(*rows: str) -> Edit:
    return lambda text: text + "".join(f"{row}\n" for row in rows)


def instead(content: str | bytes) -> Edit:
    return lambda text: content


@pytest.mark.parametrize(
    ("file", "remedy"),
    [
        ("lakes.csv", "Fill it in."),
        ("stations.csv", "Fill it in."),
        ("ice.csv", "Fill it in, or remove it if it is not needed."),
    ],
)
def test_only_an_empty_file_that_can_be_spared_may_be_removed(tmp_path, file, remedy):
    (told,) = [p for p in problems_of(tmp_path, {file: ""}) if p.file == file]
    assert told.rule == "the file is empty" and told.remedy == remedy


def problems_of(folder, changes) -> tuple[Problem, ...]:
    try:
        return read_season(write_season(folder, changes), today=TODAY).problems
    except SeasonError as error:
        assert any(p.severity == "stop" for p in error.problems)
        return error.problems


LOW = "weather/low.csv"
N = len(weather_low().splitlines())
UTF8 = "CSV UTF-8"
STOP: Severity = "stop"
FAHRENHEIT = "date,tmin_c,tmax_c\n" + "".join(f"2023-07-{d:02d},{50 + d % 3},{75 + d % 4}\n" for d in range(1, 32))
SPRING = "".join(f"2024-05-{d:02d},{40 + d % 5}.0\n" for d in range(1, 6))

LAKE_CASES = [
    Case("lakes missing", "lakes.csv", lambda t: None, STOP, 0, "", "", "missing", "lake_id,name", 0),
    Case("lakes empty", "lakes.csv", instead(""), STOP, 0, "", "", "empty", "Fill it in"),
    Case("lakes blank", "lakes.csv", instead("\n \n"), STOP, 0, "", "", "empty", "Fill it in"),
    Case("lakes only commas", "lakes.csv", instead(",,\n,,\n"), STOP, 1, "lake_id", ",,", "missing",
         "first row", 3),
    Case("lakes header only", "lakes.csv", lambda t: t.splitlines()[0], STOP, 0, "", "", "no lakes",
         "one row"),
    Case("column missing", "lakes.csv", swap("latitude", "lat"), STOP, 1, "latitude",
         "lake_id,name,region,lat,",
         "latitude is missing", "Did you mean 'lat'?", 1),
    Case("no header", "lakes.csv", lambda t: t.partition("\n")[2], STOP, 1, "lake_id", "alder,alder pond",
         "lake_id is missing", "first row must hold the columns' names"),
    Case("column doubled", "lakes.csv", swap("notes", "latitude"), STOP, 1, "latitude", "latitude", "twice",
         "Keep one"),
    Case("both units", "lakes.csv", swap("notes", "Elevation_ft"), STOP, 1, "elevation_m",
         "elevation_m, elevation_ft",
         "two units", "Keep one"),
    Case("unknown column", "lakes.csv", swap("stems", "stem"), "note", 1, "stem", "stem", "not known",
         "Did you mean 'stems'?"),
    Case("unnamed column", "lakes.csv", swap("notes", ""), "note", 1, "", "reeds, north end",
         "column 13 has no name",
         "Give the column a name"),
    Case("semicolons", "lakes.csv", lambda t: t.replace(",", ";"), STOP, 1, "", "lake_id;name;", "semicolons",
         UTF8),
    Case("tabs", "stations.csv", lambda t: t.replace(",", "\t"), STOP, 1, "", "station_id\tname", "tabs",
         UTF8),
    Case("text for a number", "lakes.csv", swap(",420,", ",high up,"), STOP, 2, "elevation_m", "high up",
         "must be a number", "only the number"),
    Case("decimal comma", "lakes.csv", swap(",12.5,", ',"12,5",'), STOP, 2, "area_ha", "12,5",
         "must be a number",
         "Write 12.5 with a point"),
    Case("unit in the cell", "lakes.csv", swap(",14.5,", ",14.5 m,"), STOP, 3, "max_depth_m", "14.5 m",
         "must be a number", "without its unit"),
    Case("infinite", "lakes.csv", swap(",420,", ",inf,"), STOP, 2, "elevation_m", "inf", "number",
         "Write metres"),
    Case("too large for a number", "lakes.csv", swap(",420,", ",1e999,"), STOP, 2, "elevation_m", "1e999",
         "number", ""),
    Case("underscores", "lakes.csv", swap(",420,", ",4_20,"), STOP, 2, "elevation_m", "4_20", "number",
         "only the number"),
    Case("other digits", "lakes.csv", swap(",420,", ",٤٢٠,"), STOP, 2, "elevation_m", "٤٢٠", "number",
         "only the number"),
    Case("latitude blank", "lakes.csv", swap(",51.2,", ",,"), STOP, 2, "latitude", "", "must not be blank",
         "Fill it in"),
    Case("latitude impossible", "lakes.csv", swap(",51.2,", ",95,"), STOP, 2, "latitude", "95",
         "between -90 and 90", "decimal degrees"),
    Case("longitude impossible", "lakes.csv", swap("-119.4", "240.6"), STOP, 2, "longitude", "240.6",
         "between -180 and 180", "west negative"),
    Case("nowhere", "lakes.csv", swap("51.2,-119.4", "0,0"), STOP, 2, "latitude", "0", "Atlantic",
         "true coordinates"),
    Case("elevation impossible", "lakes.csv", swap(",420,", ",42000,"), STOP, 2, "elevation_m", "42000",
         "between -450 and 6500 m", "elevation_ft"),
    Case("area impossible", "lakes.csv", swap(",12.5,", ",0,"), STOP, 2, "area_ha", "0",
         "between 0.001 and 40000000 ha",
         "leave it blank"),
    Case("depth impossible", "lakes.csv", swap(",14.5,", ",-3,"), STOP, 3, "max_depth_m", "-3",
         "between 0.05 and 1700 m",
         "leave it blank"),
    Case("mean deeper than max", "lakes.csv", swap(",2.1,5,", ",6,5,"), STOP, 2, "mean_depth_m", "6",
         "mean depth is greater", "max_depth_m says 5"),
    Case("lake twice", "lakes.csv", swap("birch,", "alder,"), STOP, 3, "lake_id", "alder", "twice",
         "in row 2", 2),
    Case("path in an id", "lakes.csv", swap("cedar,", "../cedar,"), STOP, 4, "lake_id", "../cedar",
         "letters, digits",
         "short id", 2),
    Case("long id", "lakes.csv", swap("cedar,", "c" * 65 + ","), STOP, 4, "lake_id", "c" * 59 + "…",
         "1 to 64", "short", 2),
    Case("id blank", "lakes.csv", swap("cedar,", ","), STOP, 4, "lake_id", "", "1 to 64", "short id", 2),
    Case("control character", "lakes.csv", swap("Birch Lake", "Birch\x1b[31m"), STOP, 3, "name",
         "Birch\x1b[31m",
         "invisible", "Type it again"),
    Case("unknown station", "lakes.csv", swap(",high,", ",hihg,"), STOP, 4, "station_id", "hihg",
         "not in stations.csv",
         "Did you mean 'high'?"),
    Case("stems word", "lakes.csv", swap(",much,", ",muhc,"), STOP, 2, "stems", "muhc", "none, some, much",
         "Did you mean 'much'?"),
    Case("share word", "lakes.csv", swap(",no,", ",never,"), STOP, 3, "share", "never", "yes, no",
         "one of these words"),
    Case("ragged row", "lakes.csv", swap('"reeds, north end"', "reeds, north end"), STOP, 2, "", "north end",
         "more cells than the header", "quotation marks", 4),
    Case("open quote", "lakes.csv", swap('end"', "end"), STOP, 2, "", "", "quotation marks",
         "Look at this row"),
    Case("text after a quote", "lakes.csv", swap("birch,", '"birch"x,'), STOP, 3, "", "", "quotation marks",
         "Look at"),
    Case("other encoding", "lakes.csv", lambda t: t.replace("Birch", "Björk").encode("cp1252"), STOP, 3, "",
         "birch,Björk Lake,valle", "0xF6", UTF8),
    Case("UTF-16", "lakes.csv", lambda t: t.encode("utf-16"), STOP, 0, "", "", "UTF-16", UTF8),
    Case("workbook", "lakes.csv", instead(b"PK\x03\x04rest"), STOP, 0, "", "", "workbook", UTF8),
    Case("NUL bytes", "lakes.csv", swap("cedar", "ce\0dar"), STOP, 4, "", "", "NUL", UTF8),
    Case("gzip without the name", "lakes.csv", instead(b"\x1f\x8b\x08"), STOP, 0, "", "", "gzip", "Add .gz"),
    Case("stations missing", "stations.csv", lambda t: None, STOP, 0, "", "", "lakes.csv names stations",
         "Add stations.csv"),
    Case("stations header only", "stations.csv", lambda t: t.splitlines()[0], STOP, 0, "", "", "no stations",
         "one row", 7),
    Case("station twice", "stations.csv", swap("high,", "low,"), STOP, 3, "station_id", "low", "twice",
         "in row 2", 2),
    Case("station path", "stations.csv", add("a/b,,1,1,1"), STOP, 4, "station_id", "a/b", "letters, digits",
         "short", 1),
    Case("station named ahead", "stations.csv", add("x.ahead,,1,1,1"), STOP, 4, "station_id", "x.ahead",
         "'.ahead'",
         "another id", 1),
    Case("station elevation", "stations.csv", swap(",1500", ",15000"), STOP, 3, "elevation_m", "15000",
         "between -450 and 9000 m", "elevation_ft"),
    Case("station without weather", "stations.csv", add("mid,,51,-119,900"), "note", 4, "station_id", "mid",
         "no weather file", "Add weather/mid.csv"),
    Case("residence word", "residents.csv", swap(",unsure", ",perhaps"), STOP, 4, "residence", "perhaps",
         "yes, unsure, no", "one of these words"),
    Case("resident lake", "residents.csv", swap("cedar,", "Cedar,"), STOP, 3, "lake_id", "Cedar",
         "not in lakes.csv",
         "Did you mean 'cedar'?"),
    Case("resident taxon", "residents.csv", swap("alder,coenagrion,", "alder,,"), STOP, 2, "taxon", "",
         "missing",
         "emergence taxa"),
    Case("residents disagree", "residents.csv", add("alder,coenagrion,no"), STOP, 5, "residence", "no",
         "another residence", "Row 2 says yes"),
    Case("taxon encoding", "taxa/coenagrion.toml", instead("nom = 'é'".encode("latin-1")), STOP, 1, "",
         "nom = 'é'",
         "0xE9", "text editor"),
    Case("taxon empty", "taxa/coenagrion.toml", instead(""), STOP, 0, "", "", "empty", "Fill it in"),
]  # fmt: skip

WEATHER_CASES = [
    Case("weather empty", LOW, instead(b""), "file", 0, "", "", "empty", "Fill it in"),
    Case("weather header only", LOW, instead("date,tmean_c\n"), "file", 0, "", "", "no days", "Add the days"),
    Case("no date column", LOW, swap("date", "day"), "file", 1, "date", "day,tmin_c,tmax_c",
         "date is missing", "", 1),
    Case("minima only", LOW, lambda t: "\n".join(r.rpartition(",")[0] for r in t.splitlines()), "file", 1,
         "tmax_c",
         "date,tmin_c", "tmin_c and tmax_c, or tmean_c", "Add the column tmax_c (for °F: tmax_f)"),
    Case("maxima only", LOW, swap("tmin_c", "other"), "file", 1, "tmin_c", "date,tmax_c", "tmin_c and tmax_c",
         "Add the column tmin_c", 1),
    Case("no temperature", LOW, swap("tmin_c,tmax_c", "rain,snow"), "file", 1, "tmean_c", "date", "tmean_c",
         "Add the column tmean_c", 2),
    Case("minimum without maximum", LOW, swap("tmin_c,tmax_c", "tmin_c,tmean_c"), "note", 1, "tmin_c", "",
         "of no use without tmax_c", "Add tmax_c"),
    Case("column doubled", LOW, swap("tmax_c", "tmin_c"), "file", 1, "tmin_c", "tmin_c", "twice", "Keep one"),
    Case("both units", LOW, swap("tmin_c,tmax_c", "tmin_c,tmin_f"), "file", 1, "tmin_c", "tmin_c, tmin_f",
         "two units",
         "Keep one"),
    Case("encoding", LOW, lambda t: (t + "2024-05-31,é,1").encode("cp1252"), "file", N + 1, "",
         "2024-05-31,é,1", "0xE9",
         UTF8),
    Case("fahrenheit", LOW, instead(FAHRENHEIT), "file", 0, "tmin_c, tmax_c", "63.8",
         "must not be above 40 °C",
         "name the columns tmin_f and tmax_f"),
    Case("fahrenheit of few days", LOW, instead("date,tmean_c\n" + SPRING), "file", 0, "tmean_c", "42.0",
         "mean of all",
         "tmean_f"),
    Case("too warm in fahrenheit", LOW, instead("date,tmean_f\n2024-05-01,130\n"), "file", 0, "tmean_f",
         "54.4", "40 °C",
         "check the unit"),
    Case("fahrenheit ahead", "weather/low.ahead.csv", instead("date,tmean_c\n2024-06-01,66\n"), "file", 0,
         "tmean_c",
         "66.0", "40 °C", "tmean_f"),
    Case("all dates wrong", LOW, instead("date,tmean_c\n5/1/2024,3\n5/2/2024,4\n"), "file", 2, "date",
         "5/1/2024",
         "none of the 2 rows", "yyyy-mm-dd"),
    Case("no values", LOW, instead("date,tmean_c\n2024-05-01,\n"), "file", 0, "", "",
         "no day has a temperature", "Fill"),
    Case("bad number", LOW, add("2024-06-01,x,9"), "row", N + 1, "tmin_c", "x", "must be a number",
         "only the number"),
    Case("infinite", LOW, add("2024-06-01,1,-inf"), "row", N + 1, "tmax_c", "-inf", "must be a number",
         "only the number"),
    Case("sentinel", LOW, add("2024-06-01,-9999,9"), "row", N + 1, "tmin_c", "-9999", "between -90 and 60 °C",
         "blank"),
    Case("too warm", LOW, add("2024-06-01,9,61"), "row", N + 1, "tmax_c", "61", "between -90 and 60 °C",
         "tmax_f"),
    Case("minimum above maximum", LOW, add("2024-06-01,10,9.5"), "row", N + 1, "tmin_c", "10",
         "above its maximum",
         "tmax_c says 9.5"),
    Case("after today", LOW, add("2024-06-02,1,9"), "row", N + 1, "date", "2024-06-02",
         "after today (2024-06-01)",
         "Correct the date"),
    Case("before 1800", LOW, add("1799-12-31,1,9"), "row", N + 1, "date", "1799-12-31", "before 1800",
         "year"),
    Case("no such day", LOW, add("2023-02-29,1,9"), "row", N + 1, "date", "2023-02-29", "no such day",
         "Correct"),
    Case("other date", LOW, add("01.06.2024,1,9"), "row", N + 1, "date", "01.06.2024", "YYYY-MM-DD",
         "2024-05-31"),
    Case("date with time", LOW, add("2024-06-01T00:00,1,9"), "row", N + 1, "date", "2024-06-01T00:00",
         "YYYY-MM-DD", ""),
    Case("date blank", LOW, add(",1,9"), "row", N + 1, "date", "", "date is missing", "2024-05-31"),
    Case("day twice", LOW, add(f"{LAST},1,9"), "row", N + 1, "date", f"{LAST}", "there twice",
         f"Row {N} was used"),
    Case("ragged", LOW, add("2024-06-01,1,9,4"), "row", N + 1, "", "4", "more cells",
         "remove the extra cells"),
    Case("far ahead", "weather/low.ahead.csv", add("2034-06-01,1,9"), "row", 4, "date", "2034-06-01",
         "two years",
         "Correct the date"),
    Case("stranger", "weather/hgh.csv", instead("date,tmean_c\n2024-05-01,3\n"), "note", 0, "", "hgh",
         "not read", "Did you mean 'high'?"),
]  # fmt: skip

NOTE_CASES = [
    Case("readings empty", "readings.csv", instead(""), STOP, 0, "", "", "empty", "remove it"),
    Case("readings column", "readings.csv", swap("water_c", "water"), STOP, 1, "water_c",
         "lake_id,date,water,",
         "water_c (or water_f) is missing", "Did you mean 'water'?", 1),
    Case("readings encoding", "readings.csv", lambda t: t.encode() + b"\xe9", STOP, 5, "", "é", "0xE9", UTF8),
    Case("reading lake", "readings.csv", swap("birch", "brich"), "row", 4, "lake_id", "brich",
         "not in lakes.csv",
         "Did you mean 'birch'?"),
    Case("reading lake by name", "readings.csv", swap("birch", "birch lake"), "row", 4, "lake_id",
         "birch lake",
         "not in lakes.csv", "Did you mean 'birch'?"),
    Case("reading lake blank", "readings.csv", swap("birch,", ","), "row", 4, "lake_id", "", "not be blank",
         "lake_id of"),
    Case("reading blank", "readings.csv", swap("12.25", ""), "row", 3, "water_c", "", "must not be blank",
         "Fill it in"),
    Case("reading in fahrenheit", "readings.csv", swap("12.25", "54"), "row", 3, "water_c", "54",
         "between -2 and 45 °C",
         "water_f"),
    Case("reading text", "readings.csv", swap("12.25", "cold"), "row", 3, "water_c", "cold", "number",
         "only the number"),
    Case("reading depth", "readings.csv", swap("0.5", "-0.5"), "row", 2, "depth_m", "-0.5",
         "between 0 and 1700 m", "feet"),
    Case("reading hour", "readings.csv", swap(",14", ",25"), "row", 2, "hour", "25", "between 0 and 24",
         "14.5"),
    Case("reading hour as clock", "readings.csv", swap(",14", ",14:30"), "row", 2, "hour", "14:30", "number",
         "14.5"),
    Case("reading date", "readings.csv", add("alder,2024-06-02,9,,"), "row", 5, "date", "2024-06-02",
         "after today",
         "Correct"),
    Case("ice word", "ice.csv", swap("20,on", "20,freeze"), "row", 2, "event", "freeze", "on, off",
         "one of these words"),
    Case("ice both", "ice.csv", add("alder,2024-04-02,on"), "row", 5, "event", "on", "opposite",
         "first of the two"),
    Case("ice date", "ice.csv", swap("2023-11-20", "20 Nov"), "row", 2, "date", "20 Nov", "YYYY-MM-DD",
         "2024-05-31"),
    Case("ice broken", "ice.csv", add('alder,"2024'), STOP, 5, "", "", "quotation marks", "Look at this row"),
    Case("stage word", "sightings.csv", swap("moving", "migrating"), "row", 2, "stage", "migrating",
         "young, mature, moving, pupa, empty_skin, adult", "one of these words"),
    Case("stage near", "sightings.csv", swap("pupa", "pupae"), "row", 3, "stage", "pupae", "empty_skin",
         "Did you mean 'pupa'?"),
    Case("level word", "sightings.csv", swap("few", "fwe"), "row", 2, "level", "fwe", "none, few, many",
         "Did you mean 'few'?"),
    Case("level blank", "sightings.csv", swap("few", ""), "row", 2, "level", "", "none, few, many",
         "one of these"),
    Case("sighting taxon", "sightings.csv", swap("coenagrion", ""), "row", 2, "taxon", "", "missing",
         "emergence taxa"),
    Case("sighting minutes", "sightings.csv", swap("40", "2000"), "row", 2, "minutes", "2000",
         "between 0 and 1440", ""),
    Case("sighting lake", "sightings.csv", swap("birch", "beech"), "row", 3, "lake_id", "beech",
         "not in lakes.csv", ""),
]  # fmt: skip

NAME = "season.toml"
SETTINGS_CASES = [
    Case("not TOML", NAME, swap('"High lakes"', "High lakes"), STOP, 1, "", "name = High lakes", "not TOML",
         "key = value"),
    Case("key twice", NAME, swap("[weather]", 'name = "x"\n[weather]'), STOP, 4, "", 'name = "x"', "not TOML",
         "", 0),
    Case("unknown key", NAME, swap("time_zone", "timezone"), STOP, 2, "timezone", "America/Vancouver",
         "known are name, time_zone, [weather]", "Did you mean 'time_zone'?"),
    Case("unknown section", NAME, swap("[ensemble]", "[ensembles]"), STOP, 10, "ensembles", "", "[ensemble]",
         "Did you mean 'ensemble'?"),
    Case("unknown key in a section", NAME, swap("slots", "slot"), STOP, 11, "ensemble.slot", "20",
         "known in [ensemble] are slots, replicates, seed", "Did you mean 'slots'?"),
    Case("section as value", NAME, swap('[weather]\nsource = "files"', 'weather = "files"'), STOP, 4,
         "weather", "files",
         "must be a section", "[weather] on a line of its own"),
    Case("time zone", NAME, swap("America/Vancouver", "America/Vancuver"), STOP, 2, "time_zone",
         "America/Vancuver",
         "not known", "Did you mean 'America/Vancouver'?"),
    Case("time zone path", NAME, swap("America/Vancouver", "../UTC"), STOP, 2, "time_zone", "../UTC",
         "not known", ""),
    Case("time zone blank", NAME, swap("America/Vancouver", ""), STOP, 2, "time_zone", "", "not known",
         "Europe/Oslo"),
    Case("time zone folder", NAME, swap("America/Vancouver", "America"), STOP, 2, "time_zone", "America",
         "not known", ""),
    Case("name as a path", NAME, swap("High lakes", "../up"), STOP, 1, "name", "../up", "can name a folder",
         "High lakes"),
    Case("name not text", NAME, swap('"High lakes"', "7"), STOP, 1, "name", "7", "quotation marks",
         "High lakes"),
    Case("source", NAME, swap('"files"', '"file"'), STOP, 5, "weather.source", "file",
         "files, meteostat or both",
         "Did you mean 'files'?"),
    Case("slots high", NAME, swap("slots = 20", "slots = 61"), STOP, 11, "ensemble.slots", "61",
         "from 1 to 60", "slots ="),
    Case("slots zero", NAME, swap("slots = 20", "slots = 0"), STOP, 11, "ensemble.slots", "0", "from 1 to 60",
         "slots ="),
    Case("slots as text", NAME, swap("slots = 20", 'slots = "20"'), STOP, 11, "ensemble.slots", "20",
         "whole number", ""),
    Case("slots as truth", NAME, swap("slots = 20", "slots = true"), STOP, 11, "ensemble.slots", "True",
         "whole number", ""),
    Case("replicates", NAME, swap("replicates = 6", "replicates = 51"), STOP, 12, "ensemble.replicates", "51",
         "1 to 50", ""),
    Case("seed of many digits", NAME, swap("seed = 7", "seed = " + "9" * 5000), STOP, 0, "", "", "far too long", ""),
    Case("seed of many hex digits", NAME, swap("seed = 7", "seed = 0x" + "f" * 5000), STOP, 13, "ensemble.seed",
         "a number of thousands", "from 0", ""),
    Case("deep brackets", NAME, swap("seed = 7", "seed = " + "[" * 3000), STOP, 0, "", "", "far too long", ""),
    Case("seed", NAME, swap("seed = 7", "seed = -1"), STOP, 13, "ensemble.seed", "-1", "from 0", "seed = 1"),
    Case("temperature unit", NAME, swap('"F"', '"K"'), STOP, 16, "units.temperature", "K", "C or F",
         "temperature ="),
    Case("length unit", NAME, swap('"ft"', '"feet"'), STOP, 17, "units.length", "feet", "m or ft",
         "length ="),
    Case("guests", NAME, swap('"share"', '"none"'), STOP, 20, "guests.lakes", "none", "share or all",
         "lakes ="),
    Case("taxa not a list", NAME, swap('["coenagrion", "chironomus"]', '"coenagrion"'), STOP, 8, "taxa.run",
         "coenagrion",
         "list of taxon ids", "run ="),
    Case("taxon not text", NAME, swap('"chironomus"', "3"), STOP, 8, "taxa.run", "3", "list of taxon ids",
         "run ="),
    Case("settings encoding", NAME, lambda t: t.replace("High", "Höh").encode("cp1252"), STOP, 1, "",
         'name = "Höh lakes"', "0xF6", "text editor"),
]  # fmt: skip

CASES = [*LAKE_CASES, *WEATHER_CASES, *NOTE_CASES, *SETTINGS_CASES]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.file}: {c.name}".replace("/", "-"))
def test_each_error_is_told(tmp_path, case):
    problems = problems_of(tmp_path, {case.file: case.edit(season_files().get(case.file, ""))})
    where = [p for p in problems if (p.file, p.row, p.column) == (case.file, case.row, case.column)]
    assert where, [p.sentence() for p in problems]
    told = [p for p in where if case.says in p.rule]
    assert len(told) == 1, where
    problem = told[0]
    assert problem.severity == case.severity
    assert problem.value.startswith(case.value) if case.value else problem.value == ""
    assert case.remedy in problem.remedy and problem.remedy.endswith((".", "…"))
    if case.others == 0 and case.name != "no header":
        assert len(problems) == 1, [p.sentence() for p in problems]


@pytest.mark.parametrize("case", [c for c in CASES if c.severity == "row"], ids=lambda c: f"{c.file}: {c.name}"[8:])
def test_a_bad_row_is_left_out_and_the_rest_is_used(tmp_path, case):
    good = read_season(write_season(tmp_path / "good"), today=TODAY)
    text = case.edit(season_files()[case.file])
    season = read_season(write_season(tmp_path / "bad", {case.file: text}), today=TODAY)
    if case.file.startswith("weather/"):
        for name in ("weather", "ahead"):
            for station, series in getattr(good, name).items():
                np.testing.assert_array_equal(getattr(season, name)[station].tmin_c, series.tmin_c)
        return
    table = case.file.removesuffix(".csv")
    changed = len(text.splitlines()) > len(season_files()[case.file].splitlines())
    assert len(getattr(season, table)) == len(getattr(good, table)) - (0 if changed else 1)


@pytest.mark.parametrize("case", [c for c in CASES if c.severity == "file"], ids=lambda c: f"{c.file}: {c.name}"[8:])
def test_an_unusable_weather_file_is_absent(tmp_path, case):
    season = read_season(write_season(tmp_path, {case.file: case.edit(season_files()[case.file])}), today=TODAY)
    ahead = "ahead" in case.file
    assert "low" not in (season.ahead if ahead else season.weather)
    assert "high" in season.weather


def test_all_problems_of_all_files_are_told_together(tmp_path):
    edits = [c for c in CASES if c.name in ("area impossible", "station elevation", "residence word", "not TOML",
                                            "taxon empty", "fahrenheit", "reading text", "readings empty")]  # fmt: skip
    files = season_files()
    changes = {c.file: c.edit(files[c.file]) for c in edits if c.name != "readings empty"}
    with pytest.raises(SeasonError, match="5 problems stop the run") as caught:
        read_season(write_season(tmp_path, changes), today=TODAY)
    told = caught.value.problems
    assert {p.file for p in told} == set(changes)
    assert {p.severity for p in told} == {"stop", "file", "row"}
    for problem in told:
        assert (problem.sentence() in str(caught.value)) == (problem.severity == "stop")


def test_a_lakes_file_that_cannot_be_read_hides_no_notes_behind_it(tmp_path):
    problems = problems_of(tmp_path, {"lakes.csv": "", "stations.csv": "", "readings.csv": "lake_id,date,water_c\n"})
    assert sorted(p.file for p in problems) == ["lakes.csv", "stations.csv"]


def test_stations_are_needed_where_there_is_weather(tmp_path):
    lakes = season_files()["lakes.csv"].replace(",low,", ",,").replace(",high,", ",,")
    (problem,) = problems_of(tmp_path, {"stations.csv": None, "lakes.csv": lakes})
    assert problem.severity == "stop" and "there are weather files" in problem.rule


def test_many_unknown_lakes_are_told_quickly(tmp_path):
    rows = "".join(f"alde{n},2024-05-01,5\n" for n in range(3000))
    problems = problems_of(tmp_path, {"readings.csv": "lake_id,date,water_c\n" + rows})
    assert len(problems) == 3000
    assert sum("Did you mean 'alder'?" in p.remedy for p in problems) == 50


def test_numbers_in_other_units_are_judged_in_them(tmp_path):
    text = season_files()["lakes.csv"].replace("elevation_m", "elevation_ft").replace(",420,", ",30000,")
    (problem,) = problems_of(tmp_path, {"lakes.csv": text})
    # 6500 m / 0.3048 = 21325.5 ft, shown with four figures.
    assert "between -1476 and 21330 ft" in problem.rule and problem.column == "elevation_ft"


def test_a_row_number_counts_blank_lines_and_cells_of_several_lines(tmp_path):
    rows = '\nalder,2024-05-20,coenagrion,moving,few,40,M,"two\nlines"\n\nbirch,2024-05-21,x,egg,few,,,\n'
    text = season_files()["sightings.csv"].splitlines()[0] + "\n" + rows
    (problem,) = problems_of(tmp_path, {"sightings.csv": text})
    assert problem.row == 5 and problem.value == "egg"
