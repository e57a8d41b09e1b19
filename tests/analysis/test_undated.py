"""Relative dates: nothing that is written holds a date, in any of the usual notations, and the days are right."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from helpers.pages import unpacked
from helpers.samples import copy_sample
from pullbook.analysis.result import analyse, analyse_experiment
from pullbook.analysis.undated import days_from
from pullbook.commands.cli import main
from pullbook.settings.experiment import Experiment
from pullbook.settings.privacy import REMOVED, scrub
from pullbook.workbook.run import OUTPUTS

SERVICE = dt.date(2026, 4, 11)
DAYS = {"before-1": dt.date(2026, 4, 10), "after-1": dt.date(2026, 4, 12)}


def notations(day: dt.date) -> list[str]:
    """Return a date as people, programs and file names write it."""
    y, m, d = day.year, day.month, day.day
    return [
        f"{y}-{m:02}-{d:02}", f"{y}/{m:02}/{d:02}", f"{y}.{m}.{d}", f"{y}_{m:02}_{d:02}", f"{y}{m:02}{d:02}",
        f"{y % 100:02}{m:02}{d:02}", f"{d:02}{m:02}{y}", f"{d:02}.{m:02}.{y}", f"{d}.{m}.{y % 100}", f"{d}. {m}. {y}",
        f"{d:02}/{m:02}/{y}", f"{m:02}/{d:02}/{y}", f"{m}/{d}/{y % 100}", f"{d:02}-{m:02}-{y}",
        f"{day:%d %B %Y}", f"{day:%B %d, %Y}", f"{day:%d %b %Y}", f"{day:%b %d}", f"{d}th of {day:%B}",
        f"{day:%B %Y}", f"{d}. {day:%B} {y}", f"{y}-{m:02}-{d:02}T18:05:12Z", f"{y}{m:02}{d:02}_180512",
    ]  # fmt: skip


@pytest.mark.parametrize("written", [n for day in (SERVICE, dt.date(2024, 12, 31)) for n in notations(day)])
def test_a_date_is_found_in_a_text(written):
    for text in (f"Wiped on {written} at home", f"log_{written}.csv", written):
        left = scrub(text, dates=True)
        assert REMOVED in left
        assert written not in left


@pytest.mark.parametrize("text", ["3. März 2026", "le 3 février 2026", "3 de marzo de 2026", "5 października 2025"])
def test_months_in_other_languages_are_found(text):
    assert scrub(text, dates=True).removeprefix("le ") == REMOVED


@pytest.mark.parametrize(
    "text",
    [
        "２０２６-０３-２０",
        "2026\u200b-03-20",
        "2026–03–20",
        "2026-W12-5",
        "2026年3月20日",
        "&#50;026-03-20",
        "20\u00a0March 2026",
    ],
)
def test_no_way_of_writing_hides_a_date(text):
    assert scrub(text, dates=True) == REMOVED


@pytest.mark.parametrize(
    "text",
    [
        "lifted at 55 km/h", "braked for a tractor at 148200 km", "3 outliers were set aside", "5 separate rows",
        "40 to 110 km/h", "1013.2 hPa, 12 m/s", "2.0 L turbo-diesel", "peak 210-215 kPa", "50-100 km/h",
    ],
)  # fmt: skip
def test_what_is_no_date_stays(text):
    assert scrub(text, dates=True) == text


def dated_everywhere(folder: Path) -> Path:
    """Give an experiment dates in every place that takes text, in many notations."""
    yaml = YAML()
    settings = yaml.load(folder / "experiment.yaml")
    some = iter(notations(SERVICE) * 4)
    settings["title"] = f"Wipe of {next(some)} and {next(some)}"
    settings["question"] = f"Did it help after {next(some)}, {next(some)} or {next(some)}?"
    settings["vehicle"]["description"] = f"Hatchback, seen on {next(some)} and {next(some)}"
    settings["service"]["what"] = f"Wiped {next(some)}, again {next(some)}, {next(some)}"
    settings["service"]["date"] = SERVICE
    for session in settings["sessions"]:
        day = DAYS[session["name"]]
        renamed = f"logs/drive {day:%Y-%m-%d} and {day:%Y%m%d}.csv"
        log = folder / session["log"]
        rows = log.read_text(encoding="utf-8").splitlines()
        rows[0] += f";Oddity {next(some)}"
        (folder / renamed).write_text("\n".join([rows[0], *(f"{row};{k % 7}" for k, row in enumerate(rows[1:]))]))
        log.unlink()
        session["log"] = renamed
        session["name"] = f"drive {day:%Y-%m-%d}"
        session["date"] = day
        session["leave_out"] = {"pull 2": f"as on {next(some)} or {next(some)}", "pull 99": f"none on {next(some)}"}
        session["metar"] = f"METAR EPWA {day:%d}1830Z 18009KT 9999 SCT037 13/M01 Q1008"
    yaml.dump(settings, folder / "experiment.yaml")
    return folder


@pytest.fixture(scope="module")
def undated_run(tmp_path_factory) -> Path:
    """Everything that a run with relative dates writes, for an experiment with dates everywhere."""
    folder = dated_everywhere(copy_sample("two_evenings", tmp_path_factory.mktemp("dated") / "van 2026-04-11"))
    out = tmp_path_factory.mktemp("out")
    assert main(["run", str(folder), "--out", str(out), "--relative-dates", "--quiet"]) == 0
    return out


@pytest.mark.parametrize("name", OUTPUTS)
def test_no_date_is_written_in_any_notation(undated_run, name):
    found = unpacked((undated_run / name).read_bytes().decode("utf-8", "replace"))
    days = [SERVICE, *DAYS.values()]
    # Six or eight digits in a row also stand in figures; a date among them would stand between other characters.
    risky = {n for day in days for n in notations(day) if n.isdigit() or len(n) < 8}
    assert [n for day in days for n in notations(day) if n not in risky and n in found] == []
    bare = "".join(character if character.isalnum() or character in "._-/" else " " for character in found).split()
    assert sorted(set(bare) & risky) == []
    assert "101830Z" not in found  # nor the day of the weather report


def test_the_run_itself_is_not_dated(undated_run):
    today = dt.datetime.now(tz=dt.UTC).date()
    for name in OUTPUTS:
        found = unpacked((undated_run / name).read_bytes().decode("utf-8", "replace"))
        assert [day for k in (-1, 0, 1) if (day := str(today + dt.timedelta(days=k))) in found] == []


def test_the_days_are_told_instead(undated_run):
    page = unpacked((undated_run / "workbook.html").read_text(encoding="utf-8")).replace("\N{NO-BREAK SPACE}", " ")
    assert "1 day before the service" in page
    assert "1 day after the service" in page
    assert "drive day -1" in page
    assert "drive day +1" in (undated_run / "runs.csv").read_text(encoding="utf-8")


def test_the_figures_are_those_of_a_run_with_dates(tmp_path):
    folder = dated_everywhere(copy_sample("two_evenings", tmp_path / "x"))
    plain, relative = analyse(folder), analyse(folder, relative_dates=True)
    assert relative.comparison.change == plain.comparison.change
    assert relative.comparison.budget == plain.comparison.budget
    assert [d.when for d in plain.drives] == ["2026-04-10", "2026-04-12"]


def test_sessions_that_would_have_one_name_keep_two(tmp_path):
    settings = Experiment.load(copy_sample("two_evenings", tmp_path / "x"))
    settings = settings.model_copy(
        update={
            "service": settings.service.model_copy(update={"date": None}),
            "sessions": tuple(
                s.model_copy(update={"name": f"{day:%d %B}", "date": None})
                for s, day in zip(settings.sessions, DAYS.values(), strict=True)
            ),
        }
    )
    result = analyse_experiment(settings, relative_dates=True)
    assert [d.session.name for d in result.drives] == ["undated", "undated no. 2"]


@pytest.mark.parametrize(
    ("days", "words"),
    [(0, "on the day of the service"), (1, "1 day after the service"), (-12, "12 days before the service")],
)
def test_days_are_counted_from_the_service(days, words):
    assert days_from(SERVICE + dt.timedelta(days=days), SERVICE, "the service") == words
    assert days_from(None, SERVICE, "the service") == ""
