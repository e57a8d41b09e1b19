"""Runs and times found in the speed traces of the regulations, whose phases are printed.

The extra-urban cycle (EUDC): UN Regulation No 83, Annex 4a, Table 2 (OJ L 42, 15.2.2012). The end points below were
typed from two transcriptions that agree; the regulation's own text was not at hand. The urban cycle: the same annex,
Table 1, from memory. The WLTC has 1801 speeds, which come with the package wltp (see the Makefile).
"""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.reading.logs import Log, Signal
from pullbook.runs.find import Run, find_runs
from pullbook.runs.measures import elapsed
from pullbook.settings.experiment import Protocol

EUDC_S, EUDC_KMH = np.array(
    [
        (0, 0), (20, 0), (25, 15), (27, 15), (36, 35), (38, 35), (46, 50), (48, 50), (61, 70), (111, 70), (119, 50),
        (188, 50), (201, 70), (251, 70), (286, 100), (316, 100), (336, 120), (346, 120), (362, 80), (370, 50), (380, 0),
        (400, 0),
    ],
    dtype=float,
).T  # fmt: skip

URBAN_S, URBAN_KMH = np.array(
    [
        (0, 0), (11, 0), (15, 15), (23, 15), (25, 10), (28, 0), (49, 0), (54, 15), (56, 15), (61, 32), (85, 32),
        (93, 10), (96, 0), (117, 0), (122, 15), (124, 15), (133, 35), (135, 35), (143, 50), (155, 50), (163, 35),
        (176, 35), (178, 32), (185, 10), (188, 0), (195, 0),
    ],
    dtype=float,
).T  # fmt: skip

# period in s, step of the speed in km/h: exact, as a slow poll shows it, and a fast one
SAMPLINGS = [(1.0, 0.0), (1.3, 1.0), (0.1, 0.0), (0.1, 1.0)]
SETTLED_KMH = 1.1  # find_runs counts a speed as settled within 1 km/h of the median, and 0.1 for rounding


def sampled(time_s: np.ndarray, kmh: np.ndarray, *, period_s: float, step_kmh: float) -> Log:
    t = np.arange(time_s[0], time_s[-1] + 1e-9, period_s)
    v = np.interp(t, time_s, kmh)
    if step_kmh:
        v = np.round(v / step_kmh) * step_kmh
    speed = Signal(
        channel="vehicle_speed", column="speed", unit="km/h", time_s=t, values=v, period_s=period_s, resolution=step_kmh
    )
    return Log(name="cycle.csv", start=None, duration_s=float(t[-1]), signals={"vehicle_speed": speed})


def test_the_typed_end_points_give_the_printed_length() -> None:
    # R83 prints 6.955 km and 400 s; its table integrates to 6954.86 m.
    assert np.trapezoid(EUDC_KMH / 3.6, EUDC_S) == pytest.approx(6955, abs=0.5)
    assert EUDC_S[-1] == 400


def test_the_typed_urban_cycle_has_the_printed_breakdown() -> None:
    # R83, Annex 4a, breakdown by phases, from memory: idling 60 s, steady 57 s, accelerating 36 s, slowing down 25 s
    # with the clutch engaged and 9 s without, changing gear 8 s; 195 s. Of four gear changes one goes from 35 to 32.
    lasts, gains = np.diff(URBAN_S), np.diff(URBAN_KMH)
    steady, stands = gains == 0, URBAN_KMH[:-1] == 0
    assert lasts[steady & stands].sum() == 60
    assert lasts[steady & ~stands].sum() == 57 + 3 * 2  # and three gear changes
    assert lasts[gains > 0].sum() == 36
    assert lasts[gains < 0].sum() == 25 + 9 + 2
    assert URBAN_S[-1] == 195


@pytest.mark.parametrize(("period_s", "step_kmh"), SAMPLINGS)
@pytest.mark.parametrize(
    ("cruise_kmh", "phases"),
    [
        # Start and end in s, and the slopes in km/h per s of the ramps before and after, all from Table 2.
        (50, [(119, 188, 20 / 8, 20 / 13)]),
        (70, [(61, 111, 20 / 13, 20 / 8), (201, 251, 20 / 13, 30 / 35)]),
        (100, [(286, 316, 30 / 35, 20 / 20)]),
        (120, []),  # held for 10 s only
    ],
)
def test_steady_phases(
    cruise_kmh: float, phases: list[tuple[float, float, float, float]], period_s: float, step_kmh: float
) -> None:
    log = sampled(EUDC_S, EUDC_KMH, period_s=period_s, step_kmh=step_kmh)
    cruises = find_runs(log, Protocol(cruise_kmh=cruise_kmh)).cruises
    assert [run.included for run in cruises] == [True] * len(phases)
    for run, (start_s, end_s, up, down) in zip(cruises, phases, strict=True):
        # The last km/h of a ramp is within the settled band, and half a step more by rounding; then one refresh.
        band_kmh = SETTLED_KMH + step_kmh / 2
        assert -band_kmh / up - period_s <= run.start_s - start_s <= period_s
        assert -period_s <= run.end_s - end_s <= band_kmh / down + period_s


@pytest.mark.parametrize(("period_s", "step_kmh"), SAMPLINGS)
@pytest.mark.parametrize(
    ("start_s", "end_s", "low_kmh", "high_kmh", "expected_s", "slope"),
    [
        # A share of the printed phase: 13 s from 50 to 70, 35 s from 70 to 100, 20 s from 100 to 120. The marks lie
        # inside it, because the cycle holds the speeds at its ends, and a held speed is not crossed at one moment.
        (188, 201, 52, 68, 13 * 16 / 20, 20 / 13),
        (251, 286, 72, 98, 35 * 26 / 30, 30 / 35),
        (251, 286, 80, 99.9, 35 * 19.9 / 30, 30 / 35),
        (316, 336, 102, 118, 20 * 16 / 20, 20 / 20),
    ],
)
def test_elapsed_times(
    start_s: float,
    end_s: float,
    low_kmh: float,
    high_kmh: float,
    expected_s: float,
    slope: float,
    period_s: float,
    step_kmh: float,
) -> None:
    log = sampled(EUDC_S, EUDC_KMH, period_s=period_s, step_kmh=step_kmh)
    run = Run(kind="pull", number=1, start_s=start_s, end_s=end_s, start_kmh=low_kmh, end_kmh=high_kmh, included=True)
    seconds, _ = elapsed(log.need("vehicle_speed"), run, low_kmh, high_kmh)
    # The ramp is straight, so each of the crossings is exact but for half a step; 1e-6 s for the arithmetic.
    assert seconds == pytest.approx(expected_s, abs=step_kmh / slope + 1e-6)


def test_80_to_100_takes_two_thirds_of_the_phase() -> None:
    # 20 of the 30 km/h that the phase 70 to 100 gains in 35 s (R83, Table 2): 23.33 s. Exact at 1 Hz.
    log = sampled(EUDC_S, EUDC_KMH, period_s=1.0, step_kmh=0.0)
    run = Run(kind="pull", number=1, start_s=251, end_s=286, start_kmh=70, end_kmh=100, included=True)
    assert elapsed(log.need("vehicle_speed"), run, 80, 100)[0] == pytest.approx(70 / 3, abs=1e-9)


# --- no pull in regulated driving ---------------------------------------------------------------------------------

PROTOCOLS = [(0, 60), (20, 60), (30, 70), (40, 110), (50, 100), (60, 100), (80, 120)]


@pytest.mark.parametrize(("period_s", "step_kmh"), SAMPLINGS)
@pytest.mark.parametrize(("pull_from_kmh", "pull_to_kmh"), PROTOCOLS)
def test_the_extra_urban_cycle_holds_no_pull(
    pull_from_kmh: float, pull_to_kmh: float, period_s: float, step_kmh: float
) -> None:
    log = sampled(EUDC_S, EUDC_KMH, period_s=period_s, step_kmh=step_kmh)
    runs = find_runs(log, Protocol(pull_from_kmh=pull_from_kmh, pull_to_kmh=pull_to_kmh))
    assert runs.full_load_from == "acceleration"
    assert not any(run.included for run in runs.pulls)


def nedc() -> tuple[np.ndarray, np.ndarray]:
    """Return the whole cycle: the urban one four times, then the extra-urban."""
    times = [*(URBAN_S + k * URBAN_S[-1] for k in range(4)), EUDC_S + 4 * URBAN_S[-1]]
    return np.concatenate(times), np.concatenate([np.tile(URBAN_KMH, 4), EUDC_KMH])


def wltc() -> tuple[np.ndarray, np.ndarray]:
    cycles = pytest.importorskip("wltp.cycles.class3", reason="wltp, which carries the WLTC, is not installed")
    kmh = np.array(cycles.class_data_b()["cycle"], dtype=float)
    return np.arange(len(kmh), dtype=float), kmh


CYCLES = {"NEDC": nedc, "WLTC class 3b": wltc}


def test_the_whole_cycles_are_those_of_the_regulations() -> None:
    times, kmh = nedc()
    # 1180 s and 11.007 km are printed (4 x 1.013 + 6.955); the ramps add up to 4 x 1014.6 + 6954.9 m.
    assert times[-1] == 1180
    assert np.trapezoid(kmh / 3.6, times) == pytest.approx(11007, abs=7)
    # WLTC class 3b: the sum of the 1801 speeds is 83758.6 km/h, the checksum of UN GTR 15 / R154, Annex 1.
    assert wltc()[1].sum() == pytest.approx(83758.6, abs=0.05)


def test_the_typed_cycle_is_that_of_the_package() -> None:
    tables = pytest.importorskip("wltp.cycles.nedc", reason="wltp is not installed")
    listed = np.array(tables.cycle_data()["cycle"], dtype=float)  # from 1 s
    times, kmh = nedc()
    np.testing.assert_allclose(np.interp(1.0 + np.arange(len(listed)), times, kmh), listed, atol=0.06)  # one decimal


@pytest.mark.parametrize(("period_s", "step_kmh"), SAMPLINGS)
@pytest.mark.parametrize(("pull_from_kmh", "pull_to_kmh"), PROTOCOLS)
@pytest.mark.parametrize("cycle", CYCLES)
def test_the_whole_cycles_hold_no_pull(
    cycle: str,
    pull_from_kmh: float,
    pull_to_kmh: float,
    period_s: float,
    step_kmh: float,
) -> None:
    log = sampled(*CYCLES[cycle](), period_s=period_s, step_kmh=step_kmh)
    runs = find_runs(log, Protocol(pull_from_kmh=pull_from_kmh, pull_to_kmh=pull_to_kmh))
    assert not any(run.included for run in runs.pulls)
