"""The driver, who is not a robot, and the drive."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pullbook.simulate.physics import CHANNELS, Car
from pullbook.simulate.world import (
    FULL_LOAD,
    PEDAL_END_PERCENT,
    PEDAL_REST_PERCENT,
    STEP_S,
    Brake,
    Cooler,
    Cruise,
    Floats,
    Idle,
    Manoeuvre,
    PartThrottle,
    Pull,
    RunKind,
    Speedometer,
    StandingStart,
    Trace,
    TrueRun,
    Vehicle,
    Weather,
    scatter,
)

_Command = tuple[float, float, float]  # pedal 0..1, braking [m/s²], overall ratio (0: clutch open)
_LIFT: _Command = (0.0, 0.0, 0.0)
_PATIENCE_S = 120.0
_ROLLING_KMH = 0.5  # the sensor's first step


@dataclass(frozen=True)
class _Span:
    """The steps in which a manoeuvre held its speed or its full load."""

    kind: RunKind
    first: int
    last: int
    complete: bool
    from_rest: bool = False


class _Driver:
    """Turns manoeuvres into pedal, brake and gear, looking only at speed and engine speed."""

    def __init__(self, car: Car, rng: np.random.Generator | None, speedometer: Speedometer) -> None:
        self.car, self.rng, self.speedometer = car, rng, speedometer
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
            case StandingStart():
                yield from self._standing_start(manoeuvre)

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
            f"the vehicle did not settle at {target_kmh:.0f} km/h within {_PATIENCE_S:.0f} s. "
            "Ask for a speed it can hold"
        )

    def _cruise(self, cruise: Cruise) -> Iterator[_Command]:
        yield from self._approach(cruise.speed_kmh)
        first = self.steps
        for _ in range(round(cruise.duration_s / STEP_S)):
            yield self._hold(cruise.speed_kmh)
        if cruise.duration_s >= 20.0:
            self.spans.append(_Span("cruise", first, self.steps, complete=True))

    def _pull(self, pull: Pull) -> Iterator[_Command]:
        entry_kmh = self.speedometer.true_kmh(pull.from_kmh) + scatter(self.rng, 1.5)
        apply_s = 0.45 + scatter(self.rng, 0.15)
        exit_kmh = self.speedometer.true_kmh(pull.to_kmh + scatter(self.rng, 2.0))
        change_s = 0.95 + scatter(self.rng, 0.45)
        gear = self.car.vehicle.pull_gear
        yield from self._approach(entry_kmh, gear - 1 if pull.gear_change else gear)
        first = self.steps
        stop_kmh = exit_kmh if pull.lift_at_kmh is None else self.speedometer.true_kmh(pull.lift_at_kmh)
        yield from self._accelerate(stop_kmh, 1.0, apply_s=apply_s, top_gear=gear, change_s=change_s)
        yield from self._lift(first, exit_kmh)

    def _lift(self, first: int, exit_kmh: float, *, from_rest: bool = False) -> Iterator[_Command]:
        """End a pull that began at step `first`."""
        reached = self.car.speed_kmh >= exit_kmh
        last = self.steps
        for share in (0.6, 0.2):  # the foot comes off in 0.3 s
            yield (share, 0.0, self._ratio())
        self.spans.append(_Span("pull", first, last + 2, complete=reached, from_rest=from_rest))

    def _standing_start(self, start: StandingStart) -> Iterator[_Command]:
        """Let the clutch in at part load for up to 1.5 s, then accelerate through the gears."""
        exit_kmh = self.speedometer.true_kmh(start.to_kmh + scatter(self.rng, 2.0))
        leave_s, leave_share = 0.75 + scatter(self.rng, 0.75), 0.45 + scatter(self.rng, 0.15)
        change_s = 0.8 + scatter(self.rng, 0.3)
        yield from self._brake(0.0)
        yield from self._repeat(_LIFT, 6.0 + scatter(self.rng, 3.0))
        self.gear = 0
        first, pedal = self.steps, start.pedal_percent / 100.0
        yield from self._repeat((min(pedal, leave_share), 0.0, self._ratio()), leave_s)
        stop_kmh = exit_kmh if start.lift_at_kmh is None else self.speedometer.true_kmh(start.lift_at_kmh)
        top_gear = self.car.vehicle.pull_gear
        yield from self._accelerate(stop_kmh, pedal, apply_s=0.3, top_gear=top_gear, change_s=change_s)
        if pedal >= FULL_LOAD:
            yield from self._lift(first, exit_kmh, from_rest=True)

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
    speedometer: Speedometer | None = None,
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
        `day_offset_k` at full boost and by little when cruising. It covers all that differs between days
        and that nobody recorded.
    leak : float
        Share of the gauge boost a leaking hose costs, 0 to 0.5; the boost also builds more slowly.
    speedometer : Speedometer, optional
        By which the driver enters, leaves and gives up pulls; by default it reads true. The log holds the true speed.

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
        raise ValueError("the script is empty. Give at least one manoeuvre")
    if not 0.0 <= leak <= 0.5:
        raise ValueError(f"leak is {leak}. Allowed: 0 (tight) to 0.5")
    car = Car(vehicle=vehicle, cooler=cooler, weather=weather, rng=rng, day_offset_k=day_offset_k, leak=leak)
    driver = _Driver(car, rng, speedometer or Speedometer())
    rows = np.array([car.step(*command) for command in driver.follow(script)])
    channels = {name: rows[:, column] for column, name in enumerate(CHANNELS)}
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
        if span.from_rest:
            first = span.first + int(np.argmax(channels["vehicle_speed"][span.first : last] > _ROLLING_KMH))
    last = min(last, len(time_s) - 1)
    return TrueRun(
        kind=span.kind,
        start_s=float(time_s[first]),
        end_s=float(time_s[last]),
        complete=span.complete,
        speed_kmh=float(channels["vehicle_speed"][first]),
    )
