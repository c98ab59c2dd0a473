"""season.toml: settings with their defaults."""

from __future__ import annotations

import re
import tomllib
import zoneinfo
from math import nan
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from emergence.errors import Problem
from emergence.records import Heat, Settings, TripSettings
from emergence.season.intake import Intake, shorten
from emergence.season.names import did_you_mean

FILE = "season.toml"
_PLAIN = TripSettings()
_FORBIDDEN = frozenset('/\\:*?"<>|')


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Weather(_Part):
    source: Literal["files", "meteostat", "both"] = "files"


class _Taxa(_Part):
    run: list[Annotated[str, Field(pattern=r"^[^\s]+$")]] = Field(default_factory=list)


class _Ensemble(_Part):
    slots: Annotated[int, Field(ge=1, le=60)] = 30
    replicates: Annotated[int, Field(ge=1, le=50)] = 8
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1


class _Units(_Part):
    temperature: Literal["C", "F"] = "C"
    length: Literal["m", "ft"] = "m"
    dates: Literal["day-month", "month-day"] = "day-month"


class _Guests(_Part):
    lakes: Literal["share", "all"] = "share"


_Share = Annotated[float, Field(ge=0, le=1)]


class _Trips(_Part):
    road_factor: Annotated[float, Field(ge=1, le=5)] = _PLAIN.road_factor
    speed_km_h: Annotated[float, Field(ge=5, le=200)] = _PLAIN.speed_km_h
    most_travel_h: Annotated[float, Field(gt=0, le=24)] = _PLAIN.most_travel_h
    travel_cost: Annotated[float, Field(ge=0, le=10)] = _PLAIN.travel_cost
    move_cost_days: Annotated[float, Field(ge=0, le=100)] = _PLAIN.move_cost_days
    again: _Share = _PLAIN.again
    fairness: _Share = _PLAIN.fairness
    heat_stop_c: Annotated[float, Field(ge=5, le=35)] = _PLAIN.heat_stop_c
    ice_chance: _Share = _PLAIN.ice_chance
    turnover_chance: _Share = _PLAIN.turnover_chance
    heat_chance: _Share = _PLAIN.heat_chance
    unsure_share: _Share = _PLAIN.unsure_share
    notice_days: Annotated[int, Field(ge=0, le=365)] = _PLAIN.notice_days


HEAT_KEYS = ("caution_c", "stop_c", "closure_c")
_HEAT_RULE = (
    "a kind of fish has caution_c, stop_c and closure_c (or _f), each not above the next, from 5 to 35 °C",
    'Write for example [heat."bull trout"] and below it stop_c = 18.',
)
_Degrees = Annotated[float, Field(ge=5, le=35)]
_Fahrenheit = Annotated[float, Field(ge=41, le=95)]


class _Heat(_Part):
    caution_c: _Degrees | None = None
    stop_c: _Degrees | None = None
    closure_c: _Degrees | None = None
    caution_f: _Fahrenheit | None = None
    stop_f: _Fahrenheit | None = None
    closure_f: _Fahrenheit | None = None

    def celsius(self) -> list[float]:
        """Return caution, stop and closure [°C], NaN where not said."""
        pairs = [(getattr(self, key), getattr(self, key[:-1] + "f")) for key in HEAT_KEYS]
        return [nan if c is None and f is None else c if c is not None else (f - 32) / 1.8 for c, f in pairs]

    @model_validator(mode="after")
    def _rising(self) -> _Heat:
        said = [value for value in self.celsius() if value == value]
        if said != sorted(said) or any(
            getattr(self, key) is not None and getattr(self, key[:-1] + "f") is not None for key in HEAT_KEYS
        ):
            raise ValueError("not rising")
        return self


class _SeasonFile(_Part):
    name: str = ""
    time_zone: str = "UTC"
    weather: _Weather = Field(default_factory=_Weather)
    taxa: _Taxa = Field(default_factory=_Taxa)
    ensemble: _Ensemble = Field(default_factory=_Ensemble)
    units: _Units = Field(default_factory=_Units)
    guests: _Guests = Field(default_factory=_Guests)
    trips: _Trips = Field(default_factory=_Trips)
    heat: dict[str, _Heat] = Field(default_factory=dict)

    @field_validator("name")
    @classmethod
    def _can_name_a_folder(cls, name: str) -> str:
        printable = name.isprintable() and not _FORBIDDEN & set(name)
        if not printable or len(name) > 80 or name != name.strip(". "):
            raise ValueError("cannot name a folder")
        return name


_RULES = {
    "name": (
        "must be text in quotation marks that can name a folder: at most 80 characters, "
        'none of / \\ : * ? " < > |, no dot or space at either end',
        'Write for example name = "High lakes".',
    ),
    "time_zone": ("must be text in quotation marks", 'Write for example time_zone = "Europe/Oslo".'),
    "weather.source": ("must be files, meteostat or both", 'Write for example source = "files".'),
    "taxa.run": (
        "must be a list of taxon ids, each in quotation marks",
        'Write for example run = ["lestes"].',
    ),
    "ensemble.slots": ("must be a whole number from 1 to 60", "Write for example slots = 30."),
    "ensemble.replicates": ("must be a whole number from 1 to 50", "Write for example replicates = 8."),
    "ensemble.seed": ("must be a whole number from 0 to 9223372036854775807", "Write for example seed = 1."),
    "units.temperature": ("must be C or F", 'Write for example temperature = "C".'),
    "units.length": ("must be m or ft", 'Write for example length = "m".'),
    "units.dates": ("must be day-month or month-day", 'Write for example dates = "month-day".'),
    "guests.lakes": ("must be share or all", 'Write for example lakes = "share".'),
    "trips.road_factor": ("must be a number from 1 to 5", "Write for example road_factor = 1.4."),
    "trips.speed_km_h": ("must be a number from 5 to 200", "Write for example speed_km_h = 60.0."),
    "trips.most_travel_h": ("must be a number above 0, at most 24", "Write for example most_travel_h = 3.0."),
    "trips.travel_cost": ("must be a number from 0 to 10", "Write for example travel_cost = 0.05."),
    "trips.move_cost_days": ("must be a number from 0 to 100", "Write for example move_cost_days = 1.0."),
    "trips.again": ("must be a number from 0 to 1", "Write for example again = 0.9."),
    "trips.fairness": ("must be a number from 0 to 1", "Write for example fairness = 0.5."),
    "trips.heat_stop_c": ("must be a number of °C from 5 to 35", "Write for example heat_stop_c = 20.0."),
    "trips.ice_chance": ("must be a number from 0 to 1", "Write for example ice_chance = 0.1."),
    "trips.turnover_chance": ("must be a number from 0 to 1", "Write for example turnover_chance = 0.5."),
    "trips.heat_chance": ("must be a number from 0 to 1", "Write for example heat_chance = 0.5."),
    "trips.unsure_share": ("must be a number from 0 to 1", "Write for example unsure_share = 0.5."),
    "trips.notice_days": ("must be a whole number from 0 to 365", "Write for example notice_days = 14."),
}
_SECTIONS = tuple(dict.fromkeys(key.partition(".")[0] for key in _RULES if "." in key))


def read_settings(intake: Intake) -> Settings:
    """Return the settings of season.toml, or the defaults where it is absent or has problems."""
    source = intake.text(FILE, "stop", may_be_empty=True) if FILE in intake.paths else None
    if source is None:
        return Settings()
    try:
        said = tomllib.loads(source)
        parsed = _SeasonFile.model_validate(said)
    except ValidationError as error:
        intake.problems.extend(_key_problem(source, e["type"], e["loc"], e["input"]) for e in error.errors())
        return Settings()
    except tomllib.TOMLDecodeError as error:
        intake.problems.append(_syntax_problem(source, str(error)))
        return Settings()
    except (ValueError, RecursionError):
        rule, remedy = "a value is far too long", "Correct or remove it."
        intake.problems.append(Problem(FILE, 0, "", "", rule, remedy, "stop"))
        return Settings()
    if not _known_zone(parsed.time_zone):
        intake.problems.append(_zone_problem(source, parsed.time_zone))
    return _to_record(parsed, said)


def _to_record(parsed: _SeasonFile, said: dict[str, Any]) -> Settings:
    keys = {f"{key}.{inner}" for key, value in said.items() if isinstance(value, dict) for inner in value}
    keys |= {key for key, value in said.items() if not isinstance(value, dict)}
    return Settings(
        name=parsed.name,
        time_zone=parsed.time_zone,
        weather_source=parsed.weather.source,
        taxa=tuple(dict.fromkeys(parsed.taxa.run)),
        slots=parsed.ensemble.slots,
        replicates=parsed.ensemble.replicates,
        seed=parsed.ensemble.seed,
        temperature_unit=parsed.units.temperature,
        length_unit=parsed.units.length,
        date_order=parsed.units.dates,
        guests_see_lakes=parsed.guests.lakes,
        trips=TripSettings(**parsed.trips.model_dump()),
        heat=tuple(Heat(species, *part.celsius()) for species, part in parsed.heat.items()),
        said=frozenset(keys),
    )


def _known_zone(name: str) -> bool:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _zone_problem(source: str, name: str) -> Problem:
    near = did_you_mean(name, tuple(sorted(zoneinfo.available_timezones())))
    remedy = f"{near}Write a name such as Europe/Oslo or America/Denver."
    row, rule = _row_of(source, ("time_zone",)), "this time zone is not known"
    return Problem(FILE, row, "time_zone", shorten(name), rule, remedy, "stop")


def _syntax_problem(source: str, message: str) -> Problem:
    found = re.search(r"line (\d+)", message)
    row = int(found[1]) if found else source.count("\n") + 1
    lines = source.splitlines()
    value = lines[row - 1].strip() if row <= len(lines) else ""
    remedy = 'Each line reads: key = value, with words in quotation marks, such as name = "High lakes".'
    return Problem(FILE, row, "", shorten(value), f"this is not TOML: {message}", remedy, "stop")


def _key_problem(source: str, kind: str, loc: tuple[int | str, ...], found: Any) -> Problem:
    words = [str(part) for part in loc if isinstance(part, str)]
    key, row = ".".join(words), _row_of(source, tuple(words))
    value = _shown(found)
    if words[0] == "heat":
        return Problem(FILE, row, key, value, *_HEAT_RULE, "stop")
    if kind == "extra_forbidden":
        inner = _keys_in(words[0]) if len(words) > 1 else []
        options = inner or [k for k in _RULES if "." not in k] + [f"[{section}]" for section in _SECTIONS]
        near = did_you_mean(words[-1], tuple(option.strip("[]") for option in options))
        where = f" in [{words[0]}]" if inner else ""
        rule = f"this key is not known; known{where} are {', '.join(options)}"
        return Problem(FILE, row, key, value, rule, f"{near}Correct or remove it.", "stop")
    if key in _SECTIONS:
        rule = f"{key} must be a section"
        remedy = f"Write [{key}] on a line of its own and below it {_keys_in(key)[0]} = …"
        return Problem(FILE, row, key, value, rule, remedy, "stop")
    rule, remedy = _RULES[key]
    options = [word.strip(",") for word in rule.removeprefix("must be ").split() if word != "or"]
    near = did_you_mean(value, tuple(options)) if kind == "literal_error" else ""
    return Problem(FILE, row, key, value, f"{key} {rule}", near + remedy, "stop")


def _shown(found: Any) -> str:
    if isinstance(found, dict):
        return ""
    try:
        return shorten(str(found))
    except ValueError:
        return "a number of thousands of digits"


def _keys_in(section: str) -> list[str]:
    return [key.partition(".")[2] for key in _RULES if key.startswith(f"{section}.")]


def _row_of(source: str, words: tuple[str, ...]) -> int:
    section = ""
    for row, line in enumerate(source.splitlines(), start=1):
        header = re.match(r"\s*\[\s*([\w\-]+)\s*\]", line)
        if header:
            section = header[1]
            if words == (section,):
                return row
        elif words and words[-1] in re.split(r"[\s=\"']+", line.partition("=")[0]):
            if section == (words[0] if len(words) > 1 else ""):
                return row
    return 0
