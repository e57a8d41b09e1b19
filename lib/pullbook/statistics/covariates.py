"""The conditions that an outcome depends on: how far each session is from their mean, and what physics says.

Mixed estimation brings the sessions to common conditions with them; what a slope's doubt leaves of a difference
between the phases is a line of the budget. Nothing here has a threshold: a small difference costs little, a large one
much.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pullbook.physics.air import KELVIN, compression_heating_factor
from pullbook.statistics.priors import (
    Prior,
    ambient_slope,
    density_on_compression,
    density_on_inlet,
    end_slope,
    entry_slope,
    length_slope,
    pressure_slope,
    relative_slope,
    start_slope,
)
from pullbook.statistics.session_means import SessionMeans

INLET, COMPRESSION, START = "inlet temperature", "compression", "heat left over"
ENTRY, END, LENGTH = "entry speed", "end speed", "length at equal speeds"
REACH = "time to the speed asked about"
BOOSTED = 1.05  # pressure ratio above which there is compression heating to speak of


@dataclass(frozen=True)
class Covariate:
    """A condition that the outcome depends on.

    Attributes
    ----------
    name : str
    unit : str
        Of the slope.
    centred : ndarray, shape (sessions,)
        The condition less its mean over the sessions, in its own unit.
    prior : Prior
        What physics says of the slope.
    """

    name: str
    unit: str
    centred: np.ndarray
    prior: Prior


def covariates_of(data: SessionMeans, *, equal_boost: bool = True) -> list[Covariate]:
    """Return the conditions to bring the sessions to.

    Parameters
    ----------
    data : SessionMeans
    equal_boost : bool
        Whether the compression is one of them; not for the figure as driven.

    Returns
    -------
    list of Covariate
        Those that all sessions logged and physics says something of: inlet temperature, compression and, for what a
        pull leaves behind it, the heat at its start, its speeds and its length, or its time to the speed asked about.
    """
    outcome, inlet = data.outcome, data.inlet_c
    rise = float(np.nanmean(data.rise_k)) if np.isfinite(data.rise_k).any() else math.nan
    level, inlet_c = float(np.mean(data.means)), float(np.mean(inlet))
    found = []

    def add(name: str, unit: str, values: np.ndarray, prior: Prior | None) -> None:
        if prior is not None and np.isfinite(values).all():
            found.append(Covariate(name, unit, values - values.mean(), prior))

    per_kelvin = f"{outcome.change_unit}/K"
    if outcome.ambient == "density":
        add(INLET, per_kelvin, inlet, density_on_inlet(level, rise_k=rise, inlet_c=inlet_c))
    elif outcome.ambient == "power":
        add(INLET, per_kelvin, inlet, relative_slope(outcome, level, inlet_c=inlet_c))
    else:
        add(INLET, per_kelvin, inlet, ambient_slope(outcome, rise_k=rise, inlet_c=inlet_c))
    ratio = data.pressure_ratio
    if equal_boost and np.isfinite(ratio).all() and (ratio > BOOSTED).all():
        on_compression = (
            density_on_compression(level, rise_k=rise, charge_k=inlet_c + rise + KELVIN, pressure_ratio=ratio.mean())
            if outcome.ambient == "density"
            else pressure_slope(outcome, rise_k=rise)
        )
        add(COMPRESSION, f"{outcome.change_unit} per ln", log_heating(ratio), on_compression)
    if outcome.kind == "pull" and outcome.of_charge:
        add(START, "K/K", data.heat_left_k, start_slope())
        if outcome.at_the_end:
            add(ENTRY, "K per km/h", data.start_kmh, entry_slope(data.climb_per_kmh))
            add(END, "K per km/h", data.end_kmh, end_slope(data.climb_per_kmh))
            if (pace := float(data.pace_at_end.mean())) > 0:
                add(LENGTH, "K/s", data.duration_s - data.end_kmh * pace, length_slope(data.climb_per_kmh / pace))
        else:
            add(REACH, "K/s", data.reach_s, length_slope(data.climb_per_s))
    return found


def log_heating(pressure_ratio: np.ndarray) -> np.ndarray:
    """Return the logarithm of the compression heating, to which a rise is proportional.

    Parameters
    ----------
    pressure_ratio : ndarray, shape (n,)
        Above 1.

    Returns
    -------
    ndarray, shape (n,)
    """
    heating: np.ndarray = np.log(np.asarray(compression_heating_factor(pressure_ratio)))
    return heating
