"""Which taxa live in which lakes: the user's word, else the habitat rule."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from emergence.records import Lakes, Residents, Words
from emergence.taxa.model import Taxon
from emergence.taxa.names import find_taxon


def residence_by_habitat(taxon: Taxon, lakes: Lakes) -> Words:
    """Return what the habitat rule says of each lake: ``"no"`` outside a bound, else ``"unsure"``.

    Parameters
    ----------
    taxon
        Its habitat bounds mean depth, area, elevation and absolute latitude; a value on the bound is inside.
    lakes
        A blank value never excludes.

    Returns
    -------
    Words
        Shape (lakes,).
    """
    rule = taxon.habitat
    latitude = np.abs(lakes.latitude)
    least = (
        (rule.min_depth_m, lakes.mean_depth_m),
        (rule.min_area_ha, lakes.area_ha),
        (rule.min_latitude, latitude),
    )
    largest = (
        (rule.max_depth_m, lakes.mean_depth_m),
        (rule.max_area_ha, lakes.area_ha),
        (rule.max_elevation_m, lakes.elevation_m),
        (rule.max_latitude, latitude),
    )
    outside = np.zeros(len(lakes), dtype=bool)
    for bound, column in least:
        if bound is not None:
            outside |= column < bound.value
    for bound, column in largest:
        if bound is not None:
            outside |= column > bound.value
    if rule.needs_stems:
        outside |= lakes.stems == "none"
    return np.where(outside, "no", "unsure").astype(object)


def residence(taxa: Mapping[str, Taxon], lakes: Lakes, residents: Residents) -> Words:
    """Return yes, unsure or no for every lake and taxon; what residents.csv says wins over the habitat rule.

    Parameters
    ----------
    taxa
        The taxa to be run, by id, in the order of the columns.
    lakes
        The lakes, in the order of the rows.
    residents
        May name taxa by id, name or trade name; rows about other lakes or taxa are passed over, a later row
        wins.

    Returns
    -------
    Words
        Shape (lakes, taxa).
    """
    columns = [residence_by_habitat(taxon, lakes) for taxon in taxa.values()]
    table = np.stack(columns, axis=1) if columns else np.empty((len(lakes), 0), dtype=object)
    row_of = {lake_id: row for row, lake_id in enumerate(lakes.lake_id)}
    column_of = {key: column for column, key in enumerate(taxa)}
    known = {word: find_taxon(word, taxa) for word in set(residents.taxon)}
    for lake_id, word, said in zip(residents.lake_id, residents.taxon, residents.residence, strict=True):
        key = known[word]
        if lake_id in row_of and key is not None:
            table[row_of[lake_id], column_of[key]] = said
    return table
