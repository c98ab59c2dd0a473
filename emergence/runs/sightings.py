"""From the season's sightings to what a block of lakes is told of each taxon, and who lives where after them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan
from emergence.forecast.evidence import PRIOR_UNSURE, Sighted, presence_chance
from emergence.forecast.weighing import Told, Weighed
from emergence.records import LEVELS, STAGES, Sightings
from emergence.runs.assumptions import some
from emergence.runs.plan import RunPlan
from emergence.runs.populations import known_needs, past_presence
from emergence.runs.tables import Placed
from emergence.taxa.model import Taxon
from emergence.taxa.names import find_taxon

Ints = NDArray[np.int64]
Words = NDArray[np.object_]

MOST_NOTES = 60  # of one taxon on one lake in a season; more are thinned evenly
LIVES_FROM, ABSENT_TO = 0.9, 0.05
"""From and to this chance "unsure" becomes yes or no; our prior: two sightings, or looks in vain on five or six days in
season. The closed form for looks alone is P = p (1 - d)^n / (1 - p + p (1 - d)^n), d the chance to find it on a day
(Wintle et al. 2012 Diversity and Distributions 18:417, from memory)."""


def taxon_ids(words: Words, taxa: Mapping[str, Taxon]) -> Words:
    """Return the id of each word, "" where it names none of the taxa."""
    known = {word: find_taxon(word, taxa) or "" for word in set(words.tolist())}
    return np.array([known[word] for word in words.tolist()], dtype=object)


def sighted(notes: Sightings, first_day: int) -> Sighted:
    """Return one lake's notes of one taxon as day indices, in an order that does not depend on the file's."""
    stage = np.array([STAGES.index(s) for s in notes.stage], dtype=np.int64)
    level = np.array([LEVELS.index(s) for s in notes.level], dtype=np.int64)
    order = np.lexsort((np.nan_to_num(notes.minutes, nan=-1.0), level, stage, notes.day))
    if len(order) > MOST_NOTES:
        order = order[np.linspace(0, len(order) - 1, MOST_NOTES).round().astype(np.int64)]
    return Sighted(notes.day[order] - first_day, stage[order], level[order], notes.minutes[order])


def season_sightings(plan: RunPlan, span: SeasonSpan, lakes: Ints) -> dict[str, dict[int, Sighted]]:
    """Return each taxon's notes of the season up to the issue date, by index in ``lakes``.

    Notes about insects that the user says do not live there, or that are not run, are passed over.
    """
    notes = plan.season.sightings
    notes = notes.take((notes.day >= span.start) & (notes.day <= min(plan.as_of, span.end)))
    if not len(notes):
        return {}
    taxon, found = taxon_ids(notes.taxon, plan.taxa), dict[str, dict[int, Sighted]]()
    for column, key in enumerate(plan.taxa):
        about = notes.take(taxon == key)
        seen = set(about.lake_id.tolist())
        for k, lake in enumerate(lakes.tolist()):
            lake_id = plan.lakes.lake_id[lake]
            if lake_id in seen and plan.residence[lake, column] != "no":
                found.setdefault(key, {})[k] = sighted(about.take(about.lake_id == lake_id), span.sim_start)
    return found


def block_told(plan: RunPlan, span: SeasonSpan, lakes: Ints) -> dict[str, Told]:
    """Return what past seasons and this one's sightings say of each taxon in some lakes of the plan."""
    now = season_sightings(plan, span, lakes)
    known = known_needs(plan.learned, plan.lakes.take(lakes), plan.taxa)
    told = {}
    for column, key in enumerate(plan.taxa):
        if key in now or key in known:
            mine = {k: v for k, v in now.get(key, {}).items() if plan.residence[lakes[k], column] == "unsure"}
            past = {k: past_presence(plan.learned, str(plan.lakes.lake_id[lakes[k]]), key) for k in mine}
            never = {k: ratio for k, (ratio, seen) in past.items() if not seen and not mine[k].seen}
            unsure = {k: presence_chance(PRIOR_UNSURE, ratio) for k, ratio in never.items()}
            told[key] = Told(known.get(key), now.get(key, {}), unsure)
    return told


def residence_after(plan: RunPlan, lakes: Ints, weighed: Sequence[Weighed]) -> Words:
    """Return yes, unsure or no after all sightings, (lakes, taxa): the user's word stands, "unsure" may be settled.

    ``weighed`` holds this season's notes by index in ``lakes``; past seasons' count where they were learned.
    """
    table, column = plan.residence[lakes].copy(), {key: k for k, key in enumerate(plan.taxa)}
    for place, key in np.argwhere(table == "unsure").tolist():
        taxon = tuple(plan.taxa)[key]
        ratio, seen = past_presence(plan.learned, str(plan.lakes.lake_id[lakes[place]]), taxon)
        for note in weighed:
            if note.lake == place and column[note.taxon] == key:
                ratio, seen = ratio + note.log_ratio, seen + note.seen
        table[place, key] = settled(presence_chance(PRIOR_UNSURE, ratio), seen)
    return table


def settled(chance: float, seen: int) -> str:
    """Return yes, no or unsure: absent only where nobody ever saw any in repeated looks at the right time."""
    if seen:
        return "yes" if chance >= LIVES_FROM else "unsure"
    return "no" if chance <= ABSENT_TO else "unsure"


def settled_insects(plan: RunPlan, placed: Sequence[Placed]) -> Iterator[tuple[str, str]]:
    """Yield who was settled to live where (yes) or not (no) by sightings, as (yes|no, insect on lake)."""
    for part in {tuple(p.place.tolist()): p for p in placed}.values():
        before = plan.residence[part.place]
        for k, column in np.argwhere((before == "unsure") & (part.residence != "unsure")).tolist():
            taxon = plan.taxa[part.taxa[column]]
            yield part.residence[k, column], f"{taxon.name} on {plan.lakes.lake_id[part.place[k]]}"


def settled_words(settled: Sequence[tuple[str, str]]) -> list[str]:
    """Return what sightings settled about who lives where (`settled_insects`), in sentences."""
    words = {
        "yes": "Taken to live there because seen",
        "no": f"Taken as absent (looked for in season on several days, never seen: chance under "
        f"{100 * ABSENT_TO:.0f} %; a line in residents.csv overrules it)",
    }
    found = {key: [name for said, name in settled if said == key] for key in words}
    return [f"{words[key]}: {some(names)}." for key, names in found.items() if names]
