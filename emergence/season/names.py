"""Names a user may have meant."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from functools import cache, cached_property

from emergence.season.intake import shorten, shown_name

_LEAST = 3
_MANY = 2000
_MOST_SUGGESTIONS = 50


@cache
def did_you_mean(value: str, options: tuple[str, ...]) -> str:
    """Return ``"Did you mean 'x'? "`` for the nearest option, or an empty string if none is near."""
    folded = {option.casefold(): option for option in reversed(options)}
    key = value.casefold()
    near = [key] if key in folded else get_close_matches(key, list(folded), n=1, cutoff=0.6)
    if not near and len(key) >= _LEAST:
        near = [o for o in folded if o.startswith(key) or (len(o) >= _LEAST and key.startswith(o))]
    return f"Did you mean '{folded[near[0]]}'? " if near else ""


class Names:
    """The ids one file defines and others refer to.

    Parameters
    ----------
    ids
        The ids.
    labels
        What people call them: label to id, used for suggestions only.
    """

    def __init__(self, ids: Iterable[str], labels: Mapping[str, str] | None = None) -> None:
        self.ids = frozenset(ids)
        self._labels = labels or {}
        self._known: dict[str, str] = {}

    @cached_property
    def _by_fold(self) -> dict[str, str]:
        folded = {key.casefold(): name for key, name in self._labels.items()}
        return folded | {name.casefold(): name for name in sorted(self.ids, reverse=True)}

    def __contains__(self, name: object) -> bool:
        return name in self.ids

    def suggestion(self, value: str) -> str:
        """Return ``"Did you mean 'x'? "`` or an empty string; searches at most 50 values, then gives none."""
        if value not in self._known:
            if len(self._known) >= _MOST_SUGGESTIONS:
                return ""
            self._known[value] = self._search(value.casefold())
        return self._known[value]

    def _search(self, key: str) -> str:
        options = list(self._by_fold)
        if len(options) > _MANY:
            options = [option for option in options if option[:2] == key[:2]][:_MANY]
        near = [key] if key in self._by_fold else get_close_matches(key, options, n=1, cutoff=0.6)
        return f"Did you mean '{shorten(shown_name(self._by_fold[near[0]]))}'? " if near else ""
