"""What past seasons' notes teach about each lake, and the file that keeps it (``learned.json``)."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER, day_number, season_span, season_year, to_date
from emergence.errors import EmergenceError
from emergence.learning.population import YEAR_LN_SD, NeedFit
from emergence.learning.suspicious import Doubted, suspicious_readings
from emergence.learning.water import IceFit, LakeFit, far_dates, fit_ice, fit_lake
from emergence.learning.widening import LEAST_FACTOR, MOST_FACTOR, NO_WIDENING, Widening, fit_widening, together
from emergence.records import Lakes, Readings, Season
from emergence.runs.checked import checked_season, note_rules
from emergence.runs.hindsight import hindsight, own_dates, with_widening
from emergence.runs.past_water import past_water
from emergence.runs.populations import learn_needs
from emergence.runs.record import Record, simulate_record, spring_openings
from emergence.runs.taught import Learned, lake_prior, with_learned
from emergence.season.intake import shorten, shown_name
from emergence.water.coefficients import load_coefficients
from emergence.water.conditioning import surface_readings
from emergence.water.features import FEATURES

FORMAT = 1
FILE = "learned.json"
MOST_PRIORS = 10.0  # prior standard deviations beyond which no fit can lead, half of it for its own; our prior
MOST_SHIFT_D = 100.0  # likewise for ice-off [d]
MOST_DEVIATE, MOST_LOG_RATIO = 4.0, 1e5  # of requirements: the grid's end
PLACE = ("latitude", "longitude", "elevation_m")
PRIOR_BEFORE = (1.0, 0.5, 0.5, 0.2, 0.2, 0.2, 0.2, 0.6)  # of fits written without their prior (version 0.1)
ICE_PRIOR_BEFORE = 6.0
MEASURED_SHARE, MEASURED_DAYS = 0.8, 20  # of the air before a reading; our prior
Ints = NDArray[np.int64]


def by_hemisphere(lakes: Lakes) -> list[Lakes]:
    """Return the lakes north and south of the equator, without empty groups."""
    groups = [lakes.take(lakes.southern == side) for side in (False, True)]
    return [g for g in groups if len(g)]


def with_teachers(season: Season, wanted: Lakes, before: int) -> Lakes:
    """Return the wanted lakes and those with notes before a day, in the season's order: neighbours teach them."""
    noted = {str(i) for notes in (season.readings, season.ice) for i in notes.lake_id[notes.day < before]}
    asked = {str(i) for i in wanted.lake_id}
    return season.lakes.take(np.isin(season.lakes.lake_id.astype(str), sorted(asked | noted)))


def learn_lakes(season: Season, record: Record, *, before: int) -> Learned:
    """Fit every lake of a record with notes from before a day.

    Parameters
    ----------
    season
        Supplies readings and ice dates.
    record
        The simulated record of lakes of one hemisphere.
    before
        Day number; notes of that day and later are not looked at.
    """
    readings = surface_readings(season.readings, int(record.days[0]), min(before - 1, int(record.days[-1])))
    phi = record.spread.phi()
    priors = lake_prior(record.spread)
    fits: dict[str, LakeFit] = {}
    doubted: list[Doubted] = []
    vouched, ruled_out, _ = note_rules(season.overrules, readings.lake_id, readings.day)
    readings, vouched = readings.take(~ruled_out), vouched[~ruled_out]
    for k, lake_id in enumerate(str(i) for i in record.lakes.lake_id):
        here = readings.lake_id == lake_id
        mine = readings.take(here)
        usable, mistrusted = _believed(record, k, mine, vouched[here])
        doubted += mistrusted
        if not usable.any():
            continue
        index = mine.day[usable] - record.first_day
        fits[lake_id] = fit_lake(
            record.known.at(index, k),
            np.array([season_year(int(d), bool(record.lakes.southern[k])) for d in mine.day[usable]]),
            mine.day[usable],
            mine.water_c[usable] - record.path.water_c[index, k, 0].astype(np.float64),
            prior=priors[k],
            day_c=float(record.spread.day_c[k]),
            phi=float(phi[k]),
        )
    ice_fits, mistrusted = _learn_ice(season, record, before)
    doubted += mistrusted
    return Learned(before, fits, ice_fits, _places(record.lakes, {*fits, *ice_fits}), tuple(doubted))


def _places(at: Lakes, wanted: set[str]) -> dict[str, tuple[float, float, float]]:
    return {
        str(i): (float(at.latitude[k]), float(at.longitude[k]), float(at.elevation_m[k]))
        for k, i in enumerate(at.lake_id)
        if str(i) in wanted
    }


def learn_populations(season: Season, record: Record, learned: Learned) -> Learned:
    """Return the fits with those of the populations added: sightings from before the same day, in each season's water.

    Parameters
    ----------
    season
        Supplies sightings, residents and own taxa.
    record
        The simulated record of lakes of one hemisphere.
    learned
        Their water and ice (`learn_lakes`).
    """
    if not (season.sightings.day < learned.before).any():
        return learned
    water, ice = past_water(season, record, with_learned(record.spread, record.lakes, learned), before=learned.before)
    needs = learn_needs(season, record, water, ice, before=learned.before)
    return dataclasses.replace(learned, needs=needs, places=learned.places | _places(record.lakes, set(needs)))


def _believed(
    record: Record, lake: int, mine: Readings, sure: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], list[Doubted]]:
    """Return which of a lake's readings may teach, shape (n,), and those mistrusted; ``sure`` ones never are."""
    limit = load_coefficients()["learning"]["suspicious_c"]
    index = mine.day - record.first_day
    model = record.path.water_c[index, lake, 0].astype(np.float64)
    usable = ~record.path.ice[index, lake, 0] & (_measured_share(record, index, lake) >= MEASURED_SHARE)
    usable &= (mine.day >= record.first[lake]) & (mine.day <= record.last[lake])
    reason = suspicious_readings(mine.day, mine.water_c, model, limit_c=limit)
    reason[sure] = ""
    name = str(record.lakes.lake_id[lake])
    mistrusted = [
        Doubted(name, int(mine.day[i]), float(mine.water_c[i]), float(model[i]), str(reason[i]))
        for i in np.flatnonzero(usable & (reason != ""))
    ]
    return usable & (reason == ""), mistrusted


def _measured_share(record: Record, index: Ints, lake: int) -> NDArray[np.float64]:
    counts = np.concatenate([[0], np.cumsum(record.measured[:, lake])])
    low = np.maximum(index - MEASURED_DAYS, 0)
    return np.asarray((counts[index] - counts[low]) / np.maximum(index - low, 1))


def _learn_ice(season: Season, record: Record, before: int) -> tuple[dict[str, IceFit], list[Doubted]]:
    """Return each lake's own shift of ice-off, and the dates that no lake can have given."""
    openings = spring_openings(record)
    off = season.ice.take((season.ice.event == "off") & (season.ice.day < before))
    vouched, ruled_out, _ = note_rules(season.overrules, off.lake_id, off.day, "ice")
    off, vouched = off.take(~ruled_out), vouched[~ruled_out]
    fits, prior, doubted = {}, record.spread.ice_prior_d(), []
    for k, lake_id in enumerate(str(i) for i in record.lakes.lake_id):
        here, south = off.lake_id == lake_id, bool(record.lakes.southern[k])
        here &= (off.day >= record.first[k] + 120) & (off.day <= record.last[k])
        usual = np.array([_opening(openings, season_year(int(d), south), k) for d in off.day[here]], dtype=np.int64)
        day, usual, sure = (v[usual != NEVER] for v in (off.day[here], usual, vouched[here]))
        far = far_dates(day - usual, sd_d=float(record.spread.ice_sd_d[k])) & ~sure
        for d, u in zip(day[far].tolist(), usual[far].tolist(), strict=True):
            doubted.append(Doubted(lake_id, d, None, float("nan"), "ice_far", u))
        if not far.all():
            year = np.array([season_year(int(d), south) for d in day[~far]], dtype=np.int64)
            fits[lake_id] = fit_ice((day - usual)[~far].astype(float), prior_d=float(prior[k]), season=year)
    return fits, doubted


def _opening(openings: dict[int, Ints], year: int, lake: int) -> int:
    """Return the simulated ice-off of a lake's season [d], NEVER without one."""
    opening = openings.get(year)
    return NEVER if opening is None else int(opening[lake])


def learn_water(season: Season, record: Record, *, before: int) -> Learned:
    """Fit every lake of a record (`learn_lakes`), and how much wider than that its members must be."""
    learned, dates = learn_lakes(season, record, before=before), own_dates(season, record, before)
    said = hindsight(record, learned, lambda year: [key for key, d in dates.items() if year in d])
    return with_widening(learned, said, dates, record)


def learn_season(season: Season, *, before: int | None = None) -> Learned:
    """Fit all lakes; by default from completed seasons only, those that ended before the last day with weather."""
    season = checked_season(season)
    records, waters = [], []
    for lakes in by_hemisphere(season.lakes):
        record = simulate_record(season, lakes)
        south = bool(lakes.southern[0])
        limit = season_span(season_year(int(record.days[-1]), south), south).start if before is None else before
        records.append(record)
        waters.append(learn_water(season, record, before=limit))
    wide = fit_widening(together([w.misses for w in waters if w.misses is not None]))
    waters = [dataclasses.replace(w, widening=wide) for w in waters]
    parts = [learn_populations(season, record, water) for record, water in zip(records, waters, strict=True)]
    return Learned(
        max(p.before for p in parts),
        {k: v for p in parts for k, v in p.lakes.items()},
        {k: v for p in parts for k, v in p.ice.items()},
        {k: v for p in parts for k, v in p.places.items()},
        tuple(d for p in parts for d in p.doubted),
        {k: v for p in parts for k, v in p.needs.items()},
        wide,
    )


def to_json(learned: Learned, checksums: dict[str, str]) -> str:
    """Return the text of ``learned.json``: versioned, rebuildable from the notes, the same bytes for the same fits."""
    lakes: dict[str, dict[str, Any]] = {}
    for lake_id, fit in learned.lakes.items():
        kept = np.round(fit.covariance, 9)  # errors from it as kept: the same text when read and written again
        lakes.setdefault(lake_id, {}).update(
            coefficients=dict(zip(FEATURES, np.round(fit.mean, 6).tolist(), strict=True)),
            standard_errors=dict(zip(FEATURES, np.round(np.sqrt(np.diag(kept)), 6).tolist(), strict=True)),
            covariance=kept.tolist(),
            readings=fit.readings,
            seasons=fit.seasons,
            outliers=fit.outliers,
            prior=np.round(fit.prior, 6).tolist(),
            error_scale=round(fit.scale, 4),
        )
    for lake_id, ice in learned.ice.items():
        lakes.setdefault(lake_id, {})["ice_off"] = {
            "shift_d": round(ice.mean_d, 3),
            "sd_d": round(ice.sd_d, 3),
            "dates": ice.dates,
            "prior_d": ice.prior_d,
        }
    for lake_id, needs in learned.needs.items():
        lakes.setdefault(lake_id, {})["requirements"] = {key: _need_table(fit) for key, fit in needs.items()}
    for lake_id, place in learned.places.items():
        lakes[lake_id]["place"] = dict(zip(PLACE, place, strict=True))
    table = {
        "format": FORMAT,
        "before": to_date(learned.before).isoformat(),
        "model": {"name": "water deviations", **load_coefficients()["features"]},
        "requirements": {"unit": "standard deviates among lakes", "year_ln_sd": YEAR_LN_SD},
        "inputs": checksums,
        "lakes": lakes,
        "widening": _widening_table(learned.widening),
    }
    return json.dumps(table, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def read_learned(folder: Path) -> Learned | None:
    """Return the fits kept in a season folder, None without the file.

    Raises
    ------
    EmergenceError
        When the file is damaged or newer than this version; it can be rebuilt from the notes.
    """
    path = folder / FILE
    if not path.is_file():
        return None
    try:
        table = json.loads(path.read_text(encoding="utf-8"))
        if table["format"] != FORMAT:
            raise ValueError(f"format {table['format']} is not known to this version")
        before = day_number(dt.date.fromisoformat(table["before"]))
        fits = {k: _fit(v) for k, v in table["lakes"].items() if "coefficients" in v}
        ice = {k: _ice(v["ice_off"]) for k, v in table["lakes"].items() if "ice_off" in v}
        needs = {
            k: {t: _need(n) for t, n in v["requirements"].items()}
            for k, v in table["lakes"].items()
            if "requirements" in v
        }
        places = {k: _place(v["place"]) for k, v in table["lakes"].items() if "place" in v}
        widening = _widening(table.get("widening"))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise EmergenceError(
            f"{FILE} cannot be read ({shown_name(shorten(str(error)))}). Delete it and run 'emergence learn' again: it "
            "is made from your notes."
        ) from error
    return Learned(before, fits, ice, places, needs=needs, widening=widening)


def _widening_table(found: Widening) -> dict[str, Any]:
    held = {
        name: None if np.isnan(share) else round(share, 4)
        for name, share in (("held_before", found.held_before), ("held_after", found.held_after))
    }
    counts = {"dates": found.dates, "lakes": found.lakes, "lake_years": found.lake_years}
    return {"factor": round(found.factor, 4), **counts, **held}


def _widening(table: dict[str, Any] | None) -> Widening:
    """Return the widening; files of version 0.1 have none."""
    if table is None:
        return NO_WIDENING
    factor = float(table["factor"])
    counts = [int(table[name]) for name in ("dates", "lakes", "lake_years")]
    held = [np.nan if table[name] is None else float(table[name]) for name in ("held_before", "held_after")]
    shares = all(np.isnan(share) or 0 <= share <= 1 for share in held)
    if not (LEAST_FACTOR <= factor <= MOST_FACTOR and min(counts) >= 0 and shares):
        raise ValueError("the widening of members is impossible")
    return Widening(factor, *counts, *held)


def _need_table(fit: NeedFit) -> dict[str, Any]:
    return {
        "deviate": round(fit.mean, 4),
        "sd": round(fit.sd, 4),
        "notes": fit.notes,
        "seen": fit.seen,
        "seasons": fit.seasons,
        "log_ratio_present": round(fit.log_ratio, 3),
    }


def _need(table: dict[str, Any]) -> NeedFit:
    mean, sd, ratio = (float(table[name]) for name in ("deviate", "sd", "log_ratio_present"))
    if not (abs(mean) <= MOST_DEVIATE and 0 < sd <= MOST_DEVIATE and abs(ratio) < MOST_LOG_RATIO):
        raise ValueError("a requirement is impossible")
    return NeedFit(mean, sd, int(table["notes"]), int(table["seasons"]), ratio, int(table["seen"]))


def _fit(table: dict[str, Any]) -> LakeFit:
    mean = np.array([table["coefficients"][name] for name in FEATURES], dtype=float)
    covariance = np.array(table["covariance"], dtype=float)
    if covariance.shape != (len(FEATURES), len(FEATURES)) or not np.isfinite(covariance).all():
        raise ValueError("a lake's covariance is incomplete")
    prior = np.array(table.get("prior", PRIOR_BEFORE), dtype=float)
    scale = float(table.get("error_scale", 1.0))
    if prior.shape != (len(FEATURES),) or not ((prior > 0) & (prior < MOST_PRIORS)).all() or not 0.1 < scale < 10:
        raise ValueError("a lake's prior is impossible")
    if not ((np.abs(mean) <= MOST_PRIORS * prior) & (np.diag(covariance) <= (MOST_PRIORS / 2 * prior) ** 2)).all():
        raise ValueError("a lake's coefficients are impossible")
    np.linalg.cholesky(covariance)
    return LakeFit(
        mean, covariance, int(table["readings"]), int(table["seasons"]), int(table["outliers"]), prior, scale
    )


def _ice(table: dict[str, Any]) -> IceFit:
    shift, sd = float(table["shift_d"]), float(table["sd_d"])
    if not (abs(shift) <= MOST_SHIFT_D and 0 < sd <= MOST_SHIFT_D):
        raise ValueError("a lake's ice-off shift is impossible")
    prior = float(table.get("prior_d", ICE_PRIOR_BEFORE))
    if not 0 < prior <= MOST_SHIFT_D:
        raise ValueError("a lake's prior of ice-off is impossible")
    return IceFit(shift, sd, int(table["dates"]), prior)


def _place(table: dict[str, Any]) -> tuple[float, float, float]:
    latitude, longitude, height = (float(table[name]) for name in PLACE)
    if not (abs(latitude) <= 90 and abs(longitude) <= 180 and abs(height) < 10_000):
        raise ValueError("a lake's place is impossible")
    return latitude, longitude, height
