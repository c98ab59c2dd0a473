"""Requirements of the catalogue, fitted again to published dates with the present water model.

Run: ``python -m tests.benchmarks.taxa_fit [TAXON ...]``. A requirement belongs to the water it was fitted with (1 °C of
bias moves that of the spring damselflies by about a fifth), so it is fitted anew when the water model changes. Every
anchor is a published or practised date at a simulated lake (air normals from memory, 24 synthetic springs, the middle
lake: no member draws, gates as in the catalogue; tests/anchors.py). Printed for each anchor: what the catalogue gives,
the median that fits the taxon's anchors best, and what that gives. Only the median is searched; spread, lead and
gates stay. A test holds the catalogue to the fitted medians (tests/test_taxa_published.py).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the tests' helpers

from anchors import ANCHORS, fitted, given

from emergence.taxa.catalogue_io import load_catalogue


def rows(taxa: list[str]) -> Iterator[str]:
    """Yield the table, one line an anchor."""
    yield "| taxon | lake | mark | wanted | catalogue | fitted | source |"
    yield "|---|---|---|---|---|---|---|"
    for key in taxa:
        anchors = [a for a in ANCHORS if a.taxon == key]
        now = load_catalogue()[key].growth.requirement.median.value
        best = fitted(anchors)
        for a in anchors:
            wanted = f"{a.day:.0f} ± {a.sd:.0f}"
            yield (
                f"| {key} | {a.climate} | {a.mark} | {wanted} | {given(a):.0f} at {now:.0f} | "
                f"{given(a, best):.0f} at {best:.0f} | {a.source} |"
            )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    known = list(dict.fromkeys(a.taxon for a in ANCHORS))
    parser.add_argument("taxa", nargs="*", choices=[*known, []], help="default: all with an anchor")
    args = parser.parse_args()
    for line in rows(args.taxa or known):
        print(line)


if __name__ == "__main__":
    main()
