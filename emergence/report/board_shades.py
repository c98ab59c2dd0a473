"""Shades of the board: one hue, lightness following the chance, with a colour for the number written on it."""

from __future__ import annotations

from itertools import pairwise

from emergence.report.charts import RAMP

STEPS = 20
"""Shades from 0 to 100 %, each 5 % apart."""
DARK_RAMP = ("#221b27", "#47325a", "#765590", "#ad87c4", "#ecdaf5")
"""As ``charts.RAMP`` on a dark page: the surer, the lighter."""
BLACK, WHITE = "#000000", "#ffffff"
Rgb = tuple[float, float, float]


def rgb(colour: str) -> Rgb:
    """Return red, green and blue [0..1] of ``#rrggbb``."""
    red, green, blue = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return red, green, blue


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour [0..1].

    References
    ----------
    W3C (2018) Web Content Accessibility Guidelines 2.1, definition of relative luminance.
    """
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.1)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def shades(ramp: tuple[str, ...]) -> list[str]:
    """Return STEPS + 1 colours evenly along a ramp."""
    stops = [rgb(colour) for colour in ramp]
    parts = list(pairwise(stops))
    out = []
    for k in range(STEPS + 1):
        place = k * len(parts) / STEPS
        low, high = parts[min(int(place), len(parts) - 1)]
        share = place - min(int(place), len(parts) - 1)
        mixed = [a + (b - a) * share for a, b in zip(low, high, strict=True)]
        out.append("#" + "".join(f"{round(255 * c):02x}" for c in mixed))
    return out


def on_shade(colour: str) -> str:
    """Return black or white, whichever is read better on a colour."""
    return max((BLACK, WHITE), key=lambda ink: contrast(ink, colour))


def shade_rules(ramp: tuple[str, ...]) -> str:
    """Return the CSS rules ``.q0`` to ``.q20`` that set ``--q`` (shade) and ``--qt`` (text on it)."""
    return "".join(f".q{k}{{--q:{c};--qt:{on_shade(c)}}}" for k, c in enumerate(shades(ramp)))


def shade_styles() -> str:
    """Return the rules of both ramps, the dark one under its media query."""
    dark = shade_rules(DARK_RAMP)
    return f"{shade_rules(RAMP)}@media screen and (prefers-color-scheme:dark){{{dark}}}"


def step(chance: float) -> int:
    """Return the shade of a chance."""
    return round(min(max(chance, 0.0), 1.0) * STEPS)
