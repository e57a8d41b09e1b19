"""Mean power at the wheels between two speeds, from the time it took: to compare drives with, never as a rating.

Everything about the car but its mass is a guess, stated below with its standard uncertainty (from memory, no source).
The guesses are the same before and after, so a comparison keeps little of their uncertainty and a level keeps it all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pullbook.physics.air import Values

GRAVITY_MS2 = 9.80665
MASS_SHARE_U = 0.04  # driver, fuel, load and the catalogue's habit
TURNING, TURNING_U = 1.05, 0.02  # wheels and engine count as so much more mass
ROLLING, ROLLING_U = 0.012, 0.003
DRAG_AREA_M2, DRAG_AREA_U_M2 = 0.9, 0.25


@dataclass(frozen=True)
class WheelPower:
    """Mean power at the wheels.

    Attributes
    ----------
    kw, standard_uncertainty_kw : float or ndarray
        [kW]; the uncertainty is without that of the time.
    """

    kw: Values
    standard_uncertainty_kw: Values


def wheel_power(
    *, mass_kg: float, from_kmh: float, to_kmh: float, elapsed_s: Values, air_density_kg_m3: Values
) -> WheelPower:
    """Return the mean power that gained speed and overcame the road between two speeds.

    Parameters
    ----------
    mass_kg : float
        Of the car as driven.
    from_kmh, to_kmh : float
    elapsed_s : float or ndarray
        Time between them.
    air_density_kg_m3 : float or ndarray

    Returns
    -------
    WheelPower
        Without slope of the road: one per cent of it is ``m g v / 100``, several kW, which is why both phases need the
        same road in the same direction.

    Notes
    -----
    Kinetic energy over time, and rolling and air drag averaged over an even acceleration:
    ``m' (v2**2 - v1**2) / 2t + m g c (v1 + v2) / 2 + rho A (v1 + v2) (v1**2 + v2**2) / 8`` (Newton's second law).

    Examples
    --------
    1500 kg from 10 to 30 m/s in 10 s, by hand: 63.0 kW for the mass, 3.5 for the tyres, 5.4 for the air.

    >>> from pullbook.physics.wheel_power import wheel_power
    >>> found = wheel_power(mass_kg=1500, from_kmh=36, to_kmh=108, elapsed_s=10.0, air_density_kg_m3=1.2)
    >>> round(float(found.kw), 1)
    71.9
    """
    v1, v2 = from_kmh / 3.6, to_kmh / 3.6
    inertia = mass_kg * (v2**2 - v1**2) / 2 / elapsed_s
    rolling = mass_kg * GRAVITY_MS2 * (v1 + v2) / 2
    drag = air_density_kg_m3 * (v1 + v2) * (v1**2 + v2**2) / 8
    total = TURNING * inertia + ROLLING * rolling + DRAG_AREA_M2 * drag
    parts = (
        MASS_SHARE_U * (TURNING * inertia + ROLLING * rolling),
        TURNING_U * inertia,
        ROLLING_U * rolling,
        DRAG_AREA_U_M2 * drag,
    )
    return WheelPower(kw=total / 1e3, standard_uncertainty_kw=np.sqrt(sum(part**2 for part in parts)) / 1e3)
