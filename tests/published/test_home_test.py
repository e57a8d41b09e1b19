"""The usual home test, with the figures that are usual for it: common practice, no source.

One evening a side, four pulls from standstill, sensors in steps of 1 °C. Cruise charge 30 and 29 °C before the pulls,
36 and 35 °C after them; peak about 44 K above the inlet before the service and 43 K after; coolant alike. A difference
of one step of the sensor on two evenings says nothing of the service, and both evenings show a heat soak of about 6 K.
"""

import pandas as pd
import pytest

from pullbook.settings.experiment import Experiment, Service, Session
from pullbook.statistics.comparison import compare

INLET_C = 20.0
EVENINGS = {"before": ([43.0, 44.0, 44.0, 45.0], 30.0, 36.0), "after": ([42.0, 43.0, 43.0, 44.0], 29.0, 35.0)}


def evening(phase: str) -> list[dict[str, object]]:
    """Return the runs of one evening: a cruise, four pulls, a cruise."""
    rises, early_c, late_c = EVENINGS[phase]
    common = {
        "session": phase, "phase": phase, "included": True, "left_out": False, "reason": "", "charge_step": 1.0,
        "inlet_step": 1.0, "coolant_step": 1.0,
    }  # fmt: skip
    pulls = [
        common
        | {
            "kind": "pull", "number": k, "peak_rise": rise, "peak_charge": INLET_C + rise, "inlet_at_peak": INLET_C,
            "peak_coolant": 90.0, "start_speed": 0.0, "end_speed": 101.0, "duration": 13.0,
        }
        for k, rise in enumerate(rises, 1)
    ]  # fmt: skip
    cruises = [
        common
        | {
            "kind": "cruise", "number": k, "mean_charge": charge, "mean_inlet": INLET_C, "mean_rise": charge - INLET_C,
            "mean_coolant": 88.0, "soak_rise": soak,
        }
        for k, (charge, soak) in enumerate(((early_c, float("nan")), (late_c, late_c - early_c)), 1)
    ]  # fmt: skip
    return [*pulls, *cruises]


@pytest.fixture(scope="module")
def home_test() -> tuple[pd.DataFrame, Experiment]:
    table = pd.DataFrame([*evening("before"), *evening("after")])
    sessions = tuple(Session(name=p, phase=p, log=f"{p}.csv") for p in ("before", "after"))
    return table, Experiment(title="t", service=Service(what="cleaned"), worthwhile_change=2.0, sessions=sessions)


def test_one_step_of_the_sensor_on_two_evenings_is_not_resolved(home_test) -> None:
    c = compare(*home_test)
    assert c.verdict == "not-resolved"
    assert c.change == pytest.approx(-1.0, abs=0.1)
    assert c.low < -2.0
    assert c.high > 2.0


def test_both_evenings_show_a_heat_soak_of_six_kelvin(home_test) -> None:
    table, experiment = home_test
    soak = compare(table, experiment.model_copy(update={"outcome": "soak_rise"}))
    assert (soak.before.mean, soak.after.mean) == pytest.approx((6.0, 6.0))


def test_the_cruise_is_no_better_evidence(home_test) -> None:
    table, experiment = home_test
    cruise = compare(table, experiment.model_copy(update={"outcome": "mean_rise"}))
    assert cruise.verdict == "not-resolved"
    coolant = compare(table, experiment.model_copy(update={"outcome": "peak_coolant"}))
    assert coolant.change == pytest.approx(0.0)
