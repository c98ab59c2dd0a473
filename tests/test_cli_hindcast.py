"""``emergence hindcast``: what it prints and writes, and what it refuses."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from emergence.cli.main import main
from emergence.report.score_chart import score_files
from emergence.report.score_words import read_hindcast_json
from emergence.report.tables import columns
from tests.hindcast_season import write_hindcast_season

ASK = ["--years", "2006-2007", "--leads", "4w,0w", "--lake", "tarn"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_hindcast_season(tmp_path_factory.mktemp("season"))


def _run(*words: object) -> Result:
    return CliRunner().invoke(main, ["hindcast", *map(str, words)], catch_exceptions=False)


@pytest.fixture(scope="module")
def ran(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    out = tmp_path_factory.mktemp("out")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(out)
        return _run(folder, *ASK, "--out", out / "hindcast.csv", "--picture", out, "--keep"), out


def test_table_in_plain_words(ran: tuple[Result, Path]) -> None:
    result, _ = ran
    assert result.exit_code == 0, result.stderr
    assert "Four weeks ahead our date was off by" in result.stdout
    assert "in the middle case; the calendar by" in result.stdout
    assert "leave one year out" in result.stdout
    assert "\ntarn\n" in result.stdout
    assert "\ncaenis, leaving the water\n" in result.stdout
    assert "\nthe lake model alone, in whose water" in result.stdout
    assert "CHANCES that it has come by then" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 90


def test_csv_has_the_columns_of_the_schema_and_dates_in_order(ran: tuple[Result, Path]) -> None:
    table = pd.read_csv(ran[1] / "hindcast.csv")
    assert tuple(table.columns) == columns("hindcast")
    thermal = table["event"] == "thermal"
    assert thermal.sum() == 2 * 2 * 7  # seasons, leads, milestones
    assert table[~thermal][["taxon", "event", "truth_kind"]].drop_duplicates().values.tolist() == [
        ["caenis", "emergence", "sightings"]
    ]
    assert (~thermal).sum() == 2 * 2
    for a, b in (("p05", "p10"), ("p10", "p50"), ("p50", "p90"), ("p90", "p95")):
        assert (table[a] <= table[b]).all()
    assert set(table["season"]) == {2006, 2007}
    assert (table["issue_date"].str[:4].astype(int) == table["season"]).all()
    assert (table["known_years"] == "other").all()
    assert (table["truth_from"] == table["truth_to"])[thermal].all()
    assert (table["truth_from"] < table["truth_to"])[~thermal].all()


def test_picture(ran: tuple[Result, Path]) -> None:
    assert (ran[1] / "hindcast.png").read_bytes()[:4] == b"\x89PNG"
    assert "How much better than the usual date" in (ran[1] / "hindcast.svg").read_text(encoding="utf-8")


def path_points(svg: str) -> list[float]:
    """Return the coordinates of the lines drawn."""
    lines = re.findall(r'<path aria-hidden="true" d="(M[^"]+)"|<path d="(M[^"]+)"', svg)
    return [float(v) for line in lines for v in re.findall(r"-?\d+(?:\.\d+)?", line[0] or line[1])]


def test_kept_scores_give_the_same_picture_again(ran: tuple[Result, Path]) -> None:
    """What is kept beside the runs draws the picture of ``--picture``: its words, points to a pixel (4 decimals)."""
    home = next((ran[1] / "reports").iterdir())
    assert (home / "hindcast.csv").read_bytes() == (ran[1] / "hindcast.csv").read_bytes()
    drawn = score_files(read_hindcast_json(home / "hindcast.json"))
    svgs = [str(drawn["hindcast.svg"]), (ran[1] / "hindcast.svg").read_text(encoding="utf-8")]
    (words, points), (own_words, own_points) = ((re.findall(">([^<>]+)<", s), path_points(s)) for s in svgs)
    assert words == own_words and len(words) > 40
    assert len(own_points) > 20
    np.testing.assert_allclose(points, own_points, atol=0.5)
    broken = home / "broken.json"
    for text, said in (("{}", "lacks 'table'"), ('{"table": "hindcast", "format": 99}', "format known here")):
        broken.write_text(text, encoding="utf-8")
        with pytest.raises(ValueError, match=said):
            read_hindcast_json(broken)


def test_a_narrow_question_is_kept_only_where_it_is_asked(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert _run(folder, "--years", "2007", "--leads", "0w", "--lake", "tarn").exit_code == 0
    assert not (tmp_path / "reports").exists()


def test_same_command_same_bytes_and_the_rest_of_the_last_season_cannot_matter(
    folder: Path, ran: tuple[Result, Path], tmp_path: Path
) -> None:
    """Absurd weather after the last season's readings is nobody's past: with --past-only no byte changes."""
    ask = ["--years", "2007", "--leads", "0w", "--lake", "tarn", "--past-only", "--out", "-"]
    honest = _run(folder, *ask)
    assert honest.stdout == _run(folder, *ask).stdout
    assert "past" in honest.stdout.splitlines()[1].split(",")
    other = write_hindcast_season(tmp_path / "other")
    lines = (other / "weather" / "town.csv").read_text(encoding="utf-8").splitlines()
    mad = [f"{line[:10]},45.0" if line > "2007-09-01" and line[0] == "2" else line for line in lines]
    assert mad != lines
    (other / "weather" / "town.csv").write_text("\n".join(mad) + "\n", encoding="utf-8")
    assert _run(other, *ask).stdout == honest.stdout


def test_json_twin(folder: Path) -> None:
    result = _run(folder, "--years", "2006", "--leads", "10d", "--lake", "tarn", "--readings", "0", "--json")
    table = json.loads(result.stdout)
    assert table["table"] == "hindcast"
    assert tuple(table["hindcast"][0]) == columns("hindcast")
    assert {row["readings"] for row in table["hindcast"]} == {0}
    assert [row["taxon"] for row in table["insects"]] == ["caenis"]
    assert table["leads"][0]["lead_days"] == 10
    assert table["notes_used"] == "none of its notes"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--years", "2010-2001"], "2001-2010"),
        (["--leads", "soon"], "6w,10d"),
        (["--leads", "40w"], "26w at most"),
        (["--readings", "9"], "0<=x<=3"),
        (["--lake", "loch"], "no lake_id"),
    ],
)
def test_wrong_use(folder: Path, words: list[str], said: str) -> None:
    result = _run(folder, *words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_a_lake_without_readings_is_told(folder: Path) -> None:
    result = _run(folder, "--lake", "mere")
    assert result.exit_code == 1
    assert "Nothing to score" in result.stderr
    assert "--least-years" in result.stderr
