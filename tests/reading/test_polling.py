"""When a held signal was really measured: simulated loggers whose every poll is known."""

from pathlib import Path

import numpy as np
import pytest

from pullbook import read_log
from pullbook.reading.polling import change_rows, cycle_of, refreshes
from pullbook.reading.tables import read_table

# Signals of a drive by their liveliness: rpm and speed move nearly always, temperatures seldom.
SWING = {
    "rpm": (2000, 900, 7.0),
    "speed": (60, 40, 31.0),
    "map": (140, 60, 11.0),
    "iat": (25, 4, 90.0),
    "ect": (85, 6, 400.0),
}
STEP = {"rpm": 1.0, "speed": 1.0, "map": 1.0, "iat": 1.0, "ect": 1.0}


def truth(name: str, time_s: np.ndarray) -> np.ndarray:
    middle, swing, tau = SWING[name]
    moved = middle + swing * (0.7 * np.sin(time_s / tau) + 0.3 * np.sin(time_s / tau * 2.7 + 1))
    return np.round(moved / STEP[name]) * STEP[name]


def poll(order: list[str], rows: int = 6000, slips: tuple[int, ...] = ()) -> tuple[dict, dict]:
    """Poll one signal a row in the given order; a slip skips one place of the order. Return columns and polled rows."""
    place = np.arange(rows)
    for slip in slips:
        place[slip:] += 1
    time_s = 0.1 * np.arange(rows)
    polled = {name: np.array([k for k in range(rows) if order[place[k] % len(order)] == name]) for name in set(order)}
    columns = {}
    for name, at in polled.items():
        values = np.full(rows, np.nan)
        for start, end in zip(at, [*at[1:], rows], strict=True):
            values[start:end] = truth(name, time_s[start])
        columns[name] = values
    return columns, polled


def recovered(columns: dict) -> dict[str, np.ndarray]:
    rows = refreshes(list(columns.values()))
    return {
        name: np.arange(len(columns[name])) if found is None else found
        for name, found in zip(columns, rows, strict=True)
    }


def agreement(found: np.ndarray, expected: np.ndarray) -> float:
    """Share of rows, found or expected, that are both."""
    return len(np.intersect1d(found, expected)) / len(np.union1d(found, expected))


def test_round_robin_is_recovered_to_the_row() -> None:
    columns, polled = poll(["rpm", "speed", "map", "iat", "ect"])
    for name, rows in recovered(columns).items():
        np.testing.assert_array_equal(rows, polled[name], err_msg=name)


def test_slips_shift_nothing_for_long() -> None:
    columns, polled = poll(["rpm", "speed", "map", "iat", "ect"], slips=(1003, 2201, 2950, 4444))
    for name, rows in recovered(columns).items():
        # A slip is seen when the clock signal next changes: at worst a few cycles of 1200 are a row off.
        assert agreement(rows, polled[name]) > 0.985, name


@pytest.mark.parametrize(
    "order",
    [
        ["rpm", "map", "rpm", "speed", "iat", "ect"],
        ["rpm", "map", "speed", "rpm", "iat", "ect"],
        ["rpm", "speed", "rpm", "map", "rpm", "ect", "iat", "map"],
    ],
)
def test_fast_signals_polled_more_than_once_a_cycle(order: list[str]) -> None:
    columns, polled = poll(order)
    for name, rows in recovered(columns).items():
        assert agreement(rows, polled[name]) > 0.98, name


def test_slow_signals_polled_every_nth_cycle() -> None:
    order = [*["rpm", "speed", "map"] * 4, "iat", *["rpm", "speed", "map"] * 4, "ect"]
    # A place of the cycle that slow signals share in turn.
    order = [name for turn in range(4) for name in ("rpm", "speed", "map", ("iat", "ect")[turn % 2])]
    columns, polled = poll(order, rows=24_000)
    found = recovered(columns)
    for name in ("rpm", "speed", "map", "iat"):
        assert agreement(found[name], polled[name]) > 0.98, name
    # The coolant moves too seldom to tell every n-th cycle; its refreshes still lie on its place.
    assert set((found["ect"] % 4).tolist()) == {3}


def test_sweeps_are_fresh_in_every_row_even_where_nothing_moves() -> None:
    time_s = 0.1 * np.arange(5000)
    noise = np.random.default_rng(1).normal(0, 3, 5000).round()
    columns = {name: truth(name, time_s) for name in SWING}
    columns["rpm"] = columns["rpm"] + noise
    columns["ect"] = np.full(5000, 88.0)
    for name, rows in recovered(columns).items():
        assert len(rows) == 5000, name


def test_slow_sweeps_of_smooth_signals_stay_fresh() -> None:
    time_s = 0.05 * np.arange(8000)
    columns = {name: truth(name, time_s) for name in ("speed", "map", "iat", "ect")}
    for name, rows in recovered(columns).items():
        assert len(rows) == 8000, name


def test_a_fast_logger_that_repeats_slow_values() -> None:
    second = np.arange(6000) // 10
    columns = {name: truth(name, second.astype(float)) for name in SWING}
    for name, rows in recovered(columns).items():
        np.testing.assert_array_equal(rows, np.arange(0, 6000, 10), err_msg=name)


def test_a_logger_on_its_own_clock() -> None:
    # Rows every 0.1 s; each signal measured every 0.87 s, at its own moment, and held.
    rows_s = 0.1 * np.arange(8000)
    rng = np.random.default_rng(3)
    columns, measured = {}, {}
    for name in SWING:
        polls = np.arange(rng.uniform(0, 0.87), rows_s[-1], 0.87)
        last = np.searchsorted(polls, rows_s, side="right") - 1
        columns[name] = np.where(last >= 0, truth(name, polls[last]), np.nan)
        measured[name] = polls
    for name, rows in recovered(columns).items():
        assert len(rows) == pytest.approx(len(measured[name]), rel=0.03), name
        # A value is first seen in the row after it was measured, 0 to 0.1 s late; inferred repeats are a row off at
        # most.
        late = rows_s[rows] - measured[name][np.searchsorted(measured[name], rows_s[rows], side="right") - 1]
        changes = np.isin(rows, change_rows(columns[name]))
        assert late[changes].max() <= 0.1 + 1e-9, name
        assert np.mean(np.minimum(late, 0.87 - late) > 0.2) < 0.03, name


def test_changes_and_cycle() -> None:
    values = np.array([np.nan, 1, 1, 2, 2, 2, np.nan, 2, 3])
    assert change_rows(values).tolist() == [1, 3, 8]
    assert change_rows(np.full(4, np.nan)).size == 0
    assert cycle_of(np.arange(0, 400, 8)) == 8
    assert cycle_of(np.arange(100)) == 1
    assert cycle_of(np.array([0, 10, 40])) is None


def write_ten_in_turn(path: Path, seconds: float = 600.0) -> Path:
    """Write an invented log: a row every 0.06 to 0.14 s polls one of ten signals, and the others are repeated.

    In one gear all the way: 32 rpm for each km/h, at 40 to 100 km/h.
    """
    rng = np.random.default_rng(8)
    time_s = np.cumsum(rng.uniform(0.06, 0.14, int(seconds / 0.1)))
    kmh = 70 + 30 * np.sin(time_s / 9)
    drawn = {
        "Vehicle speed [km/h]": kmh,
        "Engine speed [rpm]": 32 * kmh,
        "Intake manifold pressure [kPa]": 140 + 60 * np.cos(time_s / 9),
        "Accelerator position [%]": 40 + 30 * np.cos(time_s / 9),
        "Intake air temperature [°C]": 20 + 3 * np.sin(time_s / 80),
        "Charge air temperature [°C]": 35 + 9 * np.sin(time_s / 20),
        "Engine coolant temperature [°C]": 86 + 3 * np.sin(time_s / 60),
        "Air mass flow [g/s]": 60 + 40 * np.cos(time_s / 9),
        "Engine load [%]": 50 + 30 * np.cos(time_s / 9),
        "Throttle position [%]": 45 + 30 * np.cos(time_s / 9),
    }
    rows = np.arange(len(time_s))
    columns = [np.round(values[(rows - place) // 10 * 10 + place]) for place, values in enumerate(drawn.values())]
    lines = [",".join(["Time [s]", *drawn])]
    for k in range(10, len(time_s)):
        lines.append(",".join([f"{time_s[k]:.3f}", *(f"{column[k]:.0f}" for column in columns)]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_ten_signals_in_turn_are_each_dated_when_they_were_polled(tmp_path: Path) -> None:
    path = write_ten_in_turn(tmp_path / "log.csv")
    log = read_log(path)
    assert len(log.signals) == 10
    for signal in log.signals.values():
        assert signal.period_s == pytest.approx(1.0, abs=0.05), signal.channel
    speed, engine = log.need("vehicle_speed"), log.need("engine_speed")
    table = read_table(path)
    naive = table.numbers(2)[0] / table.numbers(1)[0]
    # In a row the two were polled 0.1 s apart or 0.9; where each is dated at its own poll the ratio keeps to 32. What
    # is left is the step of 1 km/h, evenly spread, and the straight line between two polls.
    refreshed = engine.at(speed.time_s) / speed.values
    assert np.nanstd(refreshed) < 0.5 * np.nanstd(naive)
    step = 32 / np.sqrt(12) * np.sqrt(np.mean(1 / speed.values**2))
    assert np.nanstd(refreshed) < 1.3 * step
