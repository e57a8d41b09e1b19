"""What ``pullbook check`` says."""

import pytest

from helpers.odd_logs import rounded, speed_and_charge, write
from helpers.samples import SAMPLE_NAMES, SAMPLES
from pullbook.commands.check import check_text


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_every_drive_is_told_with_its_channels_runs_and_findings(name, result_of):
    text = "\n".join(check_text(SAMPLES / name))
    for drive in result_of(name).drives:
        assert f"{drive.session.name} ({drive.session.phase}): {drive.log.name}" in text
        assert all(f"  {channel} " in text for channel in drive.log.signals)
        assert all(f"  {run.name} " in text for run in drive.runs.all)


def test_one_is_told_in_the_singular(result_of):
    drives = result_of("fin_wash").drives
    pulls = sum(run.included for drive in drives if drive.session.phase == "before" for run in drive.runs.pulls)
    text = check_text(SAMPLES / "fin_wash")
    assert any(line.startswith(f"before: 3 sessions, {pulls} pulls and ") for line in text)


def test_one_cause_is_told_once_with_the_sessions_that_share_it(tmp_path):
    columns = {
        "Time (s)": lambda _, now: f"{now['t']:.2f}",
        **speed_and_charge(),
        "Cabin fan": lambda *_: 3,
        "Boost sensor [V]": rounded("intake_manifold_pressure", 0.02, 0.02),
    }
    entries = []
    for k, phase in enumerate(("before", "before", "after")):
        write(tmp_path / f"{k}.csv", columns, every_s=4.0, seed=k, pulls=2)
        entries.append(f"  - {{name: {phase}-{k}, phase: {phase}, log: {k}.csv}}")
    head = "title: Once\nservice: {what: washed}\nsessions:"
    (tmp_path / "experiment.yaml").write_text("\n".join([head, *entries]), encoding="utf-8")
    lines = check_text(tmp_path)
    (slow,) = [line for line in lines if "Log fewer signals" in " ".join(line.split())]
    assert "every session" in slow
    (unread,) = [line for line in lines if "'Cabin fan'" in line]
    assert "'Boost sensor [V]'" in unread
    assert sum("  time: from 'Time (s)', read as seconds; no date; " in line for line in lines) == 3


def test_the_one_intake_temperature_is_explained_once_and_what_is_needed_is_named(tmp_path):
    columns = {"Time (s)": lambda _, now: f"{now['t']:.2f}", **speed_and_charge()}
    columns["IAT (°C)"] = columns.pop("Charge air temperature [°C]")
    del columns["Intake air temperature [°C]"]
    entries = []
    for k, phase in enumerate(("before", "after")):
        write(tmp_path / f"{k}.csv", columns, seed=k, pulls=3)
        entries.append(f"  - {{name: {phase}-{k}, phase: {phase}, log: {k}.csv}}")
    head = "title: Which\nservice: {what: washed}\nsessions:"
    (tmp_path / "experiment.yaml").write_text("\n".join([head, *entries]), encoding="utf-8")
    text = " ".join("\n".join(check_text(tmp_path)).split())
    assert text.count("looks as if it sits after the cooler") == 1
    assert text.count('charge_air_temperature: {column: "IAT (°C)"}') == 1
    assert "Still needed for peak_rise: charge air temperature" in text
