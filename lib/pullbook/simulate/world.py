"""What is driven, where, and how: vehicle, cooler, weather, manoeuvres, and the trace that results."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Fuel = Literal["diesel", "petrol"]
Phase = Literal["before", "after"]
RunKind = Literal["pull", "cruise"]
Layout = Literal["sweep", "held", "sparse", "long"]
TimeFormat = Literal["seconds", "milliseconds", "clock", "iso"]
Header = Literal["plain", "short"]

STEP_S = 0.1
"""Time step of the simulation [s]; the fastest lag in it is 0.3 s."""

GRAVITY_MS2 = 9.80665
GAS_CONSTANT_AIR = 287.05  # J/(kg K), dry air
HEAT_CAPACITY_AIR = 1005.0  # J/(kg K), dry air near 300 K
KAPPA_AIR = 1.4
ZERO_CELSIUS_K = 273.15

FULL_LOAD = 0.9
"""Share of the pedal's travel from which the load counts as full."""

PEAK_TAIL_S = 5.0
"""A peak is looked for until so long after the lift, because the sensor lags [s]."""

PEDAL_REST_PERCENT, PEDAL_END_PERCENT = 14.1, 78.0
REST_SPEED_KMH = 60.0
TYPICAL_REST_S, REST_SCATTER_S = 67.5, 22.5


@dataclass(frozen=True, kw_only=True)
class Vehicle:
    """A turbocharged road vehicle; the defaults are an invented 2.2 L diesel van.

    Attributes
    ----------
    description : str
        One line for the person.
    fuel : {"diesel", "petrol"}
        A petrol engine is throttled at part load, a diesel is not.
    mass_kg, rolling_coefficient, drag_area_m2, wheel_radius_m : float
        Road load: mass [kg], rolling resistance [1], drag coefficient times frontal area [m²], radius [m].
    overall_ratios : tuple of float
        Engine over wheel revolutions in each gear, final drive included.
    pull_gear : int
        Index into `overall_ratios` of the gear a pull is driven in.
    torque_nm, power_kw, drag_torque_nm : float
        Full-load torque [N m], held until the power limit [kW]; friction on the overrun [N m].
    displacement_l, volumetric_efficiency : float
        Swept volume [L] and the share of it filled at manifold conditions.
    boost_full_kpa : float
        Manifold pressure the control aims for at full load [kPa absolute].
    spool_rpm, boost_lag_s : float
        Engine speed from which that pressure can be reached [rpm]; first-order lag of its rise [s].
    compressor_efficiency : float
        Adiabatic efficiency, total to total.
    shift_up_rpm, shift_pull_rpm, shift_down_rpm, idle_rpm : float
        Where the driver changes gear when cruising, in a pull, and downwards; idle speed [rpm].

    Raises
    ------
    ValueError
        When the pull's gear is none of its gears above the first.
    """

    description: str = "2.2 L turbo-diesel van, front-mounted charge-air cooler"
    fuel: Fuel = "diesel"
    mass_kg: float = 2350.0
    rolling_coefficient: float = 0.011
    drag_area_m2: float = 1.25
    wheel_radius_m: float = 0.33
    overall_ratios: tuple[float, ...] = (14.0, 7.6, 4.6, 3.4, 2.8)
    pull_gear: int = 2
    torque_nm: float = 345.0
    power_kw: float = 96.0
    drag_torque_nm: float = 35.0
    displacement_l: float = 2.2
    volumetric_efficiency: float = 0.88
    boost_full_kpa: float = 218.0
    spool_rpm: float = 1900.0
    boost_lag_s: float = 0.8
    compressor_efficiency: float = 0.70
    shift_up_rpm: float = 2400.0
    shift_pull_rpm: float = 3800.0
    shift_down_rpm: float = 1250.0
    idle_rpm: float = 830.0

    def __post_init__(self) -> None:
        """Refuse a gear that no pull can be driven in."""
        if not 1 <= self.pull_gear < len(self.overall_ratios):
            raise ValueError(
                f"pull_gear is {self.pull_gear}. Allowed: 1 (second gear) to {len(self.overall_ratios) - 1}"
            )


@dataclass(frozen=True, kw_only=True)
class Cooler:
    """A charge-air cooler as one lump of metal between the charge and the outside air.

    Attributes
    ----------
    eps_inside : float
        Temperature effectiveness from the charge to the core, 0 to 1; an oil film inside lowers it.
    ua_standstill_w_k : float
        Heat conductance from the core to the outside air with the vehicle standing [W/K].
    ua_per_kmh_w_k : float
        Growth of that conductance with air speed [W/K per km/h]; mud on the fins lowers it.
    heat_capacity_j_k : float
        Heat stored by the core per kelvin [J/K].

    Raises
    ------
    ValueError
        When the effectiveness does not lie between 0 and 1, or a conductance or the heat capacity cannot be.
    """

    eps_inside: float = 0.86
    ua_standstill_w_k: float = 40.0
    ua_per_kmh_w_k: float = 3.2
    heat_capacity_j_k: float = 4000.0

    def __post_init__(self) -> None:
        """Refuse values that no cooler has."""
        if not 0.0 < self.eps_inside < 1.0:
            raise ValueError(f"eps_inside is {self.eps_inside}. It must be between 0 and 1")
        if min(self.ua_standstill_w_k, self.ua_per_kmh_w_k) < 0.0 or self.heat_capacity_j_k <= 0.0:
            raise ValueError("conductances must not be negative, and the heat capacity must be positive")


@dataclass(frozen=True, kw_only=True)
class Weather:
    """The outside air of one session.

    Attributes
    ----------
    ambient_c : float
        Temperature in the shade [°C].
    pressure_kpa : float
        At the place [kPa absolute].
    wind_ms : float
        [m/s]
    """

    ambient_c: float
    pressure_kpa: float = 100.8
    wind_ms: float = 1.5


@dataclass(frozen=True, kw_only=True)
class Idle:
    """Stand still with the engine idling.

    Attributes
    ----------
    duration_s : float
    """

    duration_s: float


@dataclass(frozen=True, kw_only=True)
class Cruise:
    """Hold a speed.

    Attributes
    ----------
    speed_kmh : float
    duration_s : float
        Counted from when the speed has been reached.
    """

    speed_kmh: float
    duration_s: float


@dataclass(frozen=True, kw_only=True)
class Pull:
    """Slow to one speed, then full load to another.

    Attributes
    ----------
    from_kmh, to_kmh : float
    gear_change : bool
        It starts one gear lower, and the load is off for 0.5 s to 1.4 s in between.
    lift_at_kmh : float or None
        The driver gives up there, and the pull is not complete.

    Raises
    ------
    ValueError
        When it does not gain speed.
    """

    from_kmh: float
    to_kmh: float
    gear_change: bool = False
    lift_at_kmh: float | None = None

    def __post_init__(self) -> None:
        """Refuse a pull that does not gain speed."""
        lift_kmh = self.to_kmh if self.lift_at_kmh is None else self.lift_at_kmh
        if not self.from_kmh < lift_kmh <= self.to_kmh:
            raise ValueError(
                f"a pull from {self.from_kmh} to {self.to_kmh} km/h, lifting at {lift_kmh} km/h, "
                "gains no speed. Give from_kmh < lift_at_kmh <= to_kmh"
            )


@dataclass(frozen=True, kw_only=True)
class StandingStart:
    """Stand, leave in first gear, floor the pedal, and change up through the gears.

    Attributes
    ----------
    to_kmh : float
    pedal_percent : float
        Of the pedal's travel [%]; below full load it is an acceleration which is not a pull.
    lift_at_kmh : float or None
        The driver gives up there, and the pull is not complete.

    Raises
    ------
    ValueError
        When the pedal is not pressed, or the lift comes after the end.
    """

    to_kmh: float
    pedal_percent: float = 100.0
    lift_at_kmh: float | None = None

    def __post_init__(self) -> None:
        """Refuse a pedal or a lift that no drive has."""
        if not 0.0 < self.pedal_percent <= 100.0:
            raise ValueError(f"pedal_percent is {self.pedal_percent}. Allowed: above 0, up to 100")
        if self.lift_at_kmh is not None and not 0.0 < self.lift_at_kmh <= self.to_kmh:
            raise ValueError(f"lift_at_kmh is {self.lift_at_kmh}. Allowed: above 0, up to {self.to_kmh}")


@dataclass(frozen=True, kw_only=True)
class Speedometer:
    """A speedometer that reads high: it shows ``(1 + share) v + offset_kmh``; the log holds ``v``.

    Attributes
    ----------
    share : float
        0 to 0.1.
    offset_kmh : float
        0 to 4 [km/h].

    Raises
    ------
    ValueError
        When it reads low, or higher than is allowed.

    References
    ----------
    UN Regulation No. 39, 5.3: ``0 <= V1 - V2 <= 0.1 V2 + 4 km/h``, V1 shown, V2 true (from memory).
    """

    share: float = 0.0
    offset_kmh: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a speedometer that may not be sold."""
        if not (0.0 <= self.share <= 0.1 and 0.0 <= self.offset_kmh <= 4.0):
            raise ValueError(f"share is {self.share} and offset_kmh {self.offset_kmh}. Allowed: 0 to 0.1 and 0 to 4")

    def true_kmh(self, shown_kmh: float) -> float:
        """Return the speed at which it shows another [km/h]."""
        return (shown_kmh - self.offset_kmh) / (1.0 + self.share)


@dataclass(frozen=True, kw_only=True)
class PartThrottle:
    """An acceleration which is not a pull.

    Attributes
    ----------
    from_kmh, to_kmh : float
    pedal_percent : float
        Of the pedal's travel, below full load [%].

    Raises
    ------
    ValueError
        When the pedal is not pressed, or counts as full load.
    """

    from_kmh: float
    to_kmh: float
    pedal_percent: float

    def __post_init__(self) -> None:
        """Refuse no load and full load."""
        if not 0.0 < self.pedal_percent < 100.0 * FULL_LOAD:
            raise ValueError(f"pedal_percent is {self.pedal_percent}. Part throttle is between 0 and 90")


@dataclass(frozen=True, kw_only=True)
class Brake:
    """Brake to a lower speed.

    Attributes
    ----------
    to_kmh : float
    """

    to_kmh: float


Manoeuvre = Idle | Cruise | Pull | StandingStart | PartThrottle | Brake


@dataclass(frozen=True, kw_only=True)
class TrueRun:
    """A run that was really driven.

    Attributes
    ----------
    kind : {"pull", "cruise"}
        A pull lasts from the pedal reaching full load (from a standing start: from when the wheels turn) until it
        leaves it for good, gear changes included; a cruise is the stretch in which the speed was held.
    start_s, end_s : float
        On the clock of the trace [s].
    complete : bool
        Whether the driver carried it through.
    speed_kmh : float
        Speed at the start [km/h].
    """

    kind: RunKind
    start_s: float
    end_s: float
    complete: bool
    speed_kmh: float


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What ideal loggers would see: sensor outputs with their lag, before steps and polling.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Every `STEP_S`, from zero [s].
    channels : dict of str to ndarray, shape (n,)
        In the library's channel names and units.
    runs : tuple of TrueRun
        In the order driven.
    """

    time_s: Floats
    channels: dict[str, Floats]
    runs: tuple[TrueRun, ...]


def standard_script(
    *,
    rng: np.random.Generator | None,
    pulls: int = 5,
    cruise_kmh: float = 90.0,
    pull_from_kmh: float = 40.0,
    pull_to_kmh: float = 110.0,
    cruise_s: float = 60.0,
) -> tuple[Manoeuvre, ...]:
    """Return the protocol of one session: idle, cruise, then pulls with rests of 45 s to 90 s between.

    Parameters
    ----------
    rng : numpy.random.Generator or None
        Draws the rests; ``None`` gives every rest the middle of that range.
    pulls : int
        How many.
    cruise_kmh, pull_from_kmh, pull_to_kmh : float
        Speeds [km/h].
    cruise_s : float
        How long the cruise is held [s].

    Returns
    -------
    tuple of Manoeuvre
        The rests are driven at 60 km/h, far enough from `cruise_kmh` not to be taken for the cruise.
    """
    script: list[Manoeuvre] = [Idle(duration_s=10.0), Cruise(speed_kmh=cruise_kmh, duration_s=cruise_s)]
    for _ in range(pulls):
        script.append(Pull(from_kmh=pull_from_kmh, to_kmh=pull_to_kmh))
        rest_s = TYPICAL_REST_S + scatter(rng, REST_SCATTER_S)
        script.append(Cruise(speed_kmh=REST_SPEED_KMH, duration_s=rest_s))
    return (*script, Brake(to_kmh=0.0), Idle(duration_s=5.0))


def scatter(rng: np.random.Generator | None, half_width: float) -> float:
    """Draw evenly from -half_width to +half_width; a driver without a random generator is always in the middle.

    Parameters
    ----------
    rng : numpy.random.Generator or None
        None for no dice.
    half_width : float

    Returns
    -------
    float
        In the unit of ``half_width``.
    """
    return 0.0 if rng is None else float(rng.uniform(-half_width, half_width))
