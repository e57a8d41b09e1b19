"""One drive that left several logs: joined by their clocks, with a gap between, or refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from helpers.odd_logs import clock, speed_and_charge, write
from pullbook.analysis.result import Result, analyse
from pullbook.commands.new import draft_experiment
from pullbook.errors import ExperimentError, LogError, PullbookError
from pullbook.reading.joined import joined
from pullbook.reading.logs import read_log
from pullbook.report import figures
from pullbook.settings.experiment import FILE_NAME, Experiment
from pullbook.settings.fingerprint import inputs_sha256

CUT, HOLE = 600, 40  # rows, of half a second each


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """Write a drive with the date and time of day."""
    stamp = {"Date and time": lambda _, now: f"2026-03-05 {clock(now['t'])}"}
    return write(tmp_path_factory.mktemp("whole") / "whole.csv", {**stamp, **speed_and_charge()}, pulls=3)


def parts(whole: Path, home: Path, *, skip: int = HOLE) -> tuple[Path, Path]:
    """Write a drive as two logs, without the rows in between; less than none for an overlap."""
    header, *rows = whole.read_text("utf-8").splitlines()
    first, second = home / "first.csv", home / "second.csv"
    first.write_text("\n".join([header, *rows[:CUT]]), "utf-8")
    second.write_text("\n".join([header, *rows[CUT + skip :]]), "utf-8")
    return first, second


def changed(path: Path, old: str, new: str) -> Path:
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    return path


def test_the_parts_are_the_whole_but_for_the_hole(tmp_path, whole):
    first, second = parts(whole, tmp_path)
    one, log = read_log(whole), joined([read_log(second), read_log(first)])  # in any order
    assert (log.start, log.duration_s) == (one.start, pytest.approx(one.duration_s, abs=1e-6))
    ours, theirs = log.need("vehicle_speed"), one.need("vehicle_speed")
    in_hole = (theirs.time_s > (CUT - 1) / 2 + 1e-6) & (theirs.time_s < (CUT + HOLE) / 2 - 1e-6)
    assert np.isnan(ours.at(theirs.time_s[in_hole])).all()
    outside = theirs.time_s[~in_hole]
    np.testing.assert_allclose(ours.at(outside), theirs.at(outside))
    assert ours.period_s == pytest.approx(theirs.period_s)
    [finding] = [f for f in log.findings if f.code == "logs-joined"]
    assert finding.evidence == {"logs": ["first.csv", "second.csv"], "holes_s": [HOLE / 2 + 0.5]}


def test_a_note_names_its_log_unless_all_share_it(tmp_path, whole):
    first, second = parts(whole, tmp_path)
    text = second.read_text("utf-8").splitlines()
    cells = text[5].split(",")
    text[5] = ",".join([*cells[:1], "oops", *cells[2:]])
    second.write_text("\n".join(text), "utf-8")
    log = joined([read_log(first), read_log(second)])
    [finding] = [f for f in log.findings if f.code == "cells-unreadable"]
    assert finding.message.startswith("second.csv: ")


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (lambda a, b: parts_again(a, b), r"overlap by 9\.5 s"),
        (lambda a, b: changed(b, "2026-03-05 ", "2026-03-06 "), r"2\d\.\d h apart"),
        (lambda a, b: changed(b, "2026-03-05 ", ""), "no date and time of day"),
        (lambda a, b: changed(b, "Charge air temperature [°C]", "Charge temp [°C]"), "'Charge temp \\[°C\\]' in degC"),
        (lambda a, b: changed(b, "Vehicle speed [km/h]", "Vehicle speed [mph]"), "in mph"),
        (lambda a, b: changed(b, "Accelerator position [%]", "Mystery [%]"), "and second.csv has not"),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_refused(tmp_path, whole, harm, said):
    first, second = parts(whole, tmp_path)
    harm(first, second)
    with pytest.raises(LogError, match=said) as refusal:
        joined([read_log(first), read_log(second)])
    assert "xport" in str(refusal.value) or "leave one out" in str(refusal.value).lower()


def parts_again(first: Path, second: Path) -> None:
    """Repeat the last 20 rows of the first log in the second."""
    header, *rows = first.read_text("utf-8").splitlines()
    _, *others = second.read_text("utf-8").splitlines()
    second.write_text("\n".join([header, *rows[-20:], *others]), "utf-8")


def test_an_experiment_may_name_a_list(tmp_path, whole):
    first, second = parts(whole, tmp_path)
    other = write(
        tmp_path / "other.csv",
        {"Date and time": lambda _, now: f"2026-03-09 {clock(now['t'])}", **speed_and_charge()},
        pulls=3,
        seed=5,
    )
    van = tmp_path / "van"
    draft_experiment(van, before=[first], after=[other])
    (van / "logs" / "second.csv").write_bytes(second.read_bytes())
    settings = van / FILE_NAME
    changed(settings, 'log: "logs/first.csv"', 'log: ["logs/first.csv", "logs/second.csv"]')
    experiment = Experiment.load(van)
    made_from = inputs_sha256(experiment)
    result = analyse(van)
    told = json.loads(result.to_json())
    assert told["inputs_sha256"] == made_from
    assert no_line_across(result, CUT / 2 - 0.5, (CUT + HOLE) / 2)
    assert told["sessions"]["before-1"]["log"] == ["logs/first.csv", "logs/second.csv"]
    assert told["sessions"]["after-1"]["log"] == "logs/other.csv"
    with (van / "logs" / "second.csv").open("a", encoding="utf-8") as stream:
        stream.write("\n")
    assert inputs_sha256(experiment) != made_from
    (van / "logs" / "second.csv").write_bytes((van / "logs" / "first.csv").read_bytes())
    with pytest.raises(ExperimentError, match=r"'before-1, log 1' .* and 'before-1, log 2' .* the same log"):
        inputs_sha256(experiment)


def no_line_across(result: Result, left_s: float, right_s: float) -> bool:
    """Tell whether the picture of the drives breaks its first line where the log has a hole."""
    trace = figures.drives(result).figure.data[0]
    inside = [y for x, y in zip(trace.x, trace.y, strict=True) if left_s < x < right_s]
    return inside == [None]


@pytest.mark.parametrize(
    ("log", "said"),
    [
        ('["logs/first.csv", "../first.csv"]', "outside the experiment folder"),
        ('["logs/first.csv", "logs/gone.csv"]', "no such file"),
        ('["logs/first.csv", "logs/first.csv"]', "is given 2 times"),
        ("[]", "a list of 0; allowed: one path, or a list of 1 to 40"),
        ('["logs/first.csv", 7]', "given .*7.*allowed: a path inside the folder"),
    ],
)  # fmt: skip
def test_a_list_that_is_not_allowed_is_refused(tmp_path, whole, log, said):
    first, _ = parts(whole, tmp_path)
    draft_experiment(tmp_path / "van", before=[first], after=[])
    changed(tmp_path / "van" / FILE_NAME, '"logs/first.csv"', log)
    with pytest.raises(PullbookError, match=said):
        Experiment.load(tmp_path / "van")
