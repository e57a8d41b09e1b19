"""The days of the drives: the order of day and month from all logs and the service, zones, and who is on which side."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from helpers.odd_logs import clock, speed_and_charge, write
from pullbook.analysis.sessions import read_logs
from pullbook.commands.check import time_text
from pullbook.errors import ExperimentError
from pullbook.settings.experiment import Experiment

DAY_FIRST, MONTH_FIRST = "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"
MARCH_2, APRIL_5, APRIL_13 = (dt.datetime(2026, m, d, 10) for m, d in ((3, 2), (4, 5), (4, 13)))


def experiment(
    folder: Path, stamps: dict[str, tuple[dt.datetime, str]], serviced: str | None = None, **dates: dt.date
) -> Experiment:
    """Write an experiment whose logs begin at these moments, written in these patterns."""
    sessions = []
    for name, (start, pattern) in stamps.items():
        columns = {"Time": lambda _, now, s=start, p=pattern: clock(now["t"], p, s), **speed_and_charge()}
        more = 1 + 0.05 * len(sessions)  # each drive at its own boost: the same one twice would be refused
        columns["Intake manifold pressure [kPa]"] = lambda _, now, m=more: round(m * now["intake_manifold_pressure"])
        write(folder / f"{name}.csv", columns, pulls=1, every_s=1.0)
        sessions.append({"name": name, "phase": name.rstrip("0123456789"), "log": f"{name}.csv"})
        if name in dates:
            sessions[-1]["date"] = dates[name]
    service = {"what": "washed"} | ({"date": dt.date.fromisoformat(serviced)} if serviced else {})
    return Experiment.from_settings({"title": "Dates", "service": service, "sessions": sessions}, folder)


def days(settings: Experiment) -> list[str | None]:
    return [str(r.log.start.date()) if r.log.start else None for r in read_logs(settings)]


def test_one_log_that_shows_it_decides_for_all(tmp_path: Path) -> None:
    stamps = {"before1": (MARCH_2, MONTH_FIRST), "after1": (APRIL_13, MONTH_FIRST)}
    assert days(experiment(tmp_path, stamps)) == ["2026-03-02", "2026-04-13"]


def test_the_days_of_the_sessions_decide_with_the_month_first_too(tmp_path: Path) -> None:
    # Written 03/02 and 04/05 by a driver who puts the month first: 2 March and 5 April, or 3 February and 4 May.
    stamps = {"before1": (MARCH_2, MONTH_FIRST), "after1": (APRIL_5, MONTH_FIRST)}
    dates = {"before1": MARCH_2.date(), "after1": APRIL_5.date()}
    assert days(experiment(tmp_path, stamps, "2026-03-20", **dates)) == ["2026-03-02", "2026-04-05"]


@pytest.mark.parametrize(
    ("serviced", "expected"),
    [
        # Written 02/03 and 05/04: 2 March and 5 April, or 3 February and 4 May.
        ("2026-02-10", ["2026-02-03", "2026-05-04"]),
        ("2026-04-20", ["2026-02-03", "2026-05-04"]),
    ],
)
def test_the_day_of_the_service_decides(tmp_path: Path, serviced: str, expected: list[str]) -> None:
    stamps = {"before1": (MARCH_2, DAY_FIRST), "after1": (APRIL_5, DAY_FIRST)}
    assert days(experiment(tmp_path, stamps, serviced)) == expected


def test_the_day_of_the_service_decides_for_the_day_first_too(tmp_path: Path) -> None:
    # Written 05/04 and 08/03 by a driver who puts the day first: 5 April and 8 March, or 4 May and 3 August.
    stamps = {"after1": (APRIL_5, DAY_FIRST), "before1": (dt.datetime(2026, 3, 8, 10), DAY_FIRST)}
    assert days(experiment(tmp_path, stamps, "2026-03-20")) == ["2026-04-05", "2026-03-08"]


def test_what_cannot_be_decided_is_asked_where_it_counts(tmp_path: Path) -> None:
    stamps = {"before1": (MARCH_2, DAY_FIRST), "after1": (APRIL_5, DAY_FIRST)}
    with pytest.raises(
        ExperimentError, match=r"2 March 2026 or 3 February 2026(.|\n)*name: before1\n    date: 2026-03-02"
    ):
        days(experiment(tmp_path / "dated", stamps, "2026-03-20"))
    # The day of one drive settles the other's.
    told = experiment(tmp_path / "told", stamps, "2026-03-20", before1=dt.date(2026, 2, 3))
    assert days(told)[1] == "2026-05-04"
    # Without a service date nothing is counted from it: no date is claimed, and a warning says how to give it.
    readings = read_logs(experiment(tmp_path / "open", stamps))
    assert [r.log.start for r in readings] == [None, None]
    (warning,) = [f for f in readings[1].findings if f.code == "date-ambiguous"]
    assert "date: 2026-04-05" in warning.message


def test_a_drive_on_the_day_of_the_service_east_of_greenwich_counts(tmp_path: Path) -> None:
    early = dt.datetime(2026, 3, 20, 8)
    stamps = {"after1": (early, "%Y-%m-%dT%H:%M:%S+10:00"), "after2": (early, "%Y-%m-%dT%H:%M:%S")}
    assert days(experiment(tmp_path / "local", stamps, "2026-03-20")) == ["2026-03-20", "2026-03-20"]
    # 22:00 universal time on the day before is 08:00 on the day itself at +10:00.
    utc = {"after1": (early - dt.timedelta(hours=10), "%Y-%m-%dT%H:%M:%SZ")}
    (reading,) = read_logs(experiment(tmp_path / "utc", utc, "2026-03-20"))
    assert "starts 2026-03-19 22:00:00 universal time" in time_text(reading.log)


def test_logs_on_the_wrong_side_of_the_service_are_refused_in_one_message(tmp_path: Path) -> None:
    iso = "%Y-%m-%d %H:%M:%S"
    stamps = {"before1": (APRIL_5, iso), "after1": (MARCH_2, iso)}
    with pytest.raises(
        ExperimentError, match=r"'before1'(.|\n)*after the service(.|\n)*'after1'(.|\n)*before the service"
    ):
        days(experiment(tmp_path, stamps, "2026-03-20"))
