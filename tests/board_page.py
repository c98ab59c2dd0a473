"""Boards of the made-up run for tests, with names that try to break a page; and a reader of what a page says."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pandas as pd
from run_result import AS_OF, make_result

from emergence.report.board_rows import Since
from emergence.report.history import changes, with_causes
from emergence.runs.results import LakePages, NoteEffect, RunResult

SCRIPT = "<script>alert(1)</script>"
HOSTILE = (
    SCRIPT,
    "</script><img src=x onerror=alert(2)>",
    "בריכת החסידה",
    'Otter "Pool" & <b>Sons</b>',
    "🦆 Ducks' Mere",
    "n" * 300,
)
VOID = frozenset(("meta", "link", "br", "input", "img", "hr"))


def board_result(names: tuple[str, ...] = HOSTILE) -> RunResult:
    """Return a run over lakes of which the last may not be shown to guests, with a note's effect."""
    result = make_result(names)
    lakes = result.info.lakes.assign(
        share=["yes"] * (len(names) - 1) + ["no"],
        latitude=54.0 + 0.1 * np.arange(len(names)),
        longitude=-3.0 + 0.05 * np.arange(len(names)),
        region=["coast", "fells & <i>dales</i>"][: len(names)] + ["fells & <i>dales</i>"] * (len(names) - 2),
    )
    effect = NoteEffect(
        "L0", "bluets", "migration", 2023, "water", 1, "9.5 °C", dt.date(2023, 5, 20),
        dt.date(2023, 6, 9), dt.date(2023, 6, 6), 17, 12,
    )  # fmt: skip
    return replace(result, info=replace(result.info, lakes=lakes, note_effects=(effect,)))


def board_pages(result: RunResult) -> LakePages:
    """Return made-up notes, heat and stages of every lake."""
    weeks = pd.date_range("2023-01-01", "2023-12-31", freq="7D")
    grown = np.clip(np.arange(len(weeks)) - 15, 0, None) * 25.0
    heat, needs, stages = [], [], []
    for lake in result.info.lakes["lake_id"]:
        for taxon in result.info.taxa:
            keys = {"lake_id": lake, "taxon": taxon, "season": 2023}
            heat.append(pd.DataFrame(keys | {"date": weeks, "gathered": grown, "normal": 0.9 * grown}))
            needs.append(keys | {"lower_c": 8.0, "low": 120.0, "middle": 180.0, "high": 300.0})
            gone = np.clip(grown / 400, 0, 1)
            shares = {"young": (1 - gone) * 0.6, "mature": (1 - gone) * 0.3, "moving": (1 - gone) * 0.1, "adult": gone}
            stages.append(pd.DataFrame(keys | {"date": weeks} | shares))
    first = str(result.info.lakes["lake_id"].iloc[0])
    return LakePages(
        readings=pd.DataFrame({"lake_id": [first], "date": [pd.Timestamp("2023-05-20")], "water_c": [9.5]}),
        ice=pd.DataFrame({"lake_id": [first], "date": [pd.Timestamp("2023-04-02")], "event": ["off"]}),
        sightings=pd.DataFrame(
            {
                "lake_id": [first],
                "date": [pd.Timestamp("2023-05-21")],
                "taxon": "bluets",
                "stage": "empty_skin",
                "level": "few",
            }
        ),
        heat=pd.concat(heat, ignore_index=True),
        needs=pd.DataFrame(needs),
        stages=pd.concat(stages, ignore_index=True),
    )


def since_a_week(result: RunResult) -> Since:
    """Return what moved since a run a week before, all of whose dates were three days later."""
    before = AS_OF - dt.timedelta(days=7)
    earlier = make_result([str(n) for n in result.info.lakes["name"]], later=3.0, as_of=before)
    record = {"as_of": before.isoformat(), "last_weather_day": before.isoformat(), "inputs": {}}
    moved = with_causes(changes(result, earlier.windows), result.info, record)
    return Since(moved, before, "Changed since the forecast as of 21 May 2023: weather only.")


@dataclass
class Page(HTMLParser):
    """What a page holds: start tags with attributes, text outside style and script, and those elements' own text."""

    html: str
    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    scripts: list[str] = field(default_factory=list)
    styles: list[str] = field(default_factory=list)
    shown: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[tuple[str, bool]] = []
        self.feed(self.html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.tags.append((tag, values))
        if tag not in VOID and tag not in ("path", "rect"):
            self._open.append((tag, "hidden" in values))

    def handle_endtag(self, tag: str) -> None:
        while self._open:
            if self._open.pop()[0] == tag:
                return

    def handle_data(self, data: str) -> None:
        inside = self._open[-1][0] if self._open else ""
        if inside == "script":
            self.scripts.append(data)
        elif inside == "style":
            self.styles.append(data)
        elif not any(hidden for _, hidden in self._open):
            self.shown.append(data)

    @property
    def text(self) -> str:
        """Return what is read without scripts: text of elements that are not hidden, blanks as one space."""
        return " ".join(" ".join(self.shown).replace("\u00a0", " ").split())

    @property
    def data(self) -> dict[str, Any]:
        """Return the numbers of the page."""
        return dict(json.loads(self.scripts[0]))
