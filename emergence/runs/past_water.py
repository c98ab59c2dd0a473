"""Past seasons' water as their own readings and ice dates tell it: what insects seen then had lived through."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from emergence.dates import season_span, season_year
from emergence.records import Season
from emergence.runs.checked import note_rules
from emergence.runs.noted import believable, usable_notes
from emergence.runs.notes import lake_notes
from emergence.runs.record import Record, central_water, winters
from emergence.water.breakup import breakup_shift, lay_breakup
from emergence.water.conditioning import (
    LakeNotes,
    clamp_ice,
    conditioned_beta,
    day_pull,
    reading_weights,
    surface_readings,
)
from emergence.water.features import Features
from emergence.water.members import MemberWater, member_water
from emergence.water.spread import MemberErrors, Spread
from emergence.water.surface import WaterPath, opening_keep

Floats = NDArray[np.floating]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


def past_water(season: Season, record: Record, spread: Spread, *, before: int) -> tuple[Floats, Bools]:
    """Return the best estimate of water [°C] and ice of every day and lake, given each season's own notes.

    Parameters
    ----------
    season
        Supplies readings and ice dates.
    record
        The simulated record of lakes of one hemisphere.
    spread
        What was learned of the lakes; its season-long and day-to-day errors are what a season's notes bear on.
    before
        Day number; notes of that day and later are not looked at.

    Notes
    -----
    `central_water`, and where a winter with its summer has notes, the mean that readings leave (`water.conditioning`
    without the draws): an observed ice-off is taken as it is. The lake's coefficients stay as fitted, because these
    readings are in the fit: given the fit, only the errors are left to tell (best linear unbiased prediction).
    """
    water, ice = central_water(record, spread)
    spread = dataclasses.replace(spread, root=np.zeros_like(spread.root))
    for part, opening in winters(record):
        notes = _notes_within(season, record, part, before)
        if not notes:
            continue
        lakes = np.array(sorted(notes), dtype=np.int64)
        laid = _laid(record, spread.take(lakes), part, opening[lakes], (lakes, [notes[int(k)] for k in lakes]))
        water[part, lakes], ice[part, lakes] = laid.water_c[:, :, 0, 0], laid.ice[:, :, 0, 0]
    return water, ice


def _notes_within(season: Season, record: Record, part: slice, before: int) -> dict[int, LakeNotes]:
    """Return the notes of each lake in a part of the record, in day indices of the part."""
    first, end, south = int(record.days[part][0]), int(record.days[part][-1]), bool(record.lakes.southern[0])
    last, span = min(end, before - 1), dataclasses.replace(season_span(season_year(end, south), south), sim_start=first)
    readings = surface_readings(season.readings, first, last)
    sure, ruled_out, _ = note_rules(season.overrules, readings.lake_id, readings.day)
    readings, sure = readings.take(~ruled_out), sure[~ruled_out]
    dates = season.ice.take((season.ice.day >= max(span.start, first)) & (season.ice.day <= last))
    sure_ice, ruled_out, _ = note_rules(season.overrules, dates.lake_id, dates.day, "ice")
    dates, sure_ice = dates.take(~ruled_out), sure_ice[~ruled_out]
    names, found = set(readings.lake_id.tolist()) | set(dates.lake_id.tolist()), {}
    for k, lake_id in enumerate(record.lakes.lake_id.tolist()):
        if lake_id in names:
            here = readings.lake_id == lake_id
            iced = dates.lake_id == lake_id
            found[k] = lake_notes(readings.take(here), dates.take(iced), span, sure[here], sure_ice[iced])
    return found


def _laid(
    record: Record, spread: Spread, part: slice, opening: Ints, noted: tuple[Ints, list[LakeNotes]]
) -> MemberWater:
    """Return one member a lake: its mean error after the notes."""
    lakes, notes = noted
    path = WaterPath(*(v[part][:, lakes] for v in vars(record.path).values()))
    known = Features(record.known.calendar[part], record.known.weather[part][:, lakes])
    keep, shape = opening_keep(record.shape)[lakes], record.shape.take(lakes)
    later = breakup_shift(opening + record.days[part][0], shape)
    shift = np.rint(spread.ice_mean_d)[:, None].astype(np.int64)
    calm = np.zeros((1, 1))
    for k, note in enumerate(notes):
        opens = np.where(opening[k] >= 0, opening[k] + later[k], -1)
        notes[k], _ = usable_notes(note, opens, shift[k].reshape(1, 1), spread, k)
        shift[k] = clamp_ice(shift[k].reshape(1, 1), opens, notes[k], calm).ravel()
    silent, nought = np.zeros((len(path.ice), 1), np.float32), np.zeros_like(shift)

    def lay(beta: Floats, pull: Floats | None) -> MemberWater:
        errors = MemberErrors(beta, nought.astype(np.float32), nought, shift)
        return member_water(path, errors, known=known, bank=silent, pull=pull, opening=opening, keep=keep)

    beta = spread.mean.T[:, :, None].astype(np.float32)
    laid, pull = lay(beta, None), np.zeros((len(path.ice), len(lakes), 1), np.float32)
    for k, note in enumerate(notes):
        mine = note
        if len(note.day):
            mine, _ = believable(note, laid.water_c[:, k], str(record.lakes.lake_id[lakes[k]]))
        if len(mine.day):
            said, at = laid.water_c[mine.day, k].reshape(len(mine.day), 1).astype(np.float64), known.at(mine.day, k)
            calm = np.zeros((len(mine.day) + 1, 1))
            weight = reading_weights(mine, said, at, spread=spread, lake=k, deviates=calm)
            beta[:, k] = conditioned_beta(beta[:, k], weight, at, spread, k)
            pull[:, k] = day_pull(weight, mine, spread, k, len(pull))
    laid = lay(beta, pull)
    lay_breakup(laid.ice[:, :, 0, 0], np.where(opening >= 0, opening + shift, -1)[:, 0], later[:, 0])
    return laid
