"""The trip plan on the terminal: who goes where and when, with what chance, and what stands against it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import zip_longest

from emergence.report.text import CLIPPED, Column, cells, clip, plain, set_line, widths, wrap
from emergence.report.words import CAUTIONS, chance_words, count, day, day_and_year, percent, span
from emergence.runs.trip_results import Insisting, PlannedTrip, TripDay, TripOption, TripsResult

WIDTH = 80
TABLE = (
    Column("party", least=6, gap=0), Column("days"), Column("lake", least=6), Column("guide", least=5),
    Column("expected", right=True), Column("chance", right=True), Column("status"), Column("decide by"),
)  # fmt: skip
STATUS = {"new": "new", "kept": "kept", "moved": "MOVED", "fixed": "fixed", "done": "done"}
MOST_LINES = 4
"""Lines that a name may take in the table."""
LEGEND = (
    "expected: days of the trip on which what the party wants shows; chance: of at least one.",
    "The road counts against a trip, so a nearer lake may go before one with more days.",
    "Plan B: for the same days, the lake whose success goes least with plan A's.",
)


def trips_text(result: TripsResult, *, width: int = WIDTH) -> str:
    """Return the plan as text; where there is none, what stands against it."""
    lines = wrap(f"TRIPS of {plain(result.info.name)} as of {day_and_year(result.info.as_of)}", width, rest="  ")
    if result.earlier:
        lines += wrap(f"Bookings: {plain(result.earlier)}", width, rest="  ")
    if result.trips:
        lines += ["", *_table(result, width), "", *_changes(result, width)]
        for trip in _to_come(result):
            lines += _more(trip, width)
        lines += ["", *_sums(result, width)]
    else:
        lines += ["", *_nothing(result, width)]
    for sentence in (*result.left_out, *result.notes):
        lines += wrap(plain(sentence), width, first="- ", rest="  ")
    lines += ["", *(line for words in CAUTIONS for line in wrap(words, width))]
    return "\n".join(lines) + "\n"


def runs_of(days: Sequence[TripDay]) -> list[tuple[TripDay, TripDay]]:
    """Return first and last day of each run of days at one lake."""
    found: list[tuple[TripDay, TripDay]] = []
    for one in days:
        if found and found[-1][1].lake_id == one.lake_id and (one.date - found[-1][1].date).days == 1:
            found[-1] = (found[-1][0], one)
        else:
            found.append((one, one))
    return found


def option_words(option: TripOption) -> str:
    """Return days and lakes of an option in words."""
    return ", then ".join(f"{plain(a.lake)} {span(a.date, b.date)}" for a, b in runs_of(option.days))


def _to_come(result: TripsResult) -> list[PlannedTrip]:
    return [trip for trip in result.trips if trip.status != "done"]


def _table(result: TripsResult, width: int) -> Iterator[str]:
    rows = []
    for trip in result.trips:
        for k, (first, last) in enumerate(runs_of(trip.chosen.days)):
            top = k == 0
            rows.append(
                (
                    plain(trip.party) if top else "",
                    span(first.date, last.date),
                    plain(first.lake),
                    plain(trip.chosen.guide) if top else "",
                    f"{trip.chosen.expected:.1f} of {len(trip.chosen.days)}" if top else "",
                    percent(trip.chosen.chance) if top else "",
                    STATUS[trip.status] if top else "",
                    day(trip.decide_by) if top and trip.decide_by else "",
                )
            )
    wide = widths(TABLE, [*rows, tuple(c.title for c in TABLE)], width)
    yield set_line([c.title for c in TABLE], TABLE, wide)
    for row in rows:
        for line in zip_longest(*(_cell(text, w) for text, w in zip(row, wide, strict=True)), fillvalue=""):
            yield set_line(line, TABLE, wide)


def _cell(text: str, width: int) -> list[str]:
    """Return a cell as lines of at most ``width`` cells; names are told whole where MOST_LINES hold them."""
    lines = wrap(text, width) or [""]
    if len(lines) > MOST_LINES:
        lines[MOST_LINES - 1] = clip(lines[MOST_LINES - 1], width - 1).removesuffix(CLIPPED) + CLIPPED
    return lines[:MOST_LINES]


def _changes(result: TripsResult, width: int) -> Iterator[str]:
    """Yield what changes against the bookings, what is gained, and until when one can decide."""
    moved = [t for t in result.trips if t.status == "moved"]
    if not any(t.booked for t in result.trips):
        return
    yield f"CHANGES: {count(len(moved), 'booking moves', 'bookings move')}" if moved else "CHANGES: none"
    for trip in moved:
        old = "" if trip.booked is None else f"from {option_words(trip.booked)} "
        why = f" The booking cannot stand: {'; '.join(trip.reasons)}." if trip.reasons else ""
        until = f" Decide by {day_and_year(trip.decide_by)}." if trip.decide_by else ""
        words = f"{plain(trip.party)}: {old}to {option_words(trip.chosen)}, {trip.gain:+.1f} moving days.{why}{until}"
        yield from wrap(plain(words), width, first="  ", rest="    ")
    yield ""


def _more(trip: PlannedTrip, width: int) -> Iterator[str]:
    yield from wrap(f"{plain(trip.party)}: {plain(trip.wants)}", width, rest="  ")
    for b in trip.plan_b:
        fails = (
            "" if b.if_a_fails is None else f", holds in {percent(b.if_a_fails)} of the seasons in which plan A fails"
        )
        words = f"plan B {span(b.first, b.last)}: {plain(b.lake)}, chance {percent(b.chance)}{fails}"
        yield from wrap(words, width, first="  ", rest="    ")
    for other in trip.alternates:
        words = f"or {option_words(other)}: {_told(other)}, {plain(other.guide)}"
        yield from wrap(words, width, first="  ", rest="    ")


def _sums(result: TripsResult, width: int) -> Iterator[str]:
    trips = _to_come(result)
    days = sum(len(t.chosen.days) * t.size for t in trips)
    expected = sum(t.chosen.expected * t.size for t in trips)
    if days:
        words = f"{expected:.1f} moving days expected over {days} guest-days, {expected / days:.2f} each."
        yield from wrap(words, width)
    if result.caution is not None:
        more = "no plan gives all of them more" if result.caution_proven else "the time ended before more was ruled out"
        words = f"Cautious: every party has at least {percent(result.caution)} of its own best chance; {more}."
        yield from wrap(words, width)
    plan = "No plan" if result.caution is None else "No plan that gives them as much"
    best = (
        f"{plan} could score more than {100 * result.gap:.1f} % better"
        if result.gap > 1e-6
        else f"{plan} scores better"
    )
    late = "" if result.finished else f"; the time ended before the wanted {100 * result.wanted_gap:.1f} % was reached"
    yield from wrap(f"{best} by what is counted{late}.", width)
    for words in LEGEND:
        yield from wrap(words, width)


def _nothing(result: TripsResult, width: int) -> Iterator[str]:
    if not result.conflict:
        yield from wrap("No plan was found in the time given, nor that there is none. Give more: --time-limit.", width)
        return
    yield "NO PLAN: these cannot hold together, and without any one of them the others can:"
    for words in result.conflict:
        yield from wrap(plain(words), width, first="  - ", rest="    ")
    if not result.conflict_proven:
        yield from wrap("Not all checks came to an end in time: some of these may be left out.", width)


def why_text(trip: PlannedTrip, others: Sequence[Insisting], *, width: int = WIDTH) -> str:
    """Return why a party gets its lake and days, and what insisting on another lake would cost."""
    chosen, best = trip.chosen, trip.best
    lines = [*wrap(f"{plain(trip.party)}: {plain(trip.wants)}", width, rest="  "), ""]
    words = (
        f"Planned: {option_words(chosen)}, with {plain(chosen.guide)}: {chosen.expected:.1f} of {len(chosen.days)} "
        f"days expected, chance of any {percent(chosen.chance)} ({chance_words(chosen.chance)}){_road(chosen)}."
    )
    lines += wrap(words, width)
    lines += [_day_line(one, width) for one in chosen.days]
    if best.value - chosen.value > 5e-3:
        against = "the others' trips, or its booking, stand against it"
        words = f"Alone it would have {option_words(best)} ({_told(best)}); {against}."
        lines += wrap(words, width)
    else:
        lines += wrap("It could have nothing better even if it were alone, the road counted.", width)
    lines += ["", "TO INSIST ON ANOTHER LAKE, everything else planned anew:"]
    for other in others:
        lines += wrap(_insisting(other), width, first="  ", rest="    ")
    return "\n".join(lines) + "\n"


def _day_line(one: TripDay, width: int) -> str:
    lead, end = f"  {day(one.date)}  ", f"  {percent(one.expected)}"
    return f"{lead}{clip(plain(one.lake), width - cells(lead + end))}{end}"


def _insisting(other: Insisting) -> str:
    if other.option is None:
        why = f": {'; '.join(other.blocked)}" if other.blocked else ": then not everybody finds a place"
        return f"{plain(other.lake)} cannot be had{plain(why)}."
    told = _told(other.option)
    rest = "" if other.others is None else f", the others {_signed(other.others)}"
    return f"{option_words(other.option)}: {told}; costs the party {_signed(other.own)}{rest} moving days."


def _told(option: TripOption) -> str:
    return f"{option.expected:.1f} days, chance {percent(option.chance)}{_road(option)}"


def _road(option: TripOption) -> str:
    return "" if option.road_h is None else f", {option.road_h:.1f} h on the road"


def _signed(cost: float) -> str:
    return f"{cost:.2f}" if abs(cost) >= 0.005 else "nothing"
