"""Do estimated effectiveness and fitted time constants lie within what they state? A small version is in the suite.

``python -m study.secondary`` prints how often the error is below twice the stated standard uncertainty.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pullbook.reading.logs import Signal, read_log
from pullbook.runs.find import find_runs
from pullbook.runs.heat_soak import recovery
from pullbook.runs.measures import Surroundings, measure
from pullbook.settings.experiment import Protocol
from pullbook.settings.experiment import Vehicle as Given
from pullbook.simulate import LOGGED, Cooler, Trace, Vehicle, Weather, drive, record, standard_script

SEED = 6


def decay(rng: np.random.Generator, *, window_s: tuple[float, float] = (30.0, 90.0)) -> tuple[Signal, float]:
    """Draw a first-order decay in steps of 1 °C, polled every 0.3 s to 1.3 s, and its time constant."""
    tau, fall, end = rng.uniform(4, 30), rng.uniform(6, 50), rng.uniform(10, 40)
    period = rng.uniform(0.3, 1.3)
    times = np.cumsum(period * rng.uniform(0.9, 1.1, int(rng.uniform(*window_s) / period)))
    values = np.round(end + fall * np.exp(-times / tau))
    return Signal(
        channel="charge_air_temperature",
        column="",
        unit="°C",
        time_s=times,
        values=values,
        period_s=period,
        resolution=1.0,
    ), tau


def recovery_scores(count: int, *, seed: int = SEED) -> np.ndarray:
    """Return error over standard uncertainty of fitted time constants; NaN where the fit was refused."""
    rng = np.random.default_rng(seed)
    scores = []
    for _ in range(count):
        signal, tau = decay(rng)
        found, u = recovery(signal, start_s=0.0, end_s=float(signal.time_s[-1]))
        scores.append((found - tau) / u)
    return np.array(scores)


def any_vehicle(rng: np.random.Generator) -> tuple[Vehicle, Cooler, Weather]:
    """Draw a vehicle whose compressor is as efficient as the library supposes, 0.70 ± 0.05, and its day."""
    vehicle = Vehicle(
        displacement_l=rng.uniform(1.6, 2.6),
        boost_full_kpa=rng.uniform(180, 235),
        compressor_efficiency=float(np.clip(rng.normal(0.70, 0.05), 0.5, 0.9)),
    )
    cooler = Cooler(
        eps_inside=rng.uniform(0.75, 0.88),
        ua_standstill_w_k=rng.uniform(15, 45),
        ua_per_kmh_w_k=rng.uniform(1.0, 4.0),
        heat_capacity_j_k=rng.uniform(2500, 5000),
    )
    return vehicle, cooler, Weather(ambient_c=rng.uniform(-5, 30), pressure_kpa=rng.uniform(94, 103))


def true_effectiveness(trace: Trace) -> list[float]:
    """Return (T2 - T3) / (T2 - T1) of each pull from the sensors before steps and polling, as `measures` defines it."""
    found = []
    for run in (r for r in trace.runs if r.kind == "pull" and r.complete):
        first, last, tail = np.searchsorted(trace.time_s, (run.start_s, run.end_s, run.end_s + 5.0))
        charge = trace.channels["charge_air_temperature"]
        peak = first + int(np.argmax(charge[first : tail + 1]))
        outlet = float(trace.channels["compressor_outlet_temperature"][first : last + 1].max())
        inlet = float(trace.channels["intake_air_temperature"][peak])
        found.append((outlet - float(charge[peak])) / (outlet - inlet))
    return found


def effectiveness_scores(count: int, *, seed: int = SEED) -> np.ndarray:
    """Return error over standard uncertainty of one pull's estimated effectiveness, a vehicle each."""
    rng = np.random.default_rng(seed)
    scores = []
    for _ in range(count):
        vehicle, cooler, weather = any_vehicle(rng)
        script = standard_script(rng=rng, pulls=1, cruise_s=20.0)
        trace = drive(vehicle=vehicle, cooler=cooler, weather=weather, script=script, rng=rng)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "drive.csv"
            path.write_text(record(trace, rng=rng, channels=LOGGED, period_s=0.5), encoding="utf-8")
            log = read_log(path)
        outside = Surroundings(pressure_kpa=weather.pressure_kpa)
        frame = measure(log, find_runs(log, Protocol()), vehicle=Given(), surroundings=outside)
        pull = frame[(frame["kind"] == "pull") & frame["included"]].iloc[0]
        scores.append((pull["effectiveness"] - true_effectiveness(trace)[0]) / pull["effectiveness_u"])
    return np.array(scores)


def told(name: str, scores: np.ndarray) -> str:
    """Return a line of the table."""
    kept = scores[np.isfinite(scores)]
    inside = np.mean(np.abs(kept) < 2)
    return f"| {name} | {len(kept)} of {len(scores)} | {inside:.1%} | {np.mean(kept):+.2f} | {np.std(kept):.2f} |"


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--decays", type=int, default=4000)
    parser.add_argument("--vehicles", type=int, default=300)
    given = parser.parse_args(arguments)
    out = io.StringIO()
    out.write(
        "| figure | had in | error below twice its uncertainty | mean score | SD of scores |\n|---|---|---|---|---|\n"
    )
    out.write(told("recovery time constant", recovery_scores(given.decays)) + "\n")
    out.write(told("estimated cooler effectiveness", effectiveness_scores(given.vehicles)) + "\n")
    sys.stdout.write(out.getvalue())
    return 0


if __name__ == "__main__":
    sys.exit(main())
