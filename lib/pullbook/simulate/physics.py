"""The moving state of vehicle, engine, cooler and sensors."""

from __future__ import annotations

import math

import numpy as np

from pullbook.simulate.world import (
    GAS_CONSTANT_AIR,
    GRAVITY_MS2,
    HEAT_CAPACITY_AIR,
    KAPPA_AIR,
    PEDAL_END_PERCENT,
    PEDAL_REST_PERCENT,
    STEP_S,
    ZERO_CELSIUS_K,
    Cooler,
    Vehicle,
    Weather,
)

CHANNELS = (
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

    Parameters
    ----------
    inlet_k : float
        Temperature before it [K].
    pressure_ratio : float
        Outlet over inlet, absolute pressures.
    efficiency : float
        Adiabatic, above 0 and up to 1.

    Returns
    -------
    float
        [K]

    Notes
    -----
    Written here a second time on purpose: the simulated truth must not share a line with the code it tests.

    References
    ----------
    ``T2 = T1 (1 + (pr^((g-1)/g) - 1) / eta)``, absolute temperatures, g = 1.4: the definition of adiabatic (isentropic)
    compressor efficiency for a perfect gas; Borgnakke and Sonntag, Fundamentals of Thermodynamics.
    """
    ideal = pressure_ratio ** ((KAPPA_AIR - 1.0) / KAPPA_AIR)
    return inlet_k * (1.0 + float(ideal - 1.0) / efficiency)


class Car:
    """The moving state of vehicle, engine, cooler and sensors: plain floats, `STEP_S` at a time.

    Parameters
    ----------
    vehicle, cooler, weather : Vehicle, Cooler, Weather
        What is driven, and in which air.
    rng : numpy.random.Generator or None
        Draws the ripple of the road and the gusts; None for neither.
    day_offset_k, leak : float
        As for `drive`.

    Notes
    -----
    Newton's second law along the road, an ideal gas in the manifold, a first-order lag for boost, bay and each sensor,
    and the heat balance of the cooler's core. The lags and shares are invented; what they give is said to be invented.
    """

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
        """Road speed [km/h]."""
        return 3.6 * self.speed_ms

    def rpm_in(self, ratio: float) -> float:
        """Return the engine speed in a gear [1/min]; ``ratio`` is engine over wheel revolutions."""
        return self.speed_ms / self.vehicle.wheel_radius_m * ratio * 30.0 / math.pi

    def full_torque_nm(self, rpm: float) -> float:
        """Return the torque at full load and full boost [N m]: held, then bounded by the power."""
        return min(self.vehicle.torque_nm, 1000.0 * self.vehicle.power_kw / (rpm * math.pi / 30.0))

    def resistance_n(self) -> float:
        """Return rolling and air resistance [N]."""
        return self.rolling_n + self.drag_factor * self.speed_ms * self.speed_ms

    def base_kpa(self, pedal: float) -> float:
        """Return the manifold pressure without boost [kPa absolute]; ``pedal`` is a share, 0 to 1.

        A diesel breathes freely, a petrol engine through its throttle.
        """
        if self.vehicle.fuel == "diesel":
            return self.baro_kpa
        return _THROTTLED_KPA + (self.baro_kpa - _THROTTLED_KPA) * min(1.0, 2.0 * pedal)

    def step(self, pedal: float, brake_ms2: float, ratio: float) -> tuple[float, ...]:
        """Advance everything by `STEP_S`.

        Parameters
        ----------
        pedal : float
            Share of its travel, 0 to 1.
        brake_ms2 : float
            Deceleration by the brake [m/s²].
        ratio : float
            Engine over wheel revolutions; 0 with the clutch open.

        Returns
        -------
        tuple of float
            What the sensors say, in the order of `CHANNELS` and the library's units.
        """
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
