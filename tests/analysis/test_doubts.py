"""What looks like a cooler's change and is none: swapped columns, another unit, a shifted or slower sensor, a copy."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import replace

import numpy as np
import pytest

from helpers.samples import SAMPLES
from pullbook.analysis.contradictions import swapped, unit_contradictions
from pullbook.analysis.result import analyse_experiment
from pullbook.analysis.same_drive import Timed, one_drive, refuse_at_once, refuse_copies
from pullbook.analysis.sensor_lag import LEAST_LATER_S, SLOWER, _answer
from pullbook.analysis.sensor_shift import INLET_UNCHECKED, OFFSET
from pullbook.analysis.sessions import read_drives
from pullbook.errors import ExperimentError, LogError
from pullbook.reading.logs import Signal
from pullbook.reading.quality import doubtful_units
from pullbook.runs.find import Run, find_runs
from pullbook.settings.experiment import Experiment
from pullbook.simulate import SCENARIOS, Cooler, write_experiment

CHARGE, INLET = "charge_air_temperature", "intake_air_temperature"


@pytest.fixture(scope="module")
def nothing_done():
    """The sample in which nothing was done to the cooler: experiment and drives, to be changed in copies."""
    experiment = Experiment.load(SAMPLES / "nothing_done")
    return experiment, read_drives(experiment)


@pytest.fixture(scope="module")
def fin_wash():
    """The sample with a true effect on the outside of the cooler, which lowers the charge at light load too."""
    experiment = Experiment.load(SAMPLES / "fin_wash")
    return experiment, read_drives(experiment)


def with_signals(drive, experiment, **change):
    """Return a drive with signals changed by functions, its runs found anew and its findings of columns with them."""
    signals = dict(drive.log.signals)
    for channel, make in change.items():
        signals[channel] = make(signals)
    log = replace(drive.log, signals=signals)
    runs = find_runs(log, experiment.protocol)
    return replace(drive, log=log, runs=runs, findings=(*drive.findings, *swapped(log, runs), *doubtful_units(log)))


def shifted(channel, by_k):
    def make(signals):
        signal = signals[channel]
        return replace(signal, values=by_k(signal.values))

    return {channel: make}


def answered(nothing_done, change, phases=("after",)):
    experiment, drives = nothing_done
    drives = [with_signals(d, experiment, **change) if d.session.phase in phases else d for d in drives]
    return analyse_experiment(experiment, drives=drives)


@pytest.mark.parametrize("phases", [("after",), ("before", "after")])
def test_swapped_columns_get_no_answer(nothing_done, phases) -> None:
    experiment, drives = nothing_done
    turned = []
    for drive in drives:
        if drive.session.phase not in phases:
            turned.append(drive)
            continue
        old = drive.log.signals
        change = {
            CHARGE: lambda _, o=old: replace(o[INLET], channel=CHARGE),
            INLET: lambda _, o=old: replace(o[CHARGE], channel=INLET),
        }
        turned.append(with_signals(drive, experiment, **change))
    with pytest.raises(LogError, match="swapped") as refusal:
        analyse_experiment(experiment, drives=turned)
    assert "channels" in str(refusal.value)


def fahrenheit(values):
    return np.round(1.8 * values + 32)


@pytest.mark.parametrize("channels", [(CHARGE,), (CHARGE, INLET)])
def test_whole_fahrenheit_under_a_header_of_celsius_gets_no_answer(nothing_done, channels) -> None:
    change = {c: shifted(c, fahrenheit)[c] for c in channels}
    with pytest.raises(LogError, match="unit of a temperature") as refusal:
        answered(nothing_done, change)
    assert "after-1" in str(refusal.value)
    settled = unit_contradictions([(d.session.name, d.log) for d in nothing_done[1]], settled=(CHARGE,))
    assert settled == []


def test_whole_celsius_written_in_fahrenheit_steps_by_one_and_eight(nothing_done) -> None:
    signal = nothing_done[1][0].log.signals[CHARGE]
    stepped = replace(signal, values=1.8 * signal.values + 32, resolution=1.8)
    (finding,) = doubtful_units(replace(nothing_done[1][0].log, signals={CHARGE: stepped}))
    assert finding.evidence["step_k"] == 1.8


def codes(result) -> set[str]:
    return {finding.code for finding in result.findings}


def test_a_charge_sensor_that_reads_three_kelvin_lower_is_the_one_caution(nothing_done) -> None:
    result = answered(nothing_done, shifted(CHARGE, lambda values: values - 3))
    first = result.warnings[0]
    assert first.code == OFFSET
    assert first.evidence["light_load_k"] == pytest.approx(-3, abs=0.3)
    assert "charge sensor" in first.message
    noted = answered(nothing_done, shifted(INLET, lambda values: values + 4))
    assert "inlet sensor" in next(f for f in noted.findings if f.code == OFFSET).message


def test_nothing_done_and_a_true_effect_raise_no_doubt_of_a_sensor(nothing_done, fin_wash) -> None:
    for experiment, drives in (nothing_done, fin_wash):
        assert not codes(analyse_experiment(experiment, drives=drives)) & {OFFSET, SLOWER}


def slower_by(seconds):
    """Pass a signal through one more lag of the first order."""

    def make(signals):
        signal = signals[CHARGE]
        seen = [signal.values[0]]
        for step, value in zip(np.diff(signal.time_s), signal.values[1:], strict=True):
            seen.append(seen[-1] + (value - seen[-1]) * (1 - np.exp(-step / seconds)))
        return replace(signal, values=np.round(seen))

    return {CHARGE: make}


def test_a_slower_sensor_is_a_doubt(nothing_done) -> None:
    result = answered(nothing_done, slower_by(4.0))
    assert result.comparison.high < 0
    (finding,) = [f for f in result.findings if f.code == SLOWER]
    for name in ("climbs_s", "falls_s"):
        before, after = finding.evidence[name]
        assert after > before + LEAST_LATER_S
    assert "slower" in finding.message
    # Since the service it is the faster one, and shows higher peaks.
    turned = answered(nothing_done, slower_by(4.0), phases=("before",))
    assert turned.comparison.low > 0
    assert "faster" in next(f.message for f in turned.findings if f.code == SLOWER)


def test_a_cooler_cleaner_inside_is_no_slower_sensor(tmp_path) -> None:
    """It lowers the peak, hardly the cruise, and the charge recovers more slowly by itself."""
    scenario = SCENARIOS["two_evenings"]
    clean = scenario.cooler_after
    cleaned = replace(scenario, cooler_before=replace(clean, eps_inside=0.75), cooler_after=clean)
    result = analyse_experiment(Experiment.load(write_experiment(tmp_path / "e", cleaned, seed=4002)))
    assert result.comparison.high < 0
    assert not codes(result) & {OFFSET, SLOWER}


def test_a_larger_core_is_no_slower_sensor(tmp_path) -> None:
    """It holds more of a pull's heat, so the peak is lower and the cruise is not."""
    usual = SCENARIOS["nothing_done"]
    larger = replace(
        usual, cooler_after=Cooler(heat_capacity_j_k=6500.0), before=usual.before[:2], after=usual.after[:2]
    )
    result = analyse_experiment(Experiment.load(write_experiment(tmp_path / "e", larger, seed=4003)))
    assert result.comparison.high < 0
    assert SLOWER not in codes(result)


def pulled(charge_c) -> tuple[Signal, Run]:
    """A pull from 100 s to 110 s; the charge each second, from 90 s on."""
    values = np.asarray(charge_c, dtype=float)
    charge = Signal(
        channel=CHARGE, column="c", unit="degC", time_s=90.0 + np.arange(len(values)), values=values,
        period_s=1.0, resolution=1.0,
    )  # fmt: skip
    return charge, Run(kind="pull", number=1, start_s=100, end_s=110, start_kmh=40, end_kmh=110, included=True)


def test_when_a_charge_begins_to_climb_and_to_fall() -> None:
    # From 20 °C by 2 K a second from 101 s, to 40 °C at 111 s, and down again by 2 K a second: 4 K are a fifth.
    curve = [*[20.0] * 12, *np.arange(22, 41, 2), *np.arange(38, 19, -2)]
    answer = _answer(*pulled(curve), until_s=np.inf)
    assert answer is not None
    assert (answer.climb_k, answer.climbs_s, answer.falls_s) == pytest.approx((20, 3, 3))
    assert _answer(*pulled(curve), until_s=111.5) is None  # the next pull begins before it has fallen
    assert _answer(*pulled([20.0] * 40), until_s=np.inf) is None  # no climb


def test_an_inlet_that_nobody_can_check_is_said(nothing_done) -> None:
    experiment, drives = nothing_done
    assert INLET_UNCHECKED not in codes(answered(nothing_done, {}))
    bare = [replace(d, session=d.session.model_copy(update={"ambient_c": None})) for d in drives]
    assert INLET_UNCHECKED in codes(analyse_experiment(experiment, drives=bare))


# --- the same drive ----------------------------------------------------------------------------------------------


def test_a_drive_saved_anew_is_the_same_drive(nothing_done) -> None:
    log = nothing_done[1][0].log
    signals = {}
    for name, signal in log.signals.items():
        keep = signal.time_s > 60.0  # cropped, and its clock set to another beginning
        values = signal.values[keep] - 3 * (name == CHARGE)
        signals[name] = replace(signal, time_s=signal.time_s[keep] - 47.3, values=np.round(values))
    with pytest.raises(ExperimentError, match="before-1 and after-1 hold the same drive"):
        refuse_copies({"before-1": log, "after-1": replace(log, signals=signals)})


def test_drives_of_one_protocol_are_not_copies(nothing_done, fin_wash) -> None:
    for _, drives in (nothing_done, fin_wash):
        refuse_copies({drive.session.name: drive.log for drive in drives})


def at(name: str, hour: float, minutes: float, phase: str = "before") -> Timed:
    start = dt.datetime(2026, 3, 1) + dt.timedelta(hours=hour)
    return Timed(name=name, phase=phase, start=start, end=start + dt.timedelta(minutes=minutes))


def test_one_vehicle_does_not_drive_twice_at_once() -> None:
    with pytest.raises(ExperimentError, match="overlap"):
        refuse_at_once([at("a", 18.0, 20), at("b", 18.1, 20, "after")])
    refuse_at_once([at("a", 18.0, 20), at("b", 19.0, 20), at("c", 18.0, 30)])  # a clock that begins alike every time
    by_utc = replace(at("b", 18.1, 20), utc=True)
    refuse_at_once([at("a", 18.0, 20), by_utc])  # two clocks that nobody can set against each other


def test_drives_are_set_against_those_that_are_known() -> None:
    known, apart = [at("a", 18.0, 20), at("b", 18.1, 20)], at("c", 19.0, 20)
    refuse_at_once([apart], known)  # the known ones among themselves were looked at before
    with pytest.raises(ExperimentError, match="overlap"):
        refuse_at_once([apart, at("d", 17.9, 20)], known)


def test_a_log_cut_in_two_is_one_drive() -> None:
    (finding,) = one_drive([at("b", 18.5, 10), at("a", 18.0, 30)])
    assert finding.evidence["sessions"] == ["a", "b"]
    assert not one_drive([at("a", 18.0, 30), at("b", 19.0, 10)])


def test_the_command_refuses_a_copy_with_other_marks(tmp_path) -> None:
    folder = tmp_path / "e"
    shutil.copytree(SAMPLES / "two_evenings", folder, ignore=shutil.ignore_patterns("rendered"))
    text = (folder / "logs" / "before-1.csv").read_text(encoding="utf-8").replace(",", ".").replace(";", ",")
    (folder / "logs" / "after-1.csv").write_text(text, encoding="utf-8")
    with pytest.raises(ExperimentError, match="hold the same drive"):
        read_drives(Experiment.load(folder))
