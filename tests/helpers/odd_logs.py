"""Invented drives, written down as odd loggers, hand edits and spreadsheets write them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import numpy as np

from pullbook.simulate import Cooler, Cruise, Idle, Vehicle, Weather, drive, standard_script

# A column: its header, and its cell from the row's number and the values at that moment.
Columns = Mapping[str, Callable[[int, Mapping[str, float]], object]]


@cache
def moments(*, ambient_c: float = 15.0, fouled: bool = False, every_s: float = 0.5, seed: int = 1, pulls: int = 4):
    """Return a drive as one dictionary of true values for each moment, every so many seconds."""
    rng = np.random.default_rng(seed)
    cooler = Cooler(ua_per_kmh_w_k=1.4, ua_standstill_w_k=20.0) if fouled else Cooler()
    trace = drive(
        vehicle=Vehicle(),
        cooler=cooler,
        weather=Weather(ambient_c=ambient_c),
        script=(Idle(duration_s=20), *standard_script(rng=rng, pulls=pulls), Cruise(speed_kmh=90, duration_s=40)),
        rng=rng,
    )
    times = np.arange(0.0, trace.time_s[-1], every_s)
    columns = {name: np.interp(times, trace.time_s, values) for name, values in trace.channels.items()}
    return [{"t": t, **{name: float(values[k]) for name, values in columns.items()}} for k, t in enumerate(times)]


def rounded(channel: str, step: float = 1.0, scale: float = 1.0, offset: float = 0.0):
    """Return a column that writes a channel in steps, as ``scale * value + offset``."""
    digits = max(0, -int(np.floor(np.log10(step))))
    return lambda _, now: f"{step * round((scale * now[channel] + offset) / step):.{digits}f}"


def speed_and_charge() -> dict[str, Callable[[int, Mapping[str, float]], object]]:
    """Return the plain columns that most tests need beside the odd one."""
    return {
        "Vehicle speed [km/h]": rounded("vehicle_speed"),
        "Accelerator position [%]": rounded("accelerator_position", 0.4),
        "Intake air temperature [°C]": rounded("intake_air_temperature"),
        "Charge air temperature [°C]": rounded("charge_air_temperature"),
        "Intake manifold pressure [kPa]": rounded("intake_manifold_pressure"),
    }


def clock(seconds: float, pattern: str = "%H:%M:%S.%f", start: dt.datetime = dt.datetime(2026, 3, 20, 10)) -> str:
    """Write a moment on the clock."""
    return (start + dt.timedelta(seconds=round(seconds, 6))).strftime(pattern)


def write(path: Path, columns: Columns, *, delimiter: str = ",", head: str = "", encoding: str = "utf-8", **drive_as):
    """Write a drive with these columns; return its path."""
    rows = [delimiter.join(columns)]
    for k, now in enumerate(moments(**drive_as)):
        rows.append(delimiter.join(str(cell(k, now)) for cell in columns.values()))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes((head + "\n".join(rows) + "\n").encode(encoding))
    return path
