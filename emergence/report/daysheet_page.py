"""The day sheet as one page to print: no script, nothing from outside, every name escaped."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources

from jinja2 import DictLoader, Environment, StrictUndefined

from emergence.angling.sheet import DaySheet
from emergence.report.daysheet_words import STARRED, sheet_words
from emergence.report.words import MAY_LIVE_HERE, percent


def sheet_page(sheet: DaySheet, *, sink_cm_s: float | None = None) -> str:
    """Return a sheet as the text of one HTML file; see ``daysheet_words.sheet_words``."""
    style = _part("sheet.css")
    page = _templates().get_template("page.html")
    words = sheet_words(sheet, sink_cm_s=sink_cm_s)
    return page.render(w=words, style=style, policy=policy(style), starred=STARRED, may=MAY_LIVE_HERE)


def policy(style: str) -> str:
    """Return the content security policy: our own style by its hash, nothing else (W3C Content Security Policy 3)."""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"


def bars(shares: tuple[float, ...]) -> list[tuple[str, str]]:
    """Return begin and width of each share on a bar of 100."""
    found, begin = [], 0.0
    for share in shares:
        found.append((f"{begin:.1f}", f"{100 * share:.1f}"))
        begin += 100 * share
    return found


def _turned(table: tuple[tuple[str, ...], ...]) -> list[tuple[str, ...]]:
    return list(zip(*table, strict=True))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _whole(share: float) -> str:
    return percent(share).removesuffix(" %")


@cache
def _part(name: str) -> str:
    text = resources.files("emergence.report").joinpath("daysheet_parts", name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


@cache
def _templates() -> Environment:
    templates = Environment(
        loader=DictLoader({"page.html": _part("page.html")}),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    templates.filters.update(bars=bars, percent=percent, capital=_capital, turned=_turned, whole=_whole)
    return templates
