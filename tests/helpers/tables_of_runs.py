"""Measures tables made by hand, for tests of the comparison that need no logs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from pullbook.settings.experiment import Experiment, Service, Session


def runs_table(
    sessions: Sequence[tuple[str, str, Sequence[float], float]],
    *,
    pressure_kpa: dict[str, float] | None = None,
    step: float = 0.0,
) -> pd.DataFrame:
    """Make a table of pulls: (session, phase, rises in K, inlet in °C) each."""
    frames = []
    for name, phase, rises, inlet in sessions:
        peak = (pressure_kpa or {}).get(phase, 210.0)
        frames.append(
            pd.DataFrame(
                {
                    "session": name, "phase": phase, "kind": "pull", "number": np.arange(1, len(rises) + 1),
                    "included": True, "left_out": False, "reason": "",
                    "peak_rise": np.asarray(rises, dtype=float), "peak_charge": np.asarray(rises, dtype=float) + inlet,
                    "inlet_at_peak": inlet, "charge_step": step, "inlet_step": step, "pressure_step": 1.0,
                    "pressure_ratio": peak / 101.325, "peak_manifold_pressure": peak, "time_to_boost": 2.5,
                    "start_charge": 20.0, "peak_coolant": 90.0, "start_speed": 40.0, "end_speed": 112.0,
                    "duration": 16.0,
                    "effectiveness": 0.6, "recovery_time": 12.0,
                }
            )
        )  # fmt: skip
    return pd.concat(frames, ignore_index=True)


def experiment_of(table: pd.DataFrame, **settings: Any) -> Experiment:
    """Make the experiment that a table belongs to."""
    named = table.drop_duplicates("session")
    sessions = tuple(
        Session(name=row["session"], phase=row["phase"], log=f"{row['session']}.csv")
        for row in named.to_dict(orient="records")
    )
    return Experiment(
        title="by hand", service=Service(what="by hand"), sessions=sessions, **{"worthwhile_change": 2.0, **settings}
    )


def drawn_sessions(
    rng: np.random.Generator,
    *,
    count: int,
    change_k: float = 0.0,
    slope: float = 0.0,
    apart_k: float = 0.0,
    day_sd_k: float = 0.8,
    pull_sd_k: float = 0.6,
    pulls: int = 5,
    level_k: float = 40.0,
) -> list[tuple[str, str, np.ndarray, float]]:
    """Draw sessions with a known change, a known slope on the inlet temperature, and ``apart_k`` between the phases."""
    sessions = []
    for phase in ("before", "after"):
        late = phase == "after"
        for k in range(count):
            inlet = 15.0 + late * apart_k + rng.uniform(-3, 3)
            mean = level_k + late * change_k + slope * (inlet - 15.0) + day_sd_k * rng.standard_normal()
            sessions.append((f"{phase}-{k + 1}", phase, mean + pull_sd_k * rng.standard_normal(pulls), inlet))
    return sessions
