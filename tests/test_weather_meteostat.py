"""The real client against a server on this machine: what it answers, and every fault told from every other."""

from __future__ import annotations

import datetime as dt
import logging
import socket
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emergence.dates import to_date
from emergence.weather.meteostat import DailyAnswer, DamagedAnswer, Limits, NetworkFault, get_daily, get_stations
from tests import weather_service as ws
from tests.weather_service import HEADER, Post, Service, mean_air, point_client, serving

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

YEAR = 2023
TOWN = Post("Town, airfield", 50.0, -30.1, 410, first=dt.date(1990, 1, 1))
LIMITS = Limits(read_s=5, whole_s=10, list_s=10)


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    with serving(Service({"T0001": TOWN}, dt.date(2024, 5, 31))) as running:
        point_client(monkeypatch, running, tmp_path)
        yield running


def year_of_town(**limits: float) -> DailyAnswer | None:
    return get_daily("T0001", YEAR, limits=Limits(**limits) if limits else LIMITS)


def fetched() -> DailyAnswer:
    answer = year_of_town()
    assert answer is not None
    return answer


def test_a_year_comes_whole_in_order_as_plain_floats(service: Service) -> None:
    answer = fetched()
    assert [str(to_date(d)) for d in answer.days[[0, -1]]] == ["2023-01-01", "2023-12-31"]
    assert (np.diff(answer.days) == 1).all() and answer.tmin_c.dtype == np.float64
    expected = [mean_air(to_date(d), TOWN) for d in answer.days]
    np.testing.assert_allclose(answer.tmean_c, expected, atol=1e-9)  # the server's own numbers, one decimal
    np.testing.assert_allclose(answer.tmax_c - answer.tmin_c, 11.0, atol=0.11)  # each rounded to 0.1
    assert not answer.forecast.any()
    assert service.asked == ["/daily/2023/T0001.csv.gz"]


def test_attribution_and_licences_are_those_of_the_sources(service: Service) -> None:
    answer = fetched()
    assert answer.attribution == ("Meteostat", "NOAA GHCN-Daily")
    assert any(text.startswith("CC BY 4.0 https://") for text in answer.licences)
    assert any(text.startswith("CC0 1.0") for text in answer.licences)


def test_a_year_without_a_file_is_no_data_and_no_fault(service: Service) -> None:
    assert get_daily("T0001", 1985, limits=LIMITS) is None
    assert get_daily("GONE1", YEAR, limits=LIMITS) is None


def test_a_file_without_rows_is_no_data(service: Service) -> None:
    service.faults["/daily/"] = ws.text(HEADER + "\n")
    assert year_of_town() is None


def test_a_file_without_any_temperature_is_no_data(service: Service) -> None:
    service.faults["/daily/"] = ws.text(f"{HEADER}\n2023,5,1,,,,,,,3.2,ghcnd\n")
    assert year_of_town() is None


FAULTS: list[tuple[str, Callable[..., None], type[Exception], str]] = [
    ("unavailable", ws.status(503), NetworkFault, "answered 503"),
    ("forbidden", ws.status(403), NetworkFault, "answered 403"),
    ("cut off", ws.cut_off, NetworkFault, "IncompleteRead"),
    ("half a file", ws.half, DamagedAnswer, "damaged"),
    ("corrupt gzip", ws.corrupt, DamagedAnswer, "damaged"),
    ("a web page", ws.page, DamagedAnswer, "web page"),
    ("nothing", ws.empty, DamagedAnswer, "damaged"),
    ("other text", ws.text("hello\nworld\n"), DamagedAnswer, "damaged"),
    ("a word for a number", ws.text(f"{HEADER}\n2023,5,1,warm,ghcnd,,,,,,\n"), DamagedAnswer, "cannot be read"),
    ("another year", ws.text(f"{HEADER}\n2021,5,1,9,ghcnd,4,ghcnd,14,ghcnd,,\n"), type(None), ""),
    ("a day twice", ws.text(HEADER + "\n2023,5,1,9,ghcnd,,,,,,\n2023,5,1,8,ghcnd,,,,,,\n"), DamagedAnswer, "damaged"),
]


@pytest.mark.parametrize(("spoil", "kind", "words"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_each_fault_is_told_apart(service: Service, spoil: Any, kind: type[Exception], words: str) -> None:
    service.faults["/daily/"] = spoil
    if kind is type(None):
        assert year_of_town() is None
        return
    with pytest.raises(kind, match=words) as caught:
        year_of_town()
    assert "T0001, 2023" in str(caught.value) and "\n" not in str(caught.value)


def test_a_slow_answer_is_given_up(service: Service) -> None:
    service.faults["/daily/"] = ws.slow
    with pytest.raises(NetworkFault, match="no answer in time"):
        year_of_town(read_s=0.1)


def test_an_answer_that_drips_is_given_up(service: Service) -> None:
    """Each byte comes in time, so that no timeout of single reads ends it."""
    service.faults["/daily/"] = ws.dripping
    with pytest.raises(NetworkFault, match=r"no whole answer within 0\.3 seconds"):
        year_of_town(read_s=2, whole_s=0.3)


def test_nobody_at_the_other_end_is_a_network_fault(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        service.base = f"http://127.0.0.1:{free.getsockname()[1]}"
    point_client(monkeypatch, service, tmp_path)
    with pytest.raises(NetworkFault, match="refused"):
        year_of_town()
    with pytest.raises(NetworkFault, match="list of stations cannot be fetched"):
        get_stations(np.array([50.0]), reach_deg=5, limits=LIMITS)


def test_everything_is_put_back_after_a_request(service: Service) -> None:
    import meteostat

    names = ("cache_enable", "cache_ttl", "cache_autoclean", "network_timeout", "network_max_retries")
    before = [getattr(meteostat.config, name) for name in names]
    logger, waited = logging.getLogger("meteostat"), socket.getdefaulttimeout()
    heard = (logger.level, logger.propagate)
    service.faults["/daily/"] = ws.status(503)
    with pytest.raises(NetworkFault):
        year_of_town()
    assert [getattr(meteostat.config, name) for name in names] == before
    assert socket.getdefaulttimeout() == waited and (logger.level, logger.propagate) == heard


def test_nothing_is_served_from_a_cache(service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import meteostat

    monkeypatch.setattr(meteostat.config, "cache_directory", str(tmp_path / "cache"))
    first = fetched()
    service.warmer_c = 5.0
    np.testing.assert_allclose(fetched().tmean_c - first.tmean_c, 5.0, atol=1e-9)
    assert len(service.asked) == 2 and not (tmp_path / "cache").exists()


@pytest.mark.parametrize("new", ["uvi,uvi_source", "remark,remark_source", "remark"])
def test_a_new_column_changes_nothing(service: Service, new: str) -> None:
    plain = fetched()
    text = service.text("T0001", YEAR)
    assert text is not None
    more = ",".join(["7" if "uvi" in new else "fog"] + [ws.SOURCE] * ("source" in new))
    lines = text.splitlines()
    service.lines[f"T0001/{YEAR}"] = "\n".join([f"{lines[0]},{new}", *(f"{line},{more}" for line in lines[1:])]) + "\n"
    again = fetched()
    for name in ("days", "tmin_c", "tmax_c", "tmean_c", "forecast"):
        np.testing.assert_array_equal(getattr(again, name), getattr(plain, name))


def test_a_station_without_minima_and_maxima_gives_means(service: Service) -> None:
    service.posts["T0001"] = Post("Town", 50.0, -30.1, 410, ranged=False)
    answer = fetched()
    assert len(answer.days) == 365 and np.isfinite(answer.tmean_c).all()
    assert np.isnan(answer.tmin_c).all() and np.isnan(answer.tmax_c).all()


def test_columns_that_are_not_there_at_all_are_missing(service: Service) -> None:
    service.faults["/daily/"] = ws.text("year,month,day,temp,temp_source\n2023,5,1,9.5,ghcnd\n")
    answer = fetched()
    assert answer.tmean_c.tolist() == [9.5] and np.isnan([answer.tmin_c[0], answer.tmax_c[0]]).all()


def test_days_of_a_weather_model_are_marked_by_any_of_their_sources(service: Service) -> None:
    rows = [
        "2023,5,1,9.5,dwd_daily,4.0,dwd_daily,14.0,dwd_daily,,",
        "2023,5,2,9.5,isd_lite metno_forecast,4.0,dwd_daily,14.0,dwd_daily,,",
        "2023,5,3,9.5,dwd_daily,4.0,dwd_daily,14.0,dwd_mosmix,,",
        "2023,5,4,9.5,dwd_daily,4.0,dwd_daily,14.0,dwd_daily,1.0,metno_forecast",
        "2023,5,5,9.5,a_new_source,4.0,a_new_source,14.0,a_new_source,,",
    ]
    service.faults["/daily/"] = ws.text("\n".join([HEADER, *rows]) + "\n")
    answer = fetched()
    assert answer.forecast.tolist() == [False, True, True, False, False]
    assert "Deutscher Wetterdienst" in answer.attribution


# ---------------------------------------------------------------- the list of stations


def stations() -> Any:
    return get_stations(np.array([49.0, 51.0]), reach_deg=4, limits=LIMITS)


def test_the_list_has_what_the_choice_needs(service: Service) -> None:
    service.posts |= {
        "MEAN1": Post("", 51.0, -30.0, 900, first=dt.date(2001, 2, 3), ranged=False, completeness=None),
        "OLD01": Post("Old", 50.5, -30.0, 300, last=dt.date(2010, 1, 1), completeness=95),
        "FLAT1": Post("No height", 50.5, -30.0, None),
        "SOUTH": Post("Far south", 40.0, -30.0, 10),
    }
    found = stations()
    assert found.station_id.tolist() == ["MEAN1", "OLD01", "T0001"]
    assert found.name.tolist() == ["MEAN1", "Old", "Town, airfield"]
    assert found.elevation_m.tolist() == [900, 300, 410]
    assert [str(to_date(d)) for d in found.first_day] == ["2001-02-03", "1990-01-01", "1990-01-01"]
    assert [str(to_date(d)) for d in found.last_day] == ["2024-05-31", "2010-01-01", "2024-05-31"]  # not the model's
    assert found.has_range.tolist() == [False, True, True]
    np.testing.assert_array_equal(found.completeness, [np.nan, 0.95, 0.98])


def test_stations_that_no_season_folder_can_hold_are_left_out(service: Service) -> None:
    service.posts |= {
        "../../evil": Post("Path", 50.0, -30.0, 400),
        "HIGH1": Post("Height in mm", 50.0, -30.0, 410_000),
        "EAST1": Post("Beyond the date line", 50.0, 330.0, 410),
        "NAME1": Post("Two\nlines\x07", 50.0, -30.0, 410),
    }
    found = stations()
    assert dict(zip(found.station_id, found.name, strict=True)) == {"NAME1": "Two lines", "T0001": "Town, airfield"}


def test_a_station_of_which_only_a_model_is_held_has_no_record(service: Service) -> None:
    service.posts = {"T0001": Post("Town", 50.0, -30.1, 410, shown_last="unknown")}
    found = stations()
    assert (found.first_day > found.last_day).all()


def test_the_list_is_fetched_once_and_kept(service: Service, tmp_path: Path) -> None:
    stations()
    stations()
    assert service.asked == ["/stations.db"]
    assert [p.name for p in (tmp_path / "list").iterdir()] == ["stations.db"]


@pytest.mark.parametrize(
    "spoil", [ws.status(404), ws.status(503), ws.cut_off, ws.slow], ids=["404", "503", "cut", "slow"]
)
def test_a_list_that_cannot_be_had_is_a_network_fault(service: Service, tmp_path: Path, spoil: Any) -> None:
    service.faults["/stations.db"] = spoil
    with pytest.raises(NetworkFault, match="list of stations cannot be fetched"):
        get_stations(np.array([50.0]), reach_deg=4, limits=Limits(read_s=0.3, whole_s=5, list_s=5))
    assert not list((tmp_path / "list").iterdir())


@pytest.mark.parametrize("spoil", [ws.page, ws.empty, ws.half], ids=["web page", "nothing", "half"])
def test_a_damaged_list_is_not_kept(service: Service, tmp_path: Path, spoil: Any) -> None:
    service.faults["/stations.db"] = spoil
    with pytest.raises(DamagedAnswer, match="list of stations"):
        stations()
    assert not list((tmp_path / "list").iterdir())
    service.faults.clear()
    assert len(stations()) == 1


def test_half_a_list_left_by_a_killed_run_is_fetched_anew(service: Service, tmp_path: Path) -> None:
    """The client alone would use the half file for a week and fail."""
    whole = ws.list_bytes(service.posts, service.last_day)
    (tmp_path / "list").mkdir()
    (tmp_path / "list" / "stations.db").write_bytes(whole[: len(whole) // 2])
    assert len(stations()) == 1
    with sqlite3.connect(tmp_path / "list" / "stations.db") as base:
        assert base.execute("PRAGMA quick_check").fetchone() == ("ok",)
    base.close()


def test_a_list_can_be_read_where_nothing_can_be_kept(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import meteostat

    (tmp_path / "file").write_text("")
    monkeypatch.setattr(meteostat.config, "stations_db_file", str(tmp_path / "file" / "stations.db"))
    assert len(stations()) == 1


def test_thirty_one_years_and_more_than_ten_stations_come_one_file_a_request(service: Service) -> None:
    """The client refuses more than 10 stations or 30 years in one call."""
    service.posts = {f"T{i:04d}": Post(f"Town {i}", 50.0, -30.0, 400) for i in range(12)}
    years = range(1993, 2024)
    service.lines = {f"T0001/{year}": f"{HEADER}\n{year},12,31,1.5,ghcnd,,,,,,\n" for year in years}
    answers = [get_daily("T0001", year, limits=LIMITS) for year in years]
    assert [answer.tmean_c.tolist() for answer in answers if answer] == [[1.5]] * 31
    assert all(get_daily(name, YEAR, limits=LIMITS) is not None for name in service.posts)
