"""What the page says of the further figures."""

from __future__ import annotations

import re

import numpy as np
import pytest

from helpers.samples import overlays
from pullbook.analysis.result import analyse
from pullbook.report import figures, sections
from pullbook.simulate import SCENARIOS, Cruise, Idle, drive, record, standard_script

OVERLAID = ("Charge temperature [°C]", "Manifold pressure [kPa absolute]", "Charge temperature above inlet [K]")


def text_of(fragment) -> str:
    return re.sub(r"<[^>]+>", " ", fragment.html).replace("\N{NO-BREAK SPACE}", " ")


def test_the_effectiveness_is_said_to_be_estimated_with_its_uncertainty(result_of) -> None:
    text = text_of(sections.secondary_outcomes(result_of("fin_wash")))
    assert "0.70 ± 0.05" in text
    assert re.search(
        r"cooler temperature effectiveness, levels ±0\.0\d+\s+\+0\.05\d \(\+0\.0\d+ to \+0\.0\d+\)\s+0\.\d+", text
    )
    assert re.search(r"0\.\d\d ± 0\.0\d", text_of(sections.pulls(result_of("fin_wash"))))


def test_charge_density_stands_there_with_its_interval(result_of) -> None:
    assert re.search(
        r"charge density \[kg/m³\]\s+\+0\.\d+ \(", text_of(sections.secondary_outcomes(result_of("fin_wash")))
    )


def test_a_factor_that_does_not_apply_is_said_not_to(result_of) -> None:
    text = text_of(sections.secondary_outcomes(result_of("nothing_done")))
    assert "does not apply" in text
    assert "UN R85" in text
    assert "in reference air" not in text  # no interval for a figure that does not apply


def test_power_is_a_comparison_and_no_rating(result_of) -> None:
    text = text_of(sections.secondary_outcomes(result_of("fin_wash")))
    assert re.search(r"power at the wheels .*100.* 50 to 100 km/h \[%\]", text)
    assert "kW" not in text
    assert "not to rate the engine" in text


def test_what_was_not_measured_is_said(result_of) -> None:
    text = text_of(sections.secondary_outcomes(result_of("fin_wash")))
    assert re.search(r"No air-flow channel.*heat rejected", text)
    assert re.search(r"standstill of 30 s", text)
    assert "cruise after the pulls" in text


def test_the_answer_says_what_was_weather_and_whether_the_refit_was_sound(result_of) -> None:
    assert text_of(sections.answer(result_of("loose_clamp"))).count("First:") == 1
    sound, leaky, warm = (text_of(sections.meaning(result_of(n))) for n in ("fin_wash", "loose_clamp", "nothing_done"))
    assert sound.count("218 kPa") == 2  # before and after
    assert "clamp" not in leaky  # said at the top, and among what was noticed
    assert re.search(r"As measured, the change is \+12\.0 K\. .*inlet temperature.*, give or take 0\.\d K\.", warm)


def test_conditions_say_what_they_could_have_done(result_of) -> None:
    text = text_of(sections.like_for_like(result_of("nothing_done")))
    assert re.search(r"inlet temperature at the peak\s+°C\s+13\.1\s+25\.1\s+\+12\.0\s+\+12\.\d K", text)
    assert re.search(r"peak coolant temperature.*?not known", text)


def test_pulls_are_laid_over_each_other_on_time_and_on_speed(result_of) -> None:
    result = result_of("fin_wash")
    shown = [picture.figure for picture in overlays(result)]
    assert tuple(f.layout.yaxis.title.text for f in shown) == OVERLAID
    assert [f.layout.xaxis.title.text for f in shown] == ["time since full load [s]"] * 2 + ["road speed [km/h]"]
    for figure in shown:
        thick = [trace for trace in figure.data if trace.line.width == 3]
        thin = [trace for trace in figure.data if trace.line.width < 1]
        assert len(thick) == len(thin) == len(result.drives)
        # Told apart by colour and by dash, for grey prints.
        assert {(t.line.color, t.line.dash) for t in thick} == {("#0072B2", "solid"), ("#D55E00", "dash")}
        # Five pulls in each thin line, broken between.
        assert all(sum(x is None for x in trace.x) == 5 for trace in thin)
        assert figure.layout.meta["caption"]


def test_the_rise_on_speed_is_the_one_of_the_logs(result_of) -> None:
    """At the end of a pull the thin curve reaches what the measures table holds, but for the lag after the lift."""
    result = result_of("fin_wash")
    figure = figures.pulls_overlaid(result, "rise", over="speed").figure
    top = np.nanmax([y for y in figure.data[0].y if y is not None])
    peak = result.measures.loc[result.measures["session"] == "before-1", "peak_rise"].max()
    assert peak - 4 < top <= peak


@pytest.fixture(scope="module")
def soaked(tmp_path_factory):
    """A session a side with a cruise after the pulls, a standstill, and air mass flow, outlet and position logged."""
    folder = tmp_path_factory.mktemp("soaked")
    scenario = SCENARIOS["fin_wash"]
    rng = np.random.default_rng(8)
    entries = []
    for phase, cooler in (("before", scenario.cooler_before), ("after", scenario.cooler_after)):
        script = (*standard_script(rng=rng, pulls=3), Idle(duration_s=60), Cruise(speed_kmh=90, duration_s=40))
        trace = drive(vehicle=scenario.vehicle, cooler=cooler, weather=scenario.reference, script=script, rng=rng)
        channels = tuple(c for c in trace.channels if c not in ("ambient_air_temperature", "barometric_pressure"))
        text = record(trace, rng=rng, channels=channels, period_s=0.8)
        lines = text.splitlines()
        moved = [f"{line},{47.123456 + k * 1e-6:.6f},{8.654321:.6f}" for k, line in enumerate(lines[1:])]
        (folder / f"{phase}.csv").write_text(
            "\n".join([f"{lines[0]},Latitude [deg],Longitude [deg]", *moved]) + "\n", encoding="utf-8"
        )
        entries.append(f"  - {{name: {phase}-1, phase: {phase}, log: {phase}.csv, pressure_hpa: 1008}}")
    (folder / "experiment.yaml").write_text(
        "\n".join(["title: soaked", "service: {what: washed}", "sessions:", *entries]) + "\n", encoding="utf-8"
    )
    return analyse(folder)


def test_all_of_it_is_measured_where_the_logs_hold_it(soaked) -> None:
    found = {figure.name: figure for figure in soaked.secondary_outcomes}
    assert {"soak_rise", "idle_climb", "heat_rejected", "flow_at_point"} <= set(found)
    assert found["effectiveness"].common_uncertainty == 0  # the outlet was measured
    assert found["heat_rejected"].before == pytest.approx(0.15 * 1.01 * 70, rel=0.4)  # about 150 g/s, cooled by 70 K


def test_the_direction_is_told_and_no_position(soaked) -> None:
    shown = text_of(sections.like_for_like(soaked))
    assert "road direction" in shown
    everything = soaked.to_json() + soaked.to_csv() + sections.secondary_outcomes(soaked).html + shown
    assert "47.12" not in everything
    assert "8.654" not in everything
