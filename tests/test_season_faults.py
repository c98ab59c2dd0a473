"""Files that cannot be opened, and folders damaged at random: a message or a season, never a traceback."""

import gzip
import os
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from season_folder import LAKES, READINGS, TODAY, season_files, weather_low, write_season

from emergence.errors import Problem, SeasonError
from emergence.records import Season
from emergence.season import intake, read_season

PACKED = gzip.compress(weather_low().encode())


def read(folder) -> tuple[Season | None, tuple[Problem, ...]]:
    try:
        season = read_season(folder, today=TODAY)
    except SeasonError as error:
        return None, error.problems
    return season, season.problems


def only_problem(folder, file: str) -> Problem:
    _, problems = read(folder)
    (problem,) = problems
    assert problem.file == file
    return problem


@pytest.mark.parametrize("name", ["none", "none/below", "nul\0byte", "x" * 5000])
def test_a_folder_that_is_not_there(tmp_path, name):
    season, (problem,) = read(tmp_path / name)
    assert season is None and problem.severity == "stop" and "folder" in problem.rule
    assert "no such folder" in problem.rule or "cannot be opened" in problem.rule


def test_a_file_in_place_of_the_folder(tmp_path):
    file = tmp_path / "season"
    file.write_text("x")
    with pytest.raises(SeasonError, match=r"must be a folder but is a file \(found '.*season'\)\. Give the folder"):
        read_season(file, today=TODAY)


@pytest.mark.parametrize(
    ("file", "severity"),
    [("lakes.csv", "stop"), ("season.toml", "stop"), ("ice.csv", "stop"), ("weather/low.csv", "file"),
     ("taxa/coenagrion.toml", "stop")],
)  # fmt: skip
def test_a_folder_in_place_of_a_file(tmp_path, file, severity):
    write_season(tmp_path, {file: None, "ice.csv": None, "readings.csv": None, "sightings.csv": None,
                            "residents.csv": None})  # fmt: skip
    (tmp_path / file).mkdir(parents=True)
    problem = only_problem(tmp_path, file)
    assert problem.severity == severity and "is a folder" in problem.rule and "rename" in problem.remedy


@pytest.mark.parametrize(("sub", "severity"), [("weather", "file"), ("taxa", "stop")])
def test_a_file_in_place_of_a_sub_folder(tmp_path, sub, severity):
    write_season(tmp_path, {name: None for name in season_files() if name.startswith(f"{sub}/")})
    (tmp_path / sub).write_text("x")
    problem = next(p for p in read(tmp_path)[1] if p.file == sub)
    assert problem.severity == severity and "must be a folder" in problem.rule


@pytest.mark.parametrize(
    ("file", "severity"), [("lakes.csv", "stop"), ("readings.csv", "stop"), ("weather/low.csv", "file")]
)
def test_a_file_nobody_may_read(tmp_path, monkeypatch, file, severity):
    real = Path.read_bytes

    def refuse(path: Path) -> bytes:
        if path == tmp_path / file:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    write_season(tmp_path)
    monkeypatch.setattr(Path, "read_bytes", refuse)
    problem = next(p for p in read(tmp_path)[1] if p.file == file)
    assert problem.severity == severity
    assert problem.rule == "the file cannot be opened (Permission denied)" and "you may read it" in problem.remedy


def test_a_sub_folder_nobody_may_list(tmp_path, monkeypatch):
    real = os.scandir

    def refuse(path):
        if Path(path).name == "weather":
            raise PermissionError(13, "Permission denied")
        return real(path)

    write_season(tmp_path)
    monkeypatch.setattr(os, "scandir", refuse)
    problem = next(p for p in read(tmp_path)[1] if p.file == "weather")
    assert problem.severity == "file" and "Permission denied" in problem.rule


def test_a_link_to_nowhere(tmp_path):
    write_season(tmp_path, {"weather/low.csv": None})
    (tmp_path / "weather/low.csv").symlink_to(tmp_path / "gone")
    problem = only_problem(tmp_path, "weather/low.csv")
    assert problem.severity == "file" and "No such file" in problem.rule


def test_a_pipe_in_place_of_a_file_does_not_hang(tmp_path):
    write_season(tmp_path, {"ice.csv": None})
    os.mkfifo(tmp_path / "ice.csv")
    assert "no ordinary file" in only_problem(tmp_path, "ice.csv").rule


@pytest.mark.parametrize(
    ("content", "says"),
    [(PACKED[:-900], "the end is missing"), (PACKED[:400] + b"\xff\xff\xff" + PACKED[403:], "damaged"),
     (PACKED + b"tail", "damaged"), (weather_low().encode(), "not gzip-compressed"), (b"", "empty"),
     (gzip.compress(b""), "empty"), (gzip.compress(b"\xff\xfe\x00"), "UTF-16")],
)  # fmt: skip
def test_broken_compression(tmp_path, content, says):
    write_season(tmp_path, {"weather/low.csv": None, "weather/low.csv.gz": content})
    problem = only_problem(tmp_path, "weather/low.csv.gz")
    assert problem.severity == "file" and says in problem.rule and problem.remedy


def test_several_compressed_parts_are_one_file(tmp_path):
    text = weather_low().encode()
    parts = gzip.compress(text[:500]) + gzip.compress(text[500:])
    write_season(tmp_path, {"weather/low.csv": None, "weather/low.csv.gz": parts})
    season, problems = read(tmp_path)
    assert season is not None and problems == () and len(season.weather["low"].tmin_c) == 731


@pytest.mark.parametrize("name", ["lakes.csv", "lakes.csv.gz"])
def test_a_file_of_huge_size_is_refused(tmp_path, monkeypatch, name):
    content = LAKES.encode() if name == "lakes.csv" else gzip.compress(LAKES.encode() + b"\n" * 5000)
    changes = dict.fromkeys(season_files()) | {name: content}
    write_season(tmp_path, changes)
    monkeypatch.setattr(intake, "MAX_BYTES", 200)
    problem = next(p for p in read(tmp_path)[1] if p.file == name)
    assert problem.severity == "stop" and "than 1 GiB" in problem.rule


@pytest.mark.parametrize(("stem", "severity"), [("lakes", "stop"), ("readings", "stop"), ("weather/low", "file")])
def test_plain_and_compressed_together(tmp_path, stem, severity):
    write_season(tmp_path, {f"{stem}.csv.gz": gzip.compress(season_files()[f"{stem}.csv"].encode())})
    problem = only_problem(tmp_path, f"{stem}.csv")
    assert problem.severity == severity and "only one may be" in problem.rule and "Remove" in problem.remedy


@pytest.mark.parametrize("name", ["reading.csv", "Readings.csv", "READINGS.CSV", "readngs.csv.gz"])
def test_a_misspelt_file_is_noted(tmp_path, name):
    write_season(tmp_path, {"readings.csv": None, name: READINGS})
    problem = only_problem(tmp_path, name)
    assert problem.severity == "note" and problem.remedy == "If readings.csv is meant, rename it."


def test_a_misspelt_lakes_file_is_named(tmp_path):
    write_season(tmp_path, {"lakes.csv": None, "Lakes.csv": LAKES})
    problem = next(p for p in read(tmp_path)[1] if p.severity == "stop")
    assert problem.file == "lakes.csv" and problem.remedy == "Rename Lakes.csv to lakes.csv."


def test_names_that_are_no_text_can_be_shown(tmp_path):
    write_season(tmp_path)
    Path(os.fsdecode(os.fsencode(tmp_path / "weather") + b"/l\xe9\x1bw.csv")).write_text("x")
    _, (problem,) = read(tmp_path)
    assert problem.severity == "note" and problem.sentence().isprintable()
    assert problem.file == r"weather/l\udce9\x1bw.csv"


TOKENS = st.sampled_from(
    ["", "-9999", "1e400", "inf", "NA", "x", "-", ",", ",,", '"', '""', "\n", "\r", "\0", ";", "2024-13-01",
     "0000-00-00", "9999-12-31", "2024-02-30", "é", "٣", "\u2028", "=1+1", "\ufeff", "[x]", "a = 1", "../x", "1_0",
     "\x85", " "]
)  # fmt: skip
RAW = st.binary(min_size=1, max_size=6)
PLACE = st.floats(0, 1, exclude_max=True)
FILES = sorted(season_files())


def damaged(raw: bytes, how: str, at: float, to: float, new: bytes) -> bytes | None:
    i, j = sorted((int(at * len(raw)), int(to * len(raw))))
    if how == "insert":
        return raw[:i] + new + raw[i:]
    if how == "cut":
        return raw[:i] + raw[min(j, i + 40) :]
    if how == "truncate":
        return raw[:i]
    if how == "gone":
        return None
    lines = raw.split(b"\n")
    i, j = int(at * len(lines)), int(to * len(lines))
    if how == "swap lines":
        lines[i], lines[j] = lines[j], lines[i]
    elif how == "double line":
        lines.insert(j, lines[i])
    else:
        cells = lines[i].split(b",")
        cells[int(to * len(cells))] = new
        lines[i] = b",".join(cells)
    return b"\n".join(lines)


DAMAGE = st.tuples(
    st.sampled_from(FILES),
    st.sampled_from(["insert", "cut", "truncate", "gone", "swap lines", "double line", "cell", "cell", "cell"]),
    PLACE,
    PLACE,
    TOKENS.map(str.encode) | RAW,
)


@given(st.lists(DAMAGE, min_size=1, max_size=4))
def test_damaged_folders_give_a_season_or_a_message(damages):
    files: dict[str, str | bytes | None] = {name: text.encode() for name, text in season_files().items()}
    for name, how, at, to, new in damages:
        raw = files[name]
        if isinstance(raw, bytes):
            files[name] = damaged(raw, how, at, to, new)
    with tempfile.TemporaryDirectory() as folder:
        season, problems = read(write_season(Path(folder), files))
    for problem in problems:
        assert problem.sentence().encode() and problem.rule and problem.remedy and problem.row >= 0
        assert problem.file in {*FILES, "."}
    if season is None:
        assert any(p.severity == "stop" for p in problems)
        return
    assert len(season.lakes) and not any(p.severity == "stop" for p in problems)
    known = set(season.lakes.lake_id)
    for table in (season.readings, season.ice, season.sightings, season.residents):
        assert known.issuperset(table.lake_id)
    for series in season.weather.values():
        assert series.last_day <= TODAY and len(series.tmin_c) == len(series.tmax_c) == len(series.tmean_c)
        assert not (series.tmin_c > series.tmax_c).any()
