"""What the weather does to a charge temperature, and how that knowledge joins the data.

At constant cooler effectiveness the rise over the inlet grows in proportion to the absolute inlet temperature; lower
air flow on hot days works against it. So the slope is partly known before any data, and mixed estimation joins the two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pullbook.physics.air import KELVIN
from pullbook.settings.outcomes import Outcome

SHARE_OF_PROPORTIONAL = 0.6
SHARE_UNCERTAINTY = 0.35
COOLANT_SHARE, COOLANT_SHARE_U = 0.4, 0.4


@dataclass(frozen=True)
class Prior:
    """What is known of a slope before the data.

    Attributes
    ----------
    mean, standard_uncertainty : float
        In the outcome's unit per unit of the condition; the uncertainty above zero.
    source : str
        Words for a person.
    """

    mean: float
    standard_uncertainty: float
    source: str


def ambient_slope(outcome: Outcome, *, rise_k: float, inlet_c: float) -> Prior | None:
    """Return the physical slope of an outcome on the inlet temperature.

    Parameters
    ----------
    outcome : Outcome
    rise_k : float
        Usual rise of the charge over the inlet temperature [K].
    inlet_c : float
        Usual inlet temperature [°C].

    Returns
    -------
    Prior or None
        In the outcome's unit per kelvin; None where physics says nothing definite, and then no correction is made.

    Notes
    -----
    With ``T2 = T1 (1 + x)`` (adiabatic compression) and ``T3 = T2 - e (T2 - T1)`` (the definition of the effectiveness
    ``e``), the rise is ``T1 x (1 - e)``: slope rise / T1. Lower air flow in warm air raises the effectiveness; 0.6 +-
    0.35 of the proportional slope covers both (a judgement, no source).

    A coolant that its thermostat holds does not follow the air at all; with the radiator at its limit, the heat and the
    flow being as they are, it follows kelvin for kelvin. Which of the two is not known: 0.4 +- 0.4 K/K has the first
    within one standard uncertainty and the second within one and a half (a judgement, no source; a rectangular
    distribution from 0 to 1 was tried, and its interval missed either end too often).

    Examples
    --------
    By hand: 0.6 * 40 K / 293.15 K.

    >>> from pullbook.statistics.priors import ambient_slope
    >>> from pullbook.settings.outcomes import OUTCOMES
    >>> prior = ambient_slope(OUTCOMES["peak_rise"], rise_k=40.0, inlet_c=20.0)
    >>> round(prior.mean, 4), round(prior.standard_uncertainty, 4)
    (0.0819, 0.0478)
    """
    if outcome.ambient == "coolant":
        return Prior(COOLANT_SHARE, COOLANT_SHARE_U, "anything from a thermostat that holds to a radiator at its limit")
    if not outcome.of_charge or not np.isfinite([rise_k, inlet_c]).all():
        return None
    proportional = max(rise_k, 0.0) / (inlet_c + KELVIN)
    mean = SHARE_OF_PROPORTIONAL * proportional + (1.0 if outcome.ambient == "charge" else 0.0)
    return Prior(mean, max(SHARE_UNCERTAINTY * proportional, 1e-6), "physics of compressor and cooler")


def pressure_slope(outcome: Outcome, *, rise_k: float) -> Prior | None:
    """Return the physical slope of an outcome on the logarithm of the compression heating.

    Parameters
    ----------
    outcome : Outcome
    rise_k : float
        Usual rise of the charge over the inlet temperature [K].

    Returns
    -------
    Prior or None
        In kelvin (a logarithm has no unit); None where physics says nothing definite.

    Notes
    -----
    The rise is proportional to ``pr**((g-1)/g) - 1`` (`pullbook.physics.air.compression_heating_factor`) at constant
    effectiveness; a higher air flow lowers the effectiveness and works with it, heat stored in the cooler against it.
    """
    if not outcome.of_charge or not np.isfinite(rise_k) or rise_k <= 0:
        return None
    return Prior(rise_k, SHARE_UNCERTAINTY * rise_k, "physics of the compressor")
