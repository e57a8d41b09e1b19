"""The sheet to take along: the protocol's own speeds in the right words, all blanks, and one side of paper each."""

from __future__ import annotations

import re
import shutil

import pytest

from helpers.samples import SAMPLES
from pullbook.analysis.planned import plan_request
from pullbook.report.html import CAUTIONS
from pullbook.report.plan import sheet as sheet_of
from pullbook.report.sheet import SERVICE, channels, sheet, steps
from pullbook.settings.experiment import Protocol

NEEDED = ("vehicle_speed", "charge_air_temperature", "intake_air_temperature")


@pytest.mark.parametrize(
    ("cruise", "start", "first", "later"),
    [
        (90, 40, "slow to just under 40 km/h", "do the same again"),
        (124, 130, "gain speed gently to just under 130 km/h", "slow to just under 130 km/h and do the same again"),
        (60, 0, "First pull: stop,", "do the same again"),
    ],
)
def test_the_words_fit_the_speeds(cruise, start, first, later):
    """A cruise at 124 is not followed by slowing to 130."""
    said = " ".join(steps(Protocol(cruise_kmh=cruise, pull_from_kmh=start, pull_to_kmh=180), pulls=5))
    assert first in said
    assert later in said
    assert "180 km/h" in said
    assert said.index("Warm up") < said.index("Cruise") < said.index("First pull") < said.index("Rest")


def test_the_fewest_signals_come_first():
    names = [words for words, _ in channels(NEEDED)]
    assert names[:3] == ["road speed", "charge temperature", "inlet temperature"]
    assert len(set(names)) == len(names)
    assert "3 s" in dict(channels(NEEDED))["coolant"]


def test_every_blank_of_a_drive_and_of_the_service_is_there():
    html = sheet(Protocol(), needed=NEEDED, sessions=3, pulls=5).html
    front, back = html.split('class="pb-paper pb-back"')
    for field in (
        "date", "odometer", "tyre pressure", "fuel", "load", "place and direction", "air in the shade", "METAR", "wind",
        "coolant at the first pull", "remark",
    ):  # fmt: skip
        assert field in front
    for field in ("collected, ml", "colour", "dried for", "parts replaced", "sensors refitted", "photos"):
        assert field in back
    text = re.sub(r"<style>.*?</style>", "", front, flags=re.DOTALL)
    assert text.index("closed road") < text.index("odometer")  # cautions first
    assert all(caution.split(";")[0][:40] in front for caution in CAUTIONS)


@pytest.mark.parametrize(
    "word",
    ["cold", "Photograph", "Disconnect", "Drain", "vapour", "flame", "Gloves", "Waste", "smell nothing", "Seals",
     "torque", "low pressure, only by someone who knows", "Drive gently", "first log for boost"],
)  # fmt: skip
def test_the_service_has_its_cautions(word):
    assert any(word in line for line in SERVICE)


def test_the_manual_and_the_law_come_first():
    html = sheet(Protocol(), needed=NEEDED, sessions=3, pulls=5).html
    assert "manual and your local law come first" in html
    assert "no source" in html


def test_an_experiment_gives_its_gear_and_its_own_channels(tmp_path):
    folder = shutil.copytree(SAMPLES / "two_evenings", tmp_path / "van")
    html = sheet_of(plan_request(folder)).html
    assert re.search(r"about \d,?\d00 rpm at 110 km/h", html)
    text = (folder / "experiment.yaml").read_text(encoding="utf-8")
    (folder / "experiment.yaml").write_text(text.replace("peak_rise", "peak_coolant"), encoding="utf-8")
    assert plan_request(folder).needed == ("vehicle_speed", "engine_coolant_temperature")


@pytest.mark.parametrize("pulls", [3, 12, 50])
def test_it_prints_on_two_sides(browser, pulls):
    long = Protocol(cruise_kmh=124, pull_from_kmh=130, pull_to_kmh=180)
    fragment = sheet(long, needed=NEEDED, sessions=12, pulls=pulls, gear_rpm_per_kmh=36.5).html
    page = browser.new_page()
    try:
        page.set_content(f"<!doctype html><main><p>The plan</p>{fragment}</main>")
        pdf = page.pdf(prefer_css_page_size=True)
    finally:
        page.close()
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2
