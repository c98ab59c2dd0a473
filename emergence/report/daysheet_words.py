"""A day sheet in words, the same for text and page."""

from __future__ import annotations

from dataclasses import dataclass

from emergence.angling.cautions import Caution, day_cautions
from emergence.angling.numbers import number, span
from emergence.angling.practice import Advice, day_advice
from emergence.angling.sheet import DaySheet, GateDay, Insect
from emergence.angling.sums import count_down, intermediate_count, slant_length
from emergence.records import LEVELS, STAGES
from emergence.report.text import clip, plain
from emergence.report.units import FOOT_M, Units
from emergence.report.why import VARIABLES
from emergence.report.words import MAY_LIVE_HERE, NYMPHS_MOVE, chance_words, count, day_and_year, percent

DEPTHS_M, DEPTHS_FT = (0.5, 0.9, 2.0, 3.0, 5.0), (2.0, 3.0, 6.0, 10.0, 16.0)
LEAST_SHOWN = 0.01  # chance of a moving day below which an insect of which only young are about gets no row
ONLY_YOUNG = 0.98  # share of young and mature nymphs from which only they are about
OPEN_ENOUGH = 0.9  # gates open this far are not worth a word
STAR = "*"
LAKE_CELLS, TITLE_CELLS, REASON_CELLS = 24, 44, 160  # of names and reasons, so that the sheet stays one page
STARRED = "* common practice, no source"
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
BLANK_ROWS = 4
STAGE_HEADS = {"empty_skin": "skin"}
BASIS = {
    "measured": "air measured",
    "forecast": "air from the forecast days",
    "past springs": "air from past springs, no forecast for this day yet",
}


@dataclass(frozen=True)
class Row:
    """One insect: name, shares of the four stages (None where nothing is about), what shows today; unsure or not."""

    name: str
    shares: tuple[float, float, float, float] | None
    chance: float
    shows: str
    unsure: bool


@dataclass(frozen=True)
class Part:
    """Advice on one insect: heading, then label and text."""

    heading: str
    lines: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Words:
    """The sheet in words; ``counts`` is a table whose first row is its head, ``starred`` a caution's or line's mark."""

    title: str
    date: str
    place: str
    basis: str
    closed: tuple[str, ...]
    shut: tuple[str, ...]
    access: str
    cautions: tuple[tuple[str, bool], ...]
    day: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    absent: tuple[tuple[str, str], ...]
    parts: tuple[Part, ...]
    counts: tuple[tuple[str, ...], ...]
    count_notes: tuple[str, ...]
    blanks: tuple[str, ...]
    stage_heads: tuple[str, ...]
    levels: str
    reading_unit: str
    depth_unit: str
    commands: tuple[str, str]


def sheet_words(sheet: DaySheet, *, sink_cm_s: float | None = None) -> Words:
    """Return a sheet in words.

    Parameters
    ----------
    sheet
        The sheet.
    sink_cm_s
        Measured sink rate of the user's fly [cm/s], None to leave it open.
    """
    units, board = Units(sheet.temperature_unit, sheet.length_unit), sheet.board
    rows, absent = _rows(board.insects)
    ahead = (board.date - board.as_of).days
    lead = f", {count(ahead, 'day')} ahead" if ahead > 0 else ""
    return Words(
        title=clip(plain(board.lake) or plain(board.lake_id), TITLE_CELLS),
        date=f"{WEEKDAYS[board.date.weekday()]} {day_and_year(board.date)}",
        place=", ".join(p for p in (clip(plain(sheet.region), LAKE_CELLS), units.depth(sheet.elevation_m)) if p),
        basis=f"as of {day_and_year(board.as_of)}{lead}; {BASIS[sheet.basis]}",
        closed=tuple(clip(plain(text), REASON_CELLS) for text in sheet.closures),
        shut=tuple(clip(plain(text), REASON_CELLS) for text in sheet.shut),
        access=clip("; ".join(plain(text) for text in sheet.access), REASON_CELLS),
        cautions=tuple((_told(c, sheet, units), c.raised) for c in day_cautions(sheet)),
        day=tuple(_day(sheet, units)),
        rows=rows,
        absent=absent,
        parts=tuple(_part(a, sheet, units) for a in day_advice(sheet)),
        counts=_counts(sheet, units, sink_cm_s),
        count_notes=_count_notes(units, sink_cm_s, slant=_slants(sheet)),
        blanks=(*_blank_names(sheet, rows), ""),
        stage_heads=tuple(STAGE_HEADS.get(stage, stage) for stage in STAGES),
        levels=", ".join(LEVELS[:-1]) + f" or {LEVELS[-1]}",
        reading_unit=f"°{units.temperature}",
        depth_unit=units.length,
        commands=_commands(sheet, units),
    )


def _blank_names(sheet: DaySheet, rows: tuple[Row, ...]) -> tuple[str, ...]:
    """Return the insects with a row to write in: those the sheet advises on, then the others that are about."""
    names = [*(plain(advice.insect.name) for advice in day_advice(sheet)), *(row.name for row in rows)]
    return tuple(dict.fromkeys(names))[:BLANK_ROWS]


def _commands(sheet: DaySheet, units: Units) -> tuple[str, str]:
    where = f"--lake {plain(sheet.board.lake_id)} --date {sheet.board.date}"
    return (
        f"emergence note reading SEASON {units.degrees(sheet.water[1])} {where}",
        f"emergence note sighting SEASON damsel moving few {where}",
    )


def _told(caution: Caution, sheet: DaySheet, units: Units) -> str:
    tiers = caution.tiers or sheet.tiers[0]
    return caution.text.format(
        lightning=f"{number('lightning_min'):.0f} minutes",
        wind_care=units.wind(number("wind_care_kt")),
        wind_ashore=units.wind(number("wind_ashore_kt")),
        cold_low=units.temp(sheet.water[0]),
        ice_chance=percent(sheet.ice_chance),
        afternoon=units.temp(sheet.afternoon_c[1], tenths=True),
        dawn=units.temp(sheet.dawn_c),
        species=plain(tiers.species),
        caution=units.temp(tiers.caution_c, tenths=True),
        stop=units.temp(tiers.stop_c, tenths=True),
        closure=units.temp(tiers.closure_c, tenths=True),
    )


def _range(values: tuple[float, float, float], units: Units) -> str:
    low, middle, high = values
    return f"{units.temp(middle)} (8 in 10: {units.degrees(low)} to {units.degrees(high)})"


def _day(sheet: DaySheet, units: Units) -> list[tuple[str, str]]:
    usual, upper = sheet.afternoon_c
    lines = [
        ("Water", f"surface {_range(sheet.water, units)}, afternoon {units.degrees(usual)}, up to {units.temp(upper)}"),
        ("Air", f"low {_range(sheet.air_min, units)}, high {_range(sheet.air_max, units)}"),
        ("Sun", _sun(sheet.sun)),
    ]
    if not sheet.clock:
        lines[-1] = ("Sun", f"{lines[-1][1]}, by the sun (no time_zone set)")
    if sheet.ice_chance >= number("ice_share"):
        lines.append(("Ice", f"chance {percent(sheet.ice_chance)}; for insects, not for standing on"))
    if sheet.turnover >= number("shown_chance"):
        lines.append(("Turnover", f"{percent(sheet.turnover)} {chance_words(sheet.turnover)}: poor fishing{STAR}"))
    if sheet.elsewhere:
        lakes = [
            f"{clip(plain(e.lake), LAKE_CELLS)} {percent(e.chance)} ({units.far(e.km)}, {units.temp(e.water_c)})"
            for e in sheet.elsewhere
        ]
        lines.append(("Instead", f"{plain(sheet.elsewhere_of)}: {', '.join(lakes)}"))
    return lines


def _sun(sun: tuple[float, float, float]) -> str:
    up = sun[2] - sun[0]
    if up >= 24.0 or up <= 0.0:
        return f"{'up all day' if up > 0 else 'not up'}, noon {_clock(sun[1])}"
    return ", ".join(f"{word} {_clock(h)}" for word, h in zip(("up", "noon", "down"), sun, strict=True))


def _clock(hours: float, *, coarse: bool = False) -> str:
    minutes = round(hours * 2) * 30 if coarse else round(hours * 60)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


def _rows(insects: tuple[Insect, ...]) -> tuple[tuple[Row, ...], tuple[tuple[str, str], ...]]:
    """Return the insects about or about to be, known residents first; and names of those only young, and not about."""
    rows, young, absent = [], [], []
    for insect in sorted(insects, key=lambda i: (i.residence != "yes", -i.moving_chance, i.taxon)):
        s, name, quiet = insect.stages, plain(insect.name), insect.moving_chance < LEAST_SHOWN
        if quiet and s is None:
            absent.append(name)
        elif quiet and s is not None and s.young + s.mature >= ONLY_YOUNG:
            young.append(name)
        else:
            shares = None if s is None else (s.young, s.mature, s.moving, s.adult)
            rows.append(Row(name, shares, insect.moving_chance, _shows(insect), insect.residence != "yes"))
    said = (("nymphs or larvae only", young), ("not about", absent))
    return tuple(rows), tuple((label, "; ".join(names)) for label, names in said if names)


def _shows(insect: Insect) -> str:
    best = insect.best
    if best is None or best.moving < LEAST_SHOWN:
        return ""
    if best.event == "migration":
        return NYMPHS_MOVE.removeprefix("nymphs ")
    several = sum(e.event == "emergence" for e in insect.events) > 1
    return f"brood {best.brood}" if several else insect.leaving


def _part(advice: Advice, sheet: DaySheet, units: Units) -> Part:
    insect, own = advice.insect, advice.practice
    low, high = insect.depth_m
    swim, off = span("swim_m"), span("off_bottom_m")
    facts = {
        "top": units.depth(number("top_m")),
        "swim": units.reach(*swim),
        "off_bottom": units.small(*off),
        "shallow": units.long(low) if low < high else units.depth(low),
        "deep": units.depth(high),
    }
    shown = f"{_shows(insect)}, {percent(insect.moving_chance)} {chance_words(insect.moving_chance)}"
    heading = f"{plain(insect.name)}: {shown if advice.moving else 'as young'}"
    if insect.residence != "yes":
        heading += f" ({MAY_LIVE_HERE})"
    spans = [f"{_clock(begin, coarse=True)} to {_clock(end, coarse=True)}" for begin, end in advice.hours]
    when = f"{' and '.join(spans)}: {own.hours.words}"
    mark = "" if own.hours.standing == "published" else STAR
    lines = [("Where", advice.where.format_map(facts) + STAR)]
    if advice.moving and insect.group == "damselfly":
        lines.append(("Young", own.still.format_map(facts) + STAR))
    lines += [("How", own.how.format_map(facts) + STAR), ("When", when + mark)]
    shut = [g for g in insect.gates if g.open_share < OPEN_ENOUGH]
    if advice.moving and shut:
        waits = " and ".join(_gate(g, units) for g in shut)
        lines.append(("Waits", f"for {waits}; short of that, {own.late.format_map(facts)}{STAR}"))
    return Part(heading, (*lines, ("Colour", advice.colours + STAR)))


def _gate(gate: GateDay, units: Units) -> str:
    name, unit = VARIABLES.get(gate.variable, (gate.variable, ""))
    level = units.temp(gate.open_at) if unit == "°C" and gate.variable != "water_change" else f"{gate.open_at:g} {unit}"
    return f"{name} of {level} ({percent(gate.open_share)})"


def _counts(sheet: DaySheet, units: Units, sink_cm_s: float | None) -> tuple[tuple[str, ...], ...]:
    """Return counts by depth: head, the fly, the intermediate line, and the slant where damselflies may live."""
    depths = [d * FOOT_M for d in DEPTHS_FT] if units.feet else list(DEPTHS_M)
    depths = [d for k, d in enumerate(depths) if k < 2 or d <= sheet.deepest_m]
    fly = ["____" if sink_cm_s is None else f"{count_down(d, sink_cm_s):.0f}" for d in depths]
    between = [f"{low:.0f}-{high:.0f}" for low, high in map(intermediate_count, depths)]
    rate = f"____ {units.rate}" if sink_cm_s is None else units.sink(sink_cm_s)
    table = [
        ("to", *(units.depth(d) for d in depths)),
        (f"fly {rate}, s", *fly),
        (f"slow intermediate{STAR}, s", *between),
    ]
    if _slants(sheet):
        slant = [slant_length(d) for d in depths]
        table.append((f"weed, away{STAR}", *("-" if s == 0 else units.depth(s) for s in slant)))
    return tuple(table)


def _slants(sheet: DaySheet) -> bool:
    return any(i.group == "damselfly" for i in sheet.board.insects)


def _count_notes(units: Units, sink_cm_s: float | None, *, slant: bool) -> tuple[str, ...]:
    top, angle = units.depth(number("top_m")), number("slant_deg")
    timed = "3 ft in 12 s is 3 in/s" if units.feet else "1 m in 20 s is 5 cm/s"
    ask = f" Time your fly: {timed}." if sink_cm_s is None else ""
    notes = [f"Count (depth / sink rate), then feel: line pull and retrieve lift the fly.{ask}"]
    if slant:
        notes.append(
            f"Away: how far from weed so deep nymphs are in the top {top} ({angle:.0f}° slant); from there level to "
            f"the stems.{STAR}"
        )
    return tuple(notes)
