"""What ``pullbook check`` says."""

import pytest

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
