"""Invented drives with a known truth: a simulated vehicle, its cooler, its driver and its data logger.

The sample experiments, the tests of run detection and the coverage studies need logs whose true answer is
known. Nothing here imports the modules that analyse logs, so a mistake there cannot hide by being repeated
here; the compression formula is written out again for that reason.

The model is the simplest that shows what makes the comparison hard on a real road: a cooler core that stores
heat and never settles during a pull, sensors that lag and step, a driver who is not a robot, and days that
differ.
"""

from __future__ import annotations

import gzip
import json
import math
import sys
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
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


# --------------------------------------------------------------------------------------------------
# What is driven, where, and how
# --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Vehicle:
    """A turbocharged road vehicle; the defaults are an invented 2.2 L diesel van.

    Parameters
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
        if not 1 <= self.pull_gear < len(self.overall_ratios):
            raise ValueError(
                f"pull_gear is {self.pull_gear}; allowed is 1 (second gear) to {len(self.overall_ratios) - 1}"
            )


@dataclass(frozen=True, kw_only=True)
class Cooler:
    """A charge-air cooler as one lump of metal between the charge and the outside air.

    Parameters
    ----------
    eps_inside : float
        Temperature effectiveness from the charge to the core, 0 to 1; an oil film inside lowers it.
    ua_standstill_w_k : float
        Heat conductance from the core to the outside air with the vehicle standing [W/K].
    ua_per_kmh_w_k : float
        Growth of that conductance with air speed [W/K per km/h]; mud on the fins lowers it.
    heat_capacity_j_k : float
        Heat stored by the core per kelvin [J/K].
    """

    eps_inside: float = 0.86
    ua_standstill_w_k: float = 40.0
    ua_per_kmh_w_k: float = 3.2
    heat_capacity_j_k: float = 4000.0

    def __post_init__(self) -> None:
        if not 0.0 < self.eps_inside < 1.0:
            raise ValueError(f"eps_inside is {self.eps_inside}; it must lie between 0 and 1")
        if min(self.ua_standstill_w_k, self.ua_per_kmh_w_k) < 0.0 or self.heat_capacity_j_k <= 0.0:
            raise ValueError("conductances must not be negative, and the heat capacity must be positive")


@dataclass(frozen=True, kw_only=True)
class Weather:
    """The outside air of one session: temperature [°C], pressure [kPa], wind speed [m/s]."""

    ambient_c: float
    pressure_kpa: float = 100.8
    wind_ms: float = 1.5


@dataclass(frozen=True, kw_only=True)
class Idle:
    """Stand still with the engine idling."""

    duration_s: float


@dataclass(frozen=True, kw_only=True)
class Cruise:
    """Hold a speed for `duration_s`, counted from when it has been reached."""

    speed_kmh: float
    duration_s: float


@dataclass(frozen=True, kw_only=True)
class Pull:
    """Slow to `from_kmh`, then full load to `to_kmh`.

    With `gear_change` it starts one gear lower and the load is off for 0.5 s to 1.4 s. With
    `lift_at_kmh` the driver gives up there, and the pull is not complete.
    """

    from_kmh: float
    to_kmh: float
    gear_change: bool = False
    lift_at_kmh: float | None = None

    def __post_init__(self) -> None:
        lift_kmh = self.to_kmh if self.lift_at_kmh is None else self.lift_at_kmh
        if not self.from_kmh < lift_kmh <= self.to_kmh:
            raise ValueError(
                f"a pull from {self.from_kmh} to {self.to_kmh} km/h, lifting at {lift_kmh} km/h, "
                "does not gain speed; give from_kmh < lift_at_kmh <= to_kmh"
            )


@dataclass(frozen=True, kw_only=True)
class PartThrottle:
    """An acceleration which is not a pull: `pedal_percent` of the pedal's travel, below full load."""

    from_kmh: float
    to_kmh: float
    pedal_percent: float

    def __post_init__(self) -> None:
        if not 0.0 < self.pedal_percent < 100.0 * FULL_LOAD:
            raise ValueError(f"pedal_percent is {self.pedal_percent}; part throttle lies between 0 and 90")


@dataclass(frozen=True, kw_only=True)
class Brake:
    """Brake to a lower speed."""

    to_kmh: float


Manoeuvre = Idle | Cruise | Pull | PartThrottle | Brake


@dataclass(frozen=True, kw_only=True)
class TrueRun:
    """A run that was really driven.

    Parameters
    ----------
    kind : {"pull", "cruise"}
        A pull lasts from the pedal reaching full load until it leaves it for good, gear changes included; a
        cruise is the stretch in which the speed was held.
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

    Parameters
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
        rest_s = TYPICAL_REST_S + _scatter(rng, REST_SCATTER_S)
        script.append(Cruise(speed_kmh=REST_SPEED_KMH, duration_s=rest_s))
    return (*script, Brake(to_kmh=0.0), Idle(duration_s=5.0))


def _scatter(rng: np.random.Generator | None, half_width: float) -> float:
    """Draw evenly from -half_width to +half_width; a driver without dice is always in the middle."""
    return 0.0 if rng is None else float(rng.uniform(-half_width, half_width))


# --------------------------------------------------------------------------------------------------
# The physics
# --------------------------------------------------------------------------------------------------

_CHANNELS = (
    "vehicle_speed",
    "engine_speed",
    "intake_air_temperature",
    "charge_air_temperature",
    "compressor_outlet_temperature",
    "engine_coolant_temperature",
    "ambient_air_temperature",
    "intake_manifold_pressure",
    "barometric_pressure",
    "air_mass_flow",
    "accelerator_position",
    "engine_load",
)

_FAST_SENSOR_S, _INLET_SENSOR_S, _AMBIENT_SENSOR_S = 2.0, 4.0, 60.0
# Pressure lost at the flow named; it grows as the square of the flow.
_INLET_LOSS_KPA, _COOLER_LOSS_KPA, _LOSS_FLOW_KG_S = 4.0, 6.0, 0.12
_THROTTLED_KPA = 35.0  # manifold of a petrol engine with the throttle closed
_BAY_STANDSTILL_K, _BAY_MOVING_K, _BAY_SPEED_KMH, _BAY_LAG_S = 14.0, 2.0, 25.0, 60.0
_GUST_SHARE, _GUST_PERIODS_S = 0.07, (41.0, 97.0, 173.0)
_RIPPLE_GRADE, _RIPPLE_LENGTHS_M = 0.0015, (310.0, 830.0, 1900.0)


def compression_outlet_k(*, inlet_k: float, pressure_ratio: float, efficiency: float) -> float:
    """Return the temperature after an adiabatic compressor [K].

    ``T2 = T1 (1 + (pr^((g-1)/g) - 1) / eta)``, absolute temperatures, g = 1.4: the definition of adiabatic
    (isentropic) compressor efficiency for a perfect gas in any text on turbomachinery. Written here a second
    time on purpose: the simulated truth must not share a line with the code it tests.
    """
    ideal = pressure_ratio ** ((KAPPA_AIR - 1.0) / KAPPA_AIR)
    return inlet_k * (1.0 + float(ideal - 1.0) / efficiency)


class _Car:
    """The moving state of vehicle, engine, cooler and sensors: plain floats, `STEP_S` at a time."""

    def __init__(
        self,
        *,
        vehicle: Vehicle,
        cooler: Cooler,
        weather: Weather,
        rng: np.random.Generator | None,
        day_offset_k: float,
        leak: float,
    ) -> None:
        self.vehicle, self.cooler, self.leak = vehicle, cooler, leak
        self.ambient_c, self.baro_kpa = weather.ambient_c, weather.pressure_kpa
        self.wind_kmh = 3.6 * weather.wind_ms
        density = 1000.0 * weather.pressure_kpa / (GAS_CONSTANT_AIR * (weather.ambient_c + ZERO_CELSIUS_K))
        self.drag_factor = 0.5 * density * vehicle.drag_area_m2
        self.rolling_n = vehicle.mass_kg * GRAVITY_MS2 * vehicle.rolling_coefficient
        # A four-stroke engine fills once in two revolutions: m³/s per rpm.
        self.swept_per_rpm = vehicle.volumetric_efficiency * vehicle.displacement_l / 1000.0 / 120.0
        # The day's effect is given for this heating and scaled with the heating of the moment.
        standard_k = 288.15
        full_heating_k = (
            compression_outlet_k(
                inlet_k=standard_k,
                pressure_ratio=vehicle.boost_full_kpa / weather.pressure_kpa,
                efficiency=vehicle.compressor_efficiency,
            )
            - standard_k
        )
        self.day_share = day_offset_k / full_heating_k
        phases = [0.0] * 6 if rng is None else [float(p) for p in rng.uniform(0.0, 2.0 * math.pi, 6)]
        shaken = 0.0 if rng is None else 1.0
        self.ripple = [
            (shaken * _RIPPLE_GRADE, 2.0 * math.pi / length, phase)
            for length, phase in zip(_RIPPLE_LENGTHS_M, phases[:3], strict=True)
        ]
        self.gusts = [
            (shaken * _GUST_SHARE, 2.0 * math.pi / period, phase)
            for period, phase in zip(_GUST_PERIODS_S, phases[3:], strict=True)
        ]

        self.time_s = self.distance_m = self.speed_ms = self.flow_kg_s = 0.0
        self.rpm = vehicle.idle_rpm
        self.manifold_kpa = self.base_kpa(0.0)
        self.bay_k = 0.6 * _BAY_STANDSTILL_K  # driven here, then stood for a moment
        self.core_c = self.ambient_c + 3.0
        self.inlet_sensor_c = self.ambient_c + self.bay_k
        self.charge_sensor_c = self.core_c
        self.outlet_sensor_c = self.inlet_sensor_c
        self.ambient_sensor_c = self.ambient_c + 0.5
        self.coolant_c = 88.0

    @property
    def speed_kmh(self) -> float:
        return 3.6 * self.speed_ms

    def rpm_in(self, ratio: float) -> float:
        return self.speed_ms / self.vehicle.wheel_radius_m * ratio * 30.0 / math.pi

    def full_torque_nm(self, rpm: float) -> float:
        return min(self.vehicle.torque_nm, 1000.0 * self.vehicle.power_kw / (rpm * math.pi / 30.0))

    def resistance_n(self) -> float:
        return self.rolling_n + self.drag_factor * self.speed_ms * self.speed_ms

    def base_kpa(self, pedal: float) -> float:
        """Manifold pressure without boost: a diesel breathes freely, a petrol engine through its throttle."""
        if self.vehicle.fuel == "diesel":
            return self.baro_kpa
        return _THROTTLED_KPA + (self.baro_kpa - _THROTTLED_KPA) * min(1.0, 2.0 * pedal)

    def step(self, pedal: float, brake_ms2: float, ratio: float) -> tuple[float, ...]:
        """Advance everything and return the sensor outputs in the order of `_CHANNELS`."""
        self.time_s += STEP_S
        drawn = self._boost(pedal)
        self._move(drawn, brake_ms2, ratio)
        self._exchange_heat(drawn)
        running = drawn > 0.0 or ratio == 0.0
        return (
            3.6 * self.speed_ms,
            self.rpm,
            self.inlet_sensor_c,
            self.charge_sensor_c,
            self.outlet_sensor_c,
            self.coolant_c,
            self.ambient_sensor_c,
            self.manifold_kpa,
            self.baro_kpa,
            1000.0 * self.flow_kg_s,
            PEDAL_REST_PERCENT + (PEDAL_END_PERCENT - PEDAL_REST_PERCENT) * pedal,
            (15.0 + 85.0 * drawn) if running else 0.0,
        )

    def _boost(self, pedal: float) -> float:
        """Move the manifold pressure towards its target; return the share of full torque it allows."""
        car = self.vehicle
        reach = min(1.0, max(0.0, (self.rpm - 800.0) / (car.spool_rpm - 800.0)))
        asked = pedal**1.3 if car.fuel == "diesel" else max(0.0, 2.0 * pedal - 1.0)
        # A leak costs a share of the gauge pressure, and the turbine needs longer to make up the flow lost.
        gauge = (car.boost_full_kpa - self.baro_kpa) * asked * reach * (1.0 - self.leak)
        target = self.base_kpa(pedal) + gauge
        lag_s = car.boost_lag_s * (1.0 + 4.0 * self.leak) if target > self.manifold_kpa else 0.3
        self.manifold_kpa += (target - self.manifold_kpa) * STEP_S / lag_s
        return min(pedal, self.manifold_kpa / car.boost_full_kpa)

    def _move(self, drawn: float, brake_ms2: float, ratio: float) -> None:
        car = self.vehicle
        force_n = -self.resistance_n() if self.speed_ms > 0.0 else 0.0
        if ratio > 0.0:
            launch_rpm = car.idle_rpm + 500.0 * min(1.0, 4.0 * drawn)  # the clutch slips below this
            self.rpm = max(launch_rpm if self.speed_ms < 4.0 else car.idle_rpm, self.rpm_in(ratio))
            torque = (self.full_torque_nm(self.rpm) + car.drag_torque_nm) * drawn - car.drag_torque_nm
            if torque > 0.0 or self.speed_ms > 1.0:
                force_n += 0.92 * torque * ratio / car.wheel_radius_m  # 8 % lost in the driveline
        else:
            self.rpm += (car.idle_rpm - self.rpm) * STEP_S / 0.8
        for grade, wave, phase in self.ripple:
            force_n -= car.mass_kg * GRAVITY_MS2 * grade * math.sin(wave * self.distance_m + phase)
        # 5 % of the mass again for what turns.
        self.speed_ms = max(0.0, self.speed_ms + (force_n / (1.05 * car.mass_kg) - brake_ms2) * STEP_S)
        self.distance_m += self.speed_ms * STEP_S

    def _exchange_heat(self, drawn: float) -> None:
        cooler, speed_kmh = self.cooler, 3.6 * self.speed_ms
        bay_target = _BAY_MOVING_K + _BAY_STANDSTILL_K / (1.0 + (speed_kmh / _BAY_SPEED_KMH) ** 2)
        self.bay_k += (bay_target - self.bay_k) * STEP_S / _BAY_LAG_S
        inlet_c = self.ambient_c + self.bay_k

        lost = (self.flow_kg_s / _LOSS_FLOW_KG_S) ** 2
        outlet_kpa = max(self.manifold_kpa, self.baro_kpa) + _COOLER_LOSS_KPA * lost
        outlet_c = (
            compression_outlet_k(
                inlet_k=inlet_c + ZERO_CELSIUS_K,
                pressure_ratio=outlet_kpa / (self.baro_kpa - _INLET_LOSS_KPA * lost),
                efficiency=self.vehicle.compressor_efficiency,
            )
            - ZERO_CELSIUS_K
        )

        # All the heat that leaves the charge enters the core; the outside air takes it from there.
        removed_k = cooler.eps_inside * (outlet_c - self.core_c)
        charge_c = outlet_c - removed_k
        gust = 1.0
        for share, wave, phase in self.gusts:
            gust += share * math.sin(wave * self.time_s + phase)
        air_kmh = math.hypot(speed_kmh, self.wind_kmh)
        conductance_w_k = gust * (cooler.ua_standstill_w_k + cooler.ua_per_kmh_w_k * air_kmh)
        lost_w = conductance_w_k * (self.core_c - self.ambient_c)
        gained_w = HEAT_CAPACITY_AIR * self.flow_kg_s * removed_k
        self.core_c += (gained_w - lost_w) * STEP_S / cooler.heat_capacity_j_k

        charge_c += self.day_share * (outlet_c - inlet_c)
        density = 1000.0 * self.manifold_kpa / (GAS_CONSTANT_AIR * (charge_c + ZERO_CELSIUS_K))
        self.flow_kg_s = self.swept_per_rpm * self.rpm * density

        self.inlet_sensor_c += (inlet_c - self.inlet_sensor_c) * STEP_S / _INLET_SENSOR_S
        self.charge_sensor_c += (charge_c - self.charge_sensor_c) * STEP_S / _FAST_SENSOR_S
        self.outlet_sensor_c += (outlet_c - self.outlet_sensor_c) * STEP_S / _FAST_SENSOR_S
        self.ambient_sensor_c += (
            (self.ambient_c + 0.1 * self.bay_k - self.ambient_sensor_c) * STEP_S / _AMBIENT_SENSOR_S
        )
        self.coolant_c += (86.0 + 8.0 * drawn - self.coolant_c) * STEP_S / 120.0


# --------------------------------------------------------------------------------------------------
# The driver
# --------------------------------------------------------------------------------------------------

_Command = tuple[float, float, float]  # pedal 0..1, braking [m/s²], overall ratio (0: clutch open)
_LIFT: _Command = (0.0, 0.0, 0.0)
_PATIENCE_S = 120.0


@dataclass(frozen=True)
class _Span:
    """The steps in which a manoeuvre held its speed or its full load."""

    kind: RunKind
    first: int
    last: int
    complete: bool


class _Driver:
    """Turns manoeuvres into pedal, brake and gear, looking only at speed and engine speed."""

    def __init__(self, car: _Car, rng: np.random.Generator | None) -> None:
        self.car, self.rng = car, rng
        self.gear = 0
        self.lift_left_s = 0.0
        self.steps = 0
        self.spans: list[_Span] = []

    def follow(self, script: Sequence[Manoeuvre]) -> Iterator[_Command]:
        """Yield a command a step for the whole script."""
        for manoeuvre in script:
            for command in self._carry_out(manoeuvre):
                self.steps += 1
                yield command

    def _carry_out(self, manoeuvre: Manoeuvre) -> Iterator[_Command]:
        match manoeuvre:
            case Idle():
                yield from self._brake(0.0)
                yield from self._repeat(_LIFT, manoeuvre.duration_s)
            case Brake():
                yield from self._brake(manoeuvre.to_kmh)
            case Cruise():
                yield from self._cruise(manoeuvre)
            case PartThrottle():
                yield from self._approach(manoeuvre.from_kmh, self.car.vehicle.pull_gear)
                yield from self._accelerate(manoeuvre.to_kmh, manoeuvre.pedal_percent / 100.0)
            case Pull():
                yield from self._pull(manoeuvre)

    def _repeat(self, command: _Command, duration_s: float) -> Iterator[_Command]:
        for _ in range(round(duration_s / STEP_S)):
            yield command

    def _ratio(self) -> float:
        return self.car.vehicle.overall_ratios[self.gear]

    def _brake(self, to_kmh: float) -> Iterator[_Command]:
        while self.car.speed_kmh > to_kmh:
            yield (0.0, 1.5, 0.0)

    def _choose_gear(self) -> int:
        vehicle, car = self.car.vehicle, self.car
        if car.rpm_in(self._ratio()) > vehicle.shift_up_rpm and self.gear + 1 < len(vehicle.overall_ratios):
            return self.gear + 1
        if car.rpm_in(self._ratio()) < vehicle.shift_down_rpm and self.gear > 0:
            return self.gear - 1
        return self.gear

    def _hold(self, target_kmh: float, gear: int | None = None) -> _Command:
        """Return one step's command for a held speed: what the road asks plus a share of the shortfall."""
        if self.lift_left_s > 0.0:
            self.lift_left_s -= STEP_S
            return _LIFT
        wanted = self._choose_gear() if gear is None else gear
        if wanted != self.gear:
            self.gear = wanted
            self.lift_left_s = 0.6
            return _LIFT
        car, ratio = self.car, self._ratio()
        missing_kmh = target_kmh - car.speed_kmh
        if missing_kmh < -4.0:
            return (0.0, 1.2, ratio)
        drag_nm = car.vehicle.drag_torque_nm
        needed_nm = car.resistance_n() * car.vehicle.wheel_radius_m / (0.92 * ratio) + drag_nm
        pedal = needed_nm / (car.full_torque_nm(max(car.rpm, 1000.0)) + drag_nm) + 0.08 * missing_kmh
        return (min(0.6, max(0.0, pedal)), 0.0, ratio)

    def _approach(self, target_kmh: float, gear: int | None = None) -> Iterator[_Command]:
        """Drive until the speed and the gear have been settled for two seconds."""
        settled = 0.0
        for _ in range(round(_PATIENCE_S / STEP_S)):
            near = abs(self.car.speed_kmh - target_kmh) < 15.0
            yield self._hold(target_kmh, gear if near else None)
            steady = abs(self.car.speed_kmh - target_kmh) < 0.8 and self.lift_left_s <= 0.0
            settled = settled + STEP_S if steady else 0.0
            if settled >= 2.0:
                return
        raise ValueError(
            f"the vehicle did not settle at {target_kmh:.0f} km/h within {_PATIENCE_S:.0f} s; "
            "ask for a speed it can hold"
        )

    def _cruise(self, cruise: Cruise) -> Iterator[_Command]:
        yield from self._approach(cruise.speed_kmh)
        first = self.steps
        for _ in range(round(cruise.duration_s / STEP_S)):
            yield self._hold(cruise.speed_kmh)
        if cruise.duration_s >= 20.0:
            self.spans.append(_Span("cruise", first, self.steps, complete=True))

    def _pull(self, pull: Pull) -> Iterator[_Command]:
        entry_kmh = pull.from_kmh + _scatter(self.rng, 1.5)
        apply_s = 0.45 + _scatter(self.rng, 0.15)
        exit_kmh = pull.to_kmh + _scatter(self.rng, 2.0)
        change_s = 0.95 + _scatter(self.rng, 0.45)
        gear = self.car.vehicle.pull_gear
        yield from self._approach(entry_kmh, gear - 1 if pull.gear_change else gear)
        first = self.steps
        stop_kmh = exit_kmh if pull.lift_at_kmh is None else pull.lift_at_kmh
        yield from self._accelerate(stop_kmh, 1.0, apply_s=apply_s, top_gear=gear, change_s=change_s)
        reached = self.car.speed_kmh >= exit_kmh
        last = self.steps
        for share in (0.6, 0.2):  # the foot comes off in 0.3 s
            yield (share, 0.0, self._ratio())
        self.spans.append(_Span("pull", first, last + 2, complete=reached))

    def _accelerate(
        self,
        to_kmh: float,
        pedal: float,
        *,
        apply_s: float = 0.5,
        top_gear: int | None = None,
        change_s: float = 1.0,
    ) -> Iterator[_Command]:
        """Press the pedal over `apply_s` and keep it there until `to_kmh`, changing up on the way."""
        car, top = self.car, self.gear if top_gear is None else top_gear
        resting = 0.15  # where the foot is before it presses
        pressed = resting
        for _ in range(round(_PATIENCE_S / STEP_S)):
            if car.speed_kmh >= to_kmh:
                return
            if self.gear < top and car.rpm > car.vehicle.shift_pull_rpm:
                # The load is off until the pedal is down again, so the way down is part of the change.
                yield from self._repeat(_LIFT, change_s - (FULL_LOAD - resting) * apply_s)
                self.gear += 1
                pressed = resting
            pressed = min(pedal, pressed + STEP_S / apply_s)
            yield (pressed, 0.0, self._ratio())


def drive(
    *,
    vehicle: Vehicle,
    cooler: Cooler,
    weather: Weather,
    script: Sequence[Manoeuvre],
    rng: np.random.Generator | None,
    day_offset_k: float = 0.0,
    leak: float = 0.0,
) -> Trace:
    """Drive a script and return what the sensors see, with the true runs.

    Parameters
    ----------
    vehicle, cooler, weather : Vehicle, Cooler, Weather
        What is driven, and in which air.
    script : sequence of Manoeuvre
        In order; the vehicle starts warm and standing.
    rng : numpy.random.Generator or None
        Draws the driver's scatter (entry +-1.5 km/h, exit +-2 km/h, application 0.3 s to 0.6 s), the ripple
        of the road (three waves of 0.15 % grade) and the gusts on the cooler (three waves of 7 % of its
        outside conductance). ``None`` is the same driver without scatter on a level road in even air.
    day_offset_k : float
        What this day adds to the charge temperature at full load [K]. It is a direct term, not a mechanism:
        the charge after the cooler is shifted in proportion to the heating in the compressor, by
        `day_offset_k` at full boost and by little when cruising. It stands for all that differs between days
        and that nobody recorded.
    leak : float
        Share of the gauge boost a leaking hose costs, 0 to 0.5; the boost also builds more slowly.

    Returns
    -------
    Trace
        Lagged, not stepped.

    Raises
    ------
    ValueError
        If the script is empty, the vehicle cannot hold a speed in it, or `leak` is out of range.

    Notes
    -----
    Explicit Euler steps of `STEP_S`. The core follows
    ``C dT/dt = eps m cp (T2 - T) - UA(v) (T - T_ambient)``, the charge leaves at ``T3 = T2 - eps (T2 - T)``.
    """
    if not script:
        raise ValueError("the script is empty; give at least one manoeuvre")
    if not 0.0 <= leak <= 0.5:
        raise ValueError(f"leak is {leak}; allowed is 0 (tight) to 0.5")
    car = _Car(vehicle=vehicle, cooler=cooler, weather=weather, rng=rng, day_offset_k=day_offset_k, leak=leak)
    driver = _Driver(car, rng)
    rows = np.array([car.step(*command) for command in driver.follow(script)])
    channels = {name: rows[:, column] for column, name in enumerate(_CHANNELS)}
    time_s = STEP_S * np.arange(len(rows), dtype=np.float64)
    runs = tuple(_true_run(span, time_s, channels) for span in driver.spans)
    return Trace(time_s=time_s, channels=channels, runs=runs)


def _true_run(span: _Span, time_s: Floats, channels: Mapping[str, Floats]) -> TrueRun:
    """Date a run from the pedal really given: the pull begins and ends at full load, not at the intention."""
    first, last = span.first, span.last
    if span.kind == "pull":
        full = PEDAL_REST_PERCENT + FULL_LOAD * (PEDAL_END_PERCENT - PEDAL_REST_PERCENT)
        pressed = np.flatnonzero(channels["accelerator_position"][first:last] >= full)
        if pressed.size:  # else the lift came before the pedal was down
            first, last = first + int(pressed[0]), first + int(pressed[-1]) + 1
    last = min(last, len(time_s) - 1)
    return TrueRun(
        kind=span.kind,
        start_s=float(time_s[first]),
        end_s=float(time_s[last]),
        complete=span.complete,
        speed_kmh=float(channels["vehicle_speed"][first]),
    )


# --------------------------------------------------------------------------------------------------
# The logger
# --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Signal:
    """How a channel is written: its trade name, its abbreviation, its unit and the step the sensor has."""

    plain: str
    short: str
    unit: str
    step: float
    decimals: int


_SIGNALS = {
    "vehicle_speed": _Signal("Vehicle speed", "Speed", "km/h", 1.0, 0),
    "engine_speed": _Signal("Engine speed", "RPM", "rpm", 1.0, 0),
    "intake_air_temperature": _Signal("Intake air temperature", "IAT", "°C", 1.0, 0),
    "charge_air_temperature": _Signal("Charge air temperature", "CAC out", "°C", 1.0, 0),
    "compressor_outlet_temperature": _Signal("Compressor outlet temperature", "Comp out", "°C", 1.0, 0),
    "engine_coolant_temperature": _Signal("Engine coolant temperature", "ECT", "°C", 1.0, 0),
    "ambient_air_temperature": _Signal("Ambient air temperature", "AAT", "°C", 1.0, 0),
    "intake_manifold_pressure": _Signal("Intake manifold pressure", "MAP", "kPa", 1.0, 0),
    "barometric_pressure": _Signal("Barometric pressure", "Baro", "kPa", 1.0, 0),
    "air_mass_flow": _Signal("Air mass flow", "MAF", "g/s", 0.01, 2),
    "accelerator_position": _Signal("Accelerator position", "APP", "%", 0.1, 1),
    "engine_load": _Signal("Engine load", "Load", "%", 0.1, 1),
}

LOGGED = (
    "vehicle_speed",
    "engine_speed",
    "accelerator_position",
    "intake_manifold_pressure",
    "intake_air_temperature",
    "charge_air_temperature",
    "engine_coolant_temperature",
)
"""The channels the sample logs hold."""

_KMH_PER_MPH = 1.609344  # exact: the international yard, 1959
_KPA_PER_PSI = 6.894757  # NIST SP 811 (2008), appendix B.8
_MORNING = datetime(2026, 3, 14, 9, 30)


@dataclass(frozen=True, kw_only=True)
class LogStyle:
    """How a log is laid out; see `record` for the meaning of each field."""

    layout: Layout = "held"
    period_s: float = 1.0
    delimiter: str = ","
    decimal: str = "."
    time_format: TimeFormat = "clock"
    header: Header = "plain"
    imperial: bool = False
    names: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.delimiter == self.decimal:
            raise ValueError(f"delimiter and decimal sign are both {self.decimal!r}; choose two different ones")
        if self.period_s <= 0.0:
            raise ValueError(f"period_s is {self.period_s}; it must be positive")


def record(
    trace: Trace,
    *,
    rng: np.random.Generator,
    channels: Sequence[str] = LOGGED,
    period_s: float = 1.0,
    layout: Layout = "held",
    delimiter: str = ",",
    decimal: str = ".",
    time_format: TimeFormat = "clock",
    header: Header = "plain",
    imperial: bool = False,
    names: Mapping[str, str] | None = None,
    start: datetime = _MORNING,
) -> str:
    """Return the text of the log a data logger would have written.

    Parameters
    ----------
    trace : Trace
        The drive.
    rng : numpy.random.Generator
        Draws the jitter: each interval is within 10 % of the nominal one.
    channels : sequence of str
        Which, in the order polled.
    period_s : float
        How often each signal is refreshed [s].
    layout : {"sweep", "held", "sparse", "long"}
        ``sweep``: a row a period, all signals measured then. ``held``: one signal after the other is
        refreshed, a row each, and the others repeat their last value. ``sparse``: the same polling, with only
        the refreshed cell filled. ``long``: the same polling, in the columns time, signal, value, unit.
    delimiter, decimal : str
        Between cells, and in numbers. A clock keeps its point.
    time_format : {"seconds", "milliseconds", "clock", "iso"}
        ``seconds`` and ``milliseconds`` count from the start; ``clock`` is a time of day, which begins again
        at midnight; ``iso`` is date and time.
    header : {"plain", "short"}
        Words, or the abbreviations of the trade.
    imperial : bool
        Temperatures in °F, speed in mph, manifold pressure in psi gauge and barometric pressure in psi,
        instead of metric. The sensor's own metric step stays visible in them.
    names : mapping of str to str, optional
        The whole heading of a channel's column (the signal's name in ``long``), where it is to differ.
    start : datetime
        Date and time of the first instant of the trace.

    Returns
    -------
    str
        Lines end in a line feed.

    Raises
    ------
    ValueError
        If a channel is not known, or `delimiter` and `decimal` are the same.
    """
    style = LogStyle(
        layout=layout,
        period_s=period_s,
        delimiter=delimiter,
        decimal=decimal,
        time_format=time_format,
        header=header,
        imperial=imperial,
        names=names or {},
    )
    return _record(trace, style, channels=channels, rng=rng, start=start)


def _record(
    trace: Trace, style: LogStyle, *, channels: Sequence[str], rng: np.random.Generator, start: datetime
) -> str:
    unknown = sorted({*channels, *style.names} - set(_SIGNALS))
    if unknown or not channels:
        raise ValueError(f"cannot record {unknown or 'no channel'}; known are {', '.join(_SIGNALS)}")
    polled = style.layout != "sweep"
    interval_s = style.period_s / len(channels) if polled else style.period_s
    times = _jittered_times(trace.time_s[-1], interval_s, rng)
    stamps = [_stamp(t, style, start) for t in times.tolist()]
    every = len(channels) if polled else 1
    columns = [
        _cells(trace, channel, times[(index if polled else 0) :: every], style)
        for index, channel in enumerate(channels)
    ]
    write = {"sweep": _sweep_rows, "held": _held_rows, "sparse": _sparse_rows}
    time_unit = {"seconds": " [s]", "milliseconds": " [ms]"}.get(style.time_format, "")
    if style.layout == "long":
        heading = [f"time{time_unit}", "signal", "value", "unit"]
        rows = _long_rows(columns, len(stamps), [(_name(c, style), _unit(c, style)) for c in channels])
    else:
        heading = [f"Time{time_unit}", *(_heading(channel, style) for channel in channels)]
        rows = write[style.layout](columns, len(stamps))
    lines = [style.delimiter.join(heading)]
    lines += [style.delimiter.join((stamp, *row)) for stamp, row in zip(stamps, rows, strict=True)]
    return "\n".join(lines) + "\n"


def _jittered_times(end_s: float, interval_s: float, rng: np.random.Generator) -> Floats:
    most = int(end_s / (0.9 * interval_s)) + 2
    times = np.cumsum(interval_s * rng.uniform(0.9, 1.1, most))
    return np.asarray(times[times <= end_s], dtype=np.float64)


def _stamp(time_s: float, style: LogStyle, start: datetime) -> str:
    if style.time_format == "seconds":
        return f"{time_s:.3f}".replace(".", style.decimal)
    if style.time_format == "milliseconds":
        return f"{1000.0 * time_s:.0f}"
    moment = start + timedelta(milliseconds=round(1000.0 * time_s))
    if style.time_format == "clock":
        return moment.time().isoformat(timespec="milliseconds")
    return moment.isoformat(timespec="milliseconds")


def _cells(trace: Trace, channel: str, times: Floats, style: LogStyle) -> list[str]:
    """Measure a channel at the given times, in the steps of its sensor, and print it."""
    signal = _SIGNALS[channel]
    values = np.round(np.interp(times, trace.time_s, trace.channels[channel]) / signal.step) * signal.step
    decimals = signal.decimals
    if style.imperial and _unit(channel, style) != signal.unit:
        values, decimals = _to_imperial(values, channel, trace), 2 if signal.unit == "kPa" else 1
    # Adding zero turns a minus zero into zero.
    return [f"{value + 0.0:.{decimals}f}".replace(".", style.decimal) for value in values.tolist()]


def _to_imperial(values: Floats, channel: str, trace: Trace) -> Floats:
    unit = _SIGNALS[channel].unit
    if unit == "°C":
        return 1.8 * values + 32.0
    if unit == "km/h":
        return values / _KMH_PER_MPH
    gauge = channel == "intake_manifold_pressure"
    return (values - (trace.channels["barometric_pressure"][0] if gauge else 0.0)) / _KPA_PER_PSI


def _unit(channel: str, style: LogStyle) -> str:
    unit = _SIGNALS[channel].unit
    if not style.imperial:
        return unit
    if channel == "intake_manifold_pressure":
        return "psi gauge"
    return {"°C": "°F", "km/h": "mph", "kPa": "psi"}.get(unit, unit)


def _name(channel: str, style: LogStyle) -> str:
    signal = _SIGNALS[channel]
    return style.names.get(channel, signal.plain if style.header == "plain" else signal.short)


def _heading(channel: str, style: LogStyle) -> str:
    return style.names.get(channel, f"{_name(channel, style)} [{_unit(channel, style)}]")


_Rows = Iterator[Sequence[str]]


def _sweep_rows(columns: Sequence[Sequence[str]], count: int) -> _Rows:
    return iter(zip(*columns, strict=True))


def _held_rows(columns: Sequence[Sequence[str]], count: int) -> _Rows:
    shown = [""] * len(columns)
    for row in range(count):
        turn, index = divmod(row, len(columns))
        shown[index] = columns[index][turn]
        yield tuple(shown)


def _sparse_rows(columns: Sequence[Sequence[str]], count: int) -> _Rows:
    for row in range(count):
        turn, index = divmod(row, len(columns))
        yield [columns[index][turn] if other == index else "" for other in range(len(columns))]


def _long_rows(columns: Sequence[Sequence[str]], count: int, labels: Sequence[tuple[str, str]]) -> _Rows:
    for row in range(count):
        turn, index = divmod(row, len(columns))
        name, unit = labels[index]
        yield (name, columns[index][turn], unit)


# --------------------------------------------------------------------------------------------------
# Whole experiments
# --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Outing:
    """When one session was driven, and in which air."""

    start: datetime
    weather: Weather


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """An invented experiment: the truth, and how it is told.

    Parameters
    ----------
    name, title, question, story : str
        Folder name; the texts of the experiment and of its read-me.
    vehicle, cooler_before, cooler_after : Vehicle, Cooler
        What is driven.
    leak_after : float
        Share of the gauge boost lost to a leak after the service.
    service, service_date : str, date
        What was done, and when.
    before, after : tuple of Outing
        A session each.
    reference : Weather
        Where `true_change` is defined.
    outcome : str
        What the experiment asks about. At one inlet temperature a charge temperature and its rise change alike, so
        `true_change` holds for both.
    pulls : int
        A session.
    worthwhile_change : float
        What the person would call a difference [K].
    day_sd_k : float
        Standard deviation of what a day adds to a full-load charge temperature [K]; see `drive`.
    style : LogStyle
        How the logs are written.
    compressed : bool
        Whether they are gzipped.
    cruise_kmh, pull_from_kmh, pull_to_kmh : float
        The protocol [km/h].
    """

    name: str
    title: str
    question: str
    story: str
    vehicle: Vehicle
    cooler_before: Cooler
    cooler_after: Cooler
    service: str
    service_date: date
    before: tuple[Outing, ...]
    after: tuple[Outing, ...]
    reference: Weather
    worthwhile_change: float
    style: LogStyle
    leak_after: float = 0.0
    outcome: str = "peak_rise"
    pulls: int = 5
    day_sd_k: float = 0.8
    compressed: bool = False
    cruise_kmh: float = 90.0
    pull_from_kmh: float = 40.0
    pull_to_kmh: float = 110.0

    def script(self, rng: np.random.Generator | None) -> tuple[Manoeuvre, ...]:
        """Return the manoeuvres of one session."""
        return standard_script(
            rng=rng,
            pulls=self.pulls,
            cruise_kmh=self.cruise_kmh,
            pull_from_kmh=self.pull_from_kmh,
            pull_to_kmh=self.pull_to_kmh,
        )

    def sessions(self) -> tuple[tuple[str, Phase, Outing], ...]:
        """Return name, phase and outing of every session, in the order driven."""
        before: list[tuple[str, Phase, Outing]] = [(f"before-{n}", "before", o) for n, o in enumerate(self.before, 1)]
        after: list[tuple[str, Phase, Outing]] = [(f"after-{n}", "after", o) for n, o in enumerate(self.after, 1)]
        return (*before, *after)


def drive_session(scenario: Scenario, *, phase: Phase, weather: Weather, rng: np.random.Generator) -> Trace:
    """Drive one session of a scenario, with the scatter of its driver, its road and its day."""
    day_offset_k = scenario.day_sd_k * float(rng.standard_normal())
    return drive(
        vehicle=scenario.vehicle,
        cooler=scenario.cooler_before if phase == "before" else scenario.cooler_after,
        weather=weather,
        script=scenario.script(rng),
        rng=rng,
        day_offset_k=day_offset_k,
        leak=scenario.leak_after if phase == "after" else 0.0,
    )


def true_peak_rises(trace: Trace) -> list[float]:
    """Return the peak rise of every complete pull of a trace [K], from the sensors before steps and polling.

    The largest charge temperature from the start of the pull until 5 s after its end, minus the inlet
    temperature at that moment.
    """
    charge, inlet = trace.channels["charge_air_temperature"], trace.channels["intake_air_temperature"]
    rises = []
    for run in trace.runs:
        if run.kind == "pull" and run.complete:
            first, last = np.searchsorted(trace.time_s, (run.start_s, run.end_s + PEAK_TAIL_S))
            peak = first + int(np.argmax(charge[first : last + 1]))
            rises.append(float(charge[peak] - inlet[peak]))
    return rises


def true_peak_rise(scenario: Scenario, *, cooler: Cooler, leak: float = 0.0) -> float:
    """Return the mean peak rise [K] in the reference weather, without scatter of driver, road, air or day."""
    trace = drive(
        vehicle=scenario.vehicle,
        cooler=cooler,
        weather=scenario.reference,
        script=scenario.script(None),
        rng=None,
        leak=leak,
    )
    return float(np.mean(true_peak_rises(trace)))


def true_change(scenario: Scenario) -> float:
    """Return the true change of the mean peak rise, after minus before, at the reference weather [K]."""
    after = true_peak_rise(scenario, cooler=scenario.cooler_after, leak=scenario.leak_after)
    return after - true_peak_rise(scenario, cooler=scenario.cooler_before)


def write_experiment(folder: Path, scenario: Scenario, *, seed: int) -> Path:
    """Write a scenario as an experiment folder: logs, ``experiment.yaml`` and a read-me that tells the truth.

    Parameters
    ----------
    folder : Path
        The experiment's own folder, made if need be; files of the same names are replaced.
    scenario : Scenario
        What to write.
    seed : int
        The same seed gives the same bytes.

    Returns
    -------
    Path
        `folder`.
    """
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    # The name takes part, so that two experiments of one seed do not share their luck.
    root = np.random.default_rng([seed, zlib.crc32(scenario.name.encode())])
    entries: list[str] = []
    sessions = scenario.sessions()
    for (name, phase, outing), rng in zip(sessions, root.spawn(len(sessions)), strict=True):
        trace = drive_session(scenario, phase=phase, weather=outing.weather, rng=rng)
        text = _record(trace, scenario.style, channels=LOGGED, rng=rng, start=outing.start)
        log = f"logs/{name}.csv" + (".gz" if scenario.compressed else "")
        data = text.encode()
        # A fixed time stamp, or the same seed would not give the same bytes.
        (folder / log).write_bytes(gzip.compress(data, mtime=0) if scenario.compressed else data)
        entries += _session_lines(name, phase, log, outing.weather, rng)
    (folder / "experiment.yaml").write_text(_experiment_text(scenario, entries), encoding="utf-8", newline="\n")
    (folder / "README.md").write_text(_read_me(scenario, seed), encoding="utf-8", newline="\n")
    return folder


def _session_lines(name: str, phase: Phase, log: str, weather: Weather, rng: np.random.Generator) -> list[str]:
    """Return the session as the person notes it: a thermometer read to half a degree, with its error."""
    read_c = round(2.0 * (weather.ambient_c + 0.3 * float(rng.standard_normal()))) / 2.0
    return [
        f"  - name: {name}",
        f"    phase: {phase}",
        f"    log: {log}",
        f"    ambient_c: {read_c + 0.0:.1f}",
        f"    pressure_hpa: {10.0 * weather.pressure_kpa:.0f}",
        f"    wind_ms: {weather.wind_ms:.1f}",
    ]


def _experiment_text(scenario: Scenario, entries: Sequence[str]) -> str:
    vehicle = scenario.vehicle
    lines = [
        "# Invented data, written by pullbook.simulate; no such vehicle was driven.",
        f"title: {_quoted(scenario.title)}",
        f"question: {_quoted(scenario.question)}",
        "vehicle:",
        f"  description: {_quoted(vehicle.description)}",
        f"  fuel: {vehicle.fuel}",
        f"  mass_kg: {vehicle.mass_kg:.0f}",
        f"  displacement_l: {vehicle.displacement_l:.1f}",
        "service:",
        f"  what: {_quoted(scenario.service)}",
        f"  date: {scenario.service_date.isoformat()}",
        "protocol:",
        f"  cruise_kmh: {scenario.cruise_kmh:.0f}",
        f"  pull_from_kmh: {scenario.pull_from_kmh:.0f}",
        f"  pull_to_kmh: {scenario.pull_to_kmh:.0f}",
        f"outcome: {scenario.outcome}",
        f"worthwhile_change: {scenario.worthwhile_change:.1f}",
        "sessions:",
        *entries,
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a YAML scalar: a JSON string is one."""
    return json.dumps(text, ensure_ascii=False)


def _read_me(scenario: Scenario, seed: int) -> str:
    before = true_peak_rise(scenario, cooler=scenario.cooler_before)
    change = true_change(scenario)
    truth = (
        f"At {scenario.reference.ambient_c:.1f} °C, {scenario.reference.pressure_kpa:.1f} kPa and without "
        f"scatter the peak rise is {before:.1f} K before and {before + change:.1f} K after: "
        f"the true change is {change:+.1f} K."
    )
    if scenario.leak_after:
        tight = true_peak_rise(scenario, cooler=scenario.cooler_after) - before
        truth += (
            f" With the hose tight it would be {tight:+.1f} K; the rest comes from boost that is missing, "
            "and is no benefit."
        )
    return "\n".join(
        [
            "The data in this folder are invented: nobody drove this, and the vehicle does not exist.",
            "",
            f"# {scenario.title}",
            "",
            scenario.story,
            "",
            "## The truth",
            "",
            truth,
            f"What a day adds to the charge temperature under full load varies with a standard deviation of "
            f"{scenario.day_sd_k:.1f} K,",
            "so the sessions written here scatter around that truth as real ones would.",
            "",
            f"Written by `python -m pullbook.simulate` with seed {seed}.",
            "",
        ]
    )


def _outing(start: str, ambient_c: float, pressure_kpa: float, wind_ms: float) -> Outing:
    weather = Weather(ambient_c=ambient_c, pressure_kpa=pressure_kpa, wind_ms=wind_ms)
    return Outing(start=datetime.fromisoformat(start), weather=weather)


_VAN = Vehicle()

_HATCHBACK = Vehicle(
    description="1.4 L turbo-petrol hatchback, front-mounted charge-air cooler",
    fuel="petrol",
    mass_kg=1340.0,
    rolling_coefficient=0.010,
    drag_area_m2=0.68,
    wheel_radius_m=0.30,
    overall_ratios=(13.5, 7.6, 5.2, 4.0, 3.2),
    pull_gear=3,
    torque_nm=190.0,
    power_kw=92.0,
    drag_torque_nm=22.0,
    displacement_l=1.4,
    volumetric_efficiency=0.92,
    boost_full_kpa=205.0,
    spool_rpm=1900.0,
    shift_pull_rpm=4800.0,
)

_ESTATE = Vehicle(
    description="2.0 L turbo-diesel estate car, front-mounted charge-air cooler",
    mass_kg=1790.0,
    rolling_coefficient=0.010,
    drag_area_m2=0.72,
    wheel_radius_m=0.32,
    overall_ratios=(13.4, 7.2, 4.3, 3.0, 2.4),
    pull_gear=2,
    torque_nm=265.0,
    power_kw=79.0,
    displacement_l=2.0,
    boost_full_kpa=222.0,
    spool_rpm=1850.0,
)

_FIN_WASH = Scenario(
    name="fin_wash",
    title="Fin wash on a farm van",
    question="Did washing the cooler's fins lower the charge temperature under load?",
    story="A van that works on farm tracks has its charge-air cooler packed with mud. The fins are washed "
    "and combed. Three sessions on either side, in weather that overlaps: a service that plainly helps.",
    vehicle=_VAN,
    cooler_before=Cooler(eps_inside=0.80, ua_standstill_w_k=15.0, ua_per_kmh_w_k=0.9, heat_capacity_j_k=3300.0),
    cooler_after=Cooler(eps_inside=0.80, ua_standstill_w_k=40.0, ua_per_kmh_w_k=3.0, heat_capacity_j_k=3300.0),
    service="Fins washed and combed",
    service_date=date(2026, 3, 20),
    before=(
        _outing("2026-03-10T18:05:12", 11.0, 100.9, 1.5),
        _outing("2026-03-12T17:48:40", 16.5, 101.4, 2.0),
        _outing("2026-03-17T18:20:03", 9.5, 100.2, 1.0),
    ),
    after=(
        _outing("2026-03-21T17:55:31", 13.0, 100.6, 2.0),
        _outing("2026-03-24T18:11:09", 9.0, 101.1, 1.5),
        _outing("2026-03-27T18:02:55", 17.0, 100.8, 1.0),
    ),
    reference=Weather(ambient_c=13.0),
    worthwhile_change=2.0,
    style=LogStyle(layout="held", time_format="clock"),
    compressed=True,
)

_TWO_EVENINGS = Scenario(
    name="two_evenings",
    title="Two evenings with a hatchback",
    question="Did wiping the oil film out of the cooler lower the charge temperature?",
    story="One evening before, one evening after, five pulls each: what many people do. The breather's "
    "filter element was changed and the oil film wiped out of the cooler. There is a small benefit, smaller "
    "than the person would call worthwhile and smaller than two evenings can show.",
    vehicle=_HATCHBACK,
    cooler_before=Cooler(eps_inside=0.83, ua_standstill_w_k=25.0, ua_per_kmh_w_k=1.8, heat_capacity_j_k=2400.0),
    cooler_after=Cooler(eps_inside=0.845, ua_standstill_w_k=25.0, ua_per_kmh_w_k=1.8, heat_capacity_j_k=2400.0),
    service="Breather filter element changed, oil film wiped out of the cooler",
    service_date=date(2026, 4, 11),
    before=(_outing("2026-04-10T20:14:22", 14.0, 101.2, 1.0),),
    after=(_outing("2026-04-12T20:31:47", 15.0, 100.7, 1.5),),
    reference=Weather(ambient_c=14.5),
    worthwhile_change=2.0,
    style=LogStyle(layout="sparse", delimiter=";", decimal=",", time_format="clock"),
)

_NOTHING_DONE = Scenario(
    name="nothing_done",
    title="A placebo: nothing was done",
    question="Does the comparison find a change where there is none?",
    story="Three sessions in a cool spring, three in early summer 12 K warmer, and no service between. "
    "The warmer air alone lifts the charge temperature by about 12 K and the rise above the inlet by about "
    "half a kelvin; an honest comparison calls neither of them a change.",
    vehicle=_ESTATE,
    cooler_before=Cooler(heat_capacity_j_k=3600.0),
    cooler_after=Cooler(heat_capacity_j_k=3600.0),
    service="Nothing at all (a placebo)",
    service_date=date(2026, 5, 2),
    before=(
        _outing("2026-04-21T18:30:00", 8.0, 101.3, 1.5),
        _outing("2026-04-24T18:42:00", 10.0, 100.9, 2.0),
        _outing("2026-04-28T18:15:00", 9.0, 100.4, 1.0),
    ),
    after=(
        _outing("2026-06-02T18:25:00", 21.0, 100.8, 1.0),
        _outing("2026-06-05T18:40:00", 20.0, 101.2, 1.5),
        _outing("2026-06-09T18:33:00", 22.0, 100.6, 2.0),
    ),
    reference=Weather(ambient_c=15.0),
    outcome="peak_charge",
    worthwhile_change=3.0,
    style=LogStyle(layout="sweep", period_s=0.5, time_format="seconds"),
)

_LOOSE_CLAMP = Scenario(
    name="loose_clamp",
    title="A flushed cooler and a loose clamp",
    question="Did flushing the cooler lower the charge temperature under load?",
    story="The cooler was taken out, flushed and refitted, and one hose clamp was left loose. The flush "
    "brought a small benefit. The leak lowers the gauge boost by about an eighth, and less boost means less "
    "heat: the charge is much cooler for the wrong reason. The comparison must say so before anything else.",
    vehicle=_VAN,
    cooler_before=Cooler(eps_inside=0.83, ua_standstill_w_k=35.0, ua_per_kmh_w_k=2.8),
    cooler_after=Cooler(eps_inside=0.845, ua_standstill_w_k=35.0, ua_per_kmh_w_k=2.8),
    leak_after=0.12,
    service="Cooler removed, flushed and refitted",
    service_date=date(2026, 3, 7),
    before=(
        _outing("2026-03-01T10:02:10", 7.5, 101.0, 2.0),
        _outing("2026-03-03T10:15:44", 10.5, 100.5, 1.5),
        _outing("2026-03-05T10:07:29", 9.0, 100.9, 1.0),
    ),
    after=(
        _outing("2026-03-08T10:11:18", 9.5, 101.3, 1.5),
        _outing("2026-03-10T10:04:36", 8.0, 100.8, 1.0),
        _outing("2026-03-12T10:19:52", 11.0, 100.6, 2.0),
    ),
    reference=Weather(ambient_c=9.0),
    worthwhile_change=2.0,
    style=LogStyle(layout="long", time_format="iso"),
    compressed=True,
)

SCENARIOS: dict[str, Scenario] = {s.name: s for s in (_FIN_WASH, _TWO_EVENINGS, _NOTHING_DONE, _LOOSE_CLAMP)}
"""The four sample experiments."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the sample experiments into the folder named on the command line, with seed 1."""
    given = sys.argv[1:] if arguments is None else list(arguments)
    if len(given) != 1:
        sys.stderr.write("usage: python -m pullbook.simulate FOLDER\n")
        return 2
    for name, scenario in SCENARIOS.items():
        write_experiment(Path(given[0]) / name, scenario, seed=1)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
