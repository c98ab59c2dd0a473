"""Kill an update of the weather at 50 random moments; see `tests.weather_kills`.

python -m tests.benchmarks.weather_kills [--count 50] [--days 2600] [--seed 1]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.weather_kills import kill_updates


def run() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--days", type=int, default=2600, help="more than six years: stations are saved half-way too")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        kills = kill_updates(Path(home), asked.count, days=asked.days, seed=asked.seed)
    print(f"{kills.killed} updates killed, {kills.ended} ended before the kill, {len(kills.wrong)} things wrong")
    for words in kills.wrong:
        print(f"  {words}")
    return 1 if kills.wrong else 0


if __name__ == "__main__":
    sys.exit(run())
