"""The further figures, on samples whose truth is known and on tables made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.analysis.secondary import reference_factors, secondary_outcomes
from pullbook.errors import ComparisonError
from pullbook.physics import air
from pullbook.runs.heat_soak import Idle
from pullbook.settings.experiment import Vehicle
from pullbook.simulate import SCENARIOS, Scenario, drive
from pullbook.statistics.comparison import compare
from study.secondary import effectiveness_scores, true_effectiveness


def by_name(result) -> dict:
    return {figure.name: figure for figure in result.secondary_outcomes}


def true_effectiveness_of(scenario: Scenario, *, after: bool) -> float:
    trace = drive(
        vehicle=scenario.vehicle,
        cooler=scenario.cooler_after if after else scenario.cooler_before,
        weather=scenario.reference,
        script=scenario.script(None),
        rng=None,
        leak=scenario.leak_after if after else 0.0,
    )
    return float(np.mean(true_effectiveness(trace)))


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_the_true_effectiveness_lies_within_what_is_stated(name, result_of) -> None:
    figure = by_name(result_of(name))["effectiveness"]
    before, after = (true_effectiveness_of(SCENARIOS[name], after=late) for late in (False, True))
    assert figure.low <= after - before <= figure.high
    assert abs(figure.before - before) < 2 * np.hypot(figure.common_uncertainty, figure.standard_uncertainty)


def test_estimated_effectiveness_is_right_within_its_uncertainty_95_times_in_100() -> None:
    """Vehicles of any efficiency that 0.70 ± 0.05 allows; `tests/study/secondary.py` draws more."""
    scores = effectiveness_scores(50)
    assert np.isfinite(scores).all()
    # Binomial: 0.95 with a standard deviation of 0.031 over 50; one of them below.
    assert np.mean(np.abs(scores) < 2) >= 0.92
    assert scores.std() > 0.5  # nor is the uncertainty so wide that it could not fail


def test_the_fin_wash_helped_the_cooler_and_left_the_boost_alone(result_of) -> None:
    figures = by_name(result_of("fin_wash"))
    assert figures["effectiveness"].low > 0
    assert figures["charge_density"].low > 0
    assert figures["recovery_time"].high < 0
    for name in ("peak_manifold_pressure", "pressure_at_speed", "time_to_boost", "elapsed_s 50-100", "wheel_power"):
        assert figures[name].low < 0 < figures[name].high


def test_nothing_done_changes_no_figure_that_applies(result_of) -> None:
    """Twelve kelvin warmer, and neither the charge density nor the time to speed is taken for a change."""
    for figure in result_of("nothing_done").secondary_outcomes:
        if figure.applies:
            assert figure.low < 0 < figure.high, figure.label


def test_a_factor_that_does_not_apply_would_have_invented_a_gain(result_of) -> None:
    """The boosted engine holds its boost in warm air: corrected to reference air, the placebo looks faster."""
    figure = by_name(result_of("nothing_done"))["elapsed_s 50-100 in reference air"]
    assert not figure.applies
    assert figure.high < 0


def test_a_loose_clamp_costs_pressure_and_time(result_of) -> None:
    figures = by_name(result_of("loose_clamp"))
    assert figures["pressure_at_speed"].high < 0
    assert figures["elapsed_s 50-100"].low > 0
    assert figures["wheel_power"].high < 0
    assert figures["wheel_power"].before == pytest.approx(100, abs=1)


def unboosted(result, **vehicle) -> dict:
    experiment = result.experiment.model_copy(update={"vehicle": Vehicle(mass_kg=None, **vehicle)})
    table = result.measures.assign(pressure_ratio=0.97)
    return {figure.name: figure for figure in secondary_outcomes(table, experiment)}


@pytest.mark.parametrize("fuel", ["petrol", "diesel"])
def test_without_boost_the_factor_applies(fuel, result_of) -> None:
    result = result_of("fin_wash")
    figures = unboosted(result, fuel=fuel)
    measured, corrected = figures["elapsed_s 50-100"], figures["elapsed_s 50-100 in reference air"]
    assert corrected.applies
    # Air of 10 to 20 °C and 100.8 kPa is denser than the reference: there the time would have been longer.
    assert corrected.before > measured.before
    assert (corrected.common_uncertainty > 0) == (fuel == "diesel")  # its fuel rate is not known
    assert "wheel_power" not in figures  # no mass given


def test_without_a_pressure_signal_the_engine_counts_as_boosted(result_of) -> None:
    result = result_of("fin_wash")
    table = result.measures.assign(pressure_ratio=np.nan)
    (figure,) = [f for f in secondary_outcomes(table, result.experiment) if "reference" in f.name]
    assert not figure.applies


def test_times_go_from_mark_to_mark_and_over_all(result_of) -> None:
    names = [name for name in by_name(result_of("fin_wash")) if name.startswith("elapsed_s") and "air" not in name]
    assert names == ["elapsed_s 50-80", "elapsed_s 80-100", "elapsed_s 50-100"]


def test_outside_the_range_of_the_factor_nothing_is_corrected(result_of) -> None:
    result = result_of("fin_wash")
    experiment = result.experiment.model_copy(update={"vehicle": Vehicle(fuel="petrol")})
    table = result.measures.assign(dry_pressure=75.0)
    assert reference_factors(table, experiment, engine=1.0)[0] > 1.07
    assert not [f for f in secondary_outcomes(table, experiment) if "reference" in f.name]


def test_a_measured_and_an_estimated_outlet_are_not_compared(result_of) -> None:
    result = result_of("fin_wash")
    table = result.measures.copy()
    table.loc[table["session"] == "after-1", "outlet_estimated"] = 0.0
    names = {figure.name for figure in secondary_outcomes(table, result.experiment)}
    assert "effectiveness" not in names
    assert "charge_density" in names


def test_as_outcome_of_its_own_the_effectiveness_counts_what_was_estimated(result_of) -> None:
    result = result_of("fin_wash")
    experiment = result.experiment.model_copy(update={"outcome": "effectiveness", "worthwhile_change": 0.02})
    c = compare(result.measures, experiment)
    (line,) = [line for line in c.budget if line.source == "estimated compressor outlet"]
    assert line.standard_uncertainty == pytest.approx(0.079 * abs(c.change), rel=0.05)  # 0.05 / 0.70 and the losses
    table = result.measures.copy()
    table.loc[table["session"] == "after-1", "outlet_estimated"] = 0.0
    with pytest.raises(ComparisonError, match="measured in some sessions and estimated in others"):
        compare(table, experiment)


def test_a_measured_outlet_leaves_no_common_uncertainty(result_of) -> None:
    result = result_of("fin_wash")
    table = result.measures.copy()
    table["outlet_estimated"] = table["outlet_estimated"].where(table["outlet_estimated"].isna(), 0.0)
    (figure,) = [f for f in secondary_outcomes(table, result.experiment) if f.name == "effectiveness"]
    assert figure.common_uncertainty == 0.0
    estimated = by_name(result)["effectiveness"]
    assert estimated.common_uncertainty == pytest.approx((1 - 0.64) * 0.079, rel=0.05)  # 0.05 / 0.70 and the losses
    assert figure.high - figure.low < estimated.high - estimated.low


def test_charge_density_is_brought_to_one_inlet_temperature(result_of) -> None:
    """The placebo's charge is 12 K warmer for its weather alone: as measured, its density fell by 4 %."""
    result = result_of("nothing_done")
    pulls = result.measures[result.measures["kind"] == "pull"]
    means = pulls.groupby("phase")["charge_density"].mean()
    assert means["after"] / means["before"] - 1 < -0.03
    assert abs(by_name(result)["charge_density"].change) < 0.01 * means["before"]


def test_heat_rejected_is_compared_where_air_flow_is_logged(result_of) -> None:
    result = result_of("fin_wash")
    assert "heat_rejected" not in by_name(result)
    flow = np.where(result.measures["kind"] == "pull", 140.0, np.nan)
    heat = air.heat_rejected_kw(
        air_mass_flow_g_s=flow,
        compressor_outlet_c=result.measures["compressor_outlet"].to_numpy(),
        charge_c=result.measures["peak_charge"].to_numpy(),
    )
    (figure,) = [
        f for f in secondary_outcomes(result.measures.assign(heat_rejected=heat), result.experiment)
        if f.name == "heat_rejected"
    ]  # fmt: skip
    # 140 g/s, 5.7 K cooler at nearly the same outlet: 0.14 * 1.01 * 5.7 = 0.8 kW more.
    assert figure.change == pytest.approx(0.8, abs=0.2)


def test_standstills_are_compared_session_by_session(result_of) -> None:
    result = result_of("fin_wash")

    def idle(climb: float) -> Idle:
        return Idle(start_s=0.0, end_s=40.0, climb_k_per_min=climb)

    idles = [(s.name, idle(6.0 if s.phase == "before" else 4.0)) for s in result.experiment.sessions]
    (figure,) = [
        f for f in secondary_outcomes(result.measures, result.experiment, idles=idles) if f.name == "idle_climb"
    ]
    assert figure.change == pytest.approx(-2.0)
    one_sided = [(name, i) for name, i in idles if name.startswith("before")]
    names = {f.name for f in secondary_outcomes(result.measures, result.experiment, idles=one_sided)}
    assert "idle_climb" not in names


def test_figures_that_a_phase_lacks_are_left_out(result_of) -> None:
    result = result_of("fin_wash")
    table = result.measures.copy()
    table.loc[table["phase"] == "after", "recovery_time"] = np.nan
    assert "recovery_time" not in {f.name for f in secondary_outcomes(table, result.experiment)}


def test_the_results_hold_the_figures(result_of) -> None:
    plain = result_of("fin_wash").to_dict()
    assert {"effectiveness", "recovery_time", "pressure_at_speed"} <= {f["name"] for f in plain["other_figures"]}
    assert plain["operating_point"]["engine_rpm"] > 1000
    assert plain["pulls"][0]["effectiveness_u"] > 0
