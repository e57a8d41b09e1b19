"""What is wrong, or merely worth knowing, about a log: findings with their evidence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from pullbook.errors import Finding
from pullbook.reading.logs import Log, Signal
from pullbook.reading.units import CHANNELS, EARTH_RADIUS_M, OPEN_CIRCUIT_C, PLAUSIBLE, WARM_C
from pullbook.settings.experiment import Protocol
from pullbook.text import counted, percent

LEAST_REFRESHES_IN_PULL = 8
BYTE_TOP_KPA = 255.0  # SAE J1979 service 01 PID 0B: one byte, 1 kPa per bit
STOPPED_RPM = 200.0
STANDING_KMH, STANDING_S = 1.0, 10.0  # slower than that a vehicle stands; for so long, it heats its inlet
PAUSED_S = 20.0  # a log that pauses so long: the ignition was off
STEP_IN_F_K, STEP_SLACK_K = 1.8, 0.02  # of a whole °C written in °F
HOT_INLET_C = 80.0  # hotter than any air that flows in; common practice, no source
NOTED_SLACK_K = 8.0  # weather changes during a drive, and thermometers differ; common practice, no source
NOTED_COLDER_K = 25.0  # than the coldest inlet air of a drive (common practice, no source)
LONGEST_S = 7 * 86_400.0  # of a log, to look at the positions of; no drive is longer
# A charge sensor hangs that shows one value so long, in so many refreshes, with full boost for so long within, and
# moves by so much at other times; common practice, no source.
STUCK_S, STUCK_REFRESHES, STUCK_AT_FULL_S, STUCK_RANGE_K = 30.0, 8, 3.0, 8.0
FULL_BOOST = 0.8  # of what the manifold pressure ranges over
BOOST_BEFORE_END_S = 5.0  # what it does to the charge shows after some seconds
COOLING_AFTER_STOP_S = 120.0  # so long an inlet heated by the standing engine may fall steeply
TEMPERATURES = (
    "intake_air_temperature",
    "charge_air_temperature",
    "compressor_outlet_temperature",
    "engine_coolant_temperature",
)

# Steps between two refreshes that no engine makes; common practice, no source. Temperatures in K, speed in km/h.
IMPOSSIBLE_STEPS = {
    "vehicle_speed": 50.0,
    "intake_air_temperature": 40.0,
    "charge_air_temperature": 40.0,
    "compressor_outlet_temperature": 80.0,
    "engine_coolant_temperature": 20.0,
}

# Is each unit what it is said, or was guessed, to be? Judged by what the engine does, never corrected silently.
WARM_AFTER_S = 600.0
HOT_CHARGE_K, AS_FAHRENHEIT_K = 25.0, 8.0  # a charge at light load, and the same as °F: above the inlet; no source
COLDER_K = 5.0  # what two sensors of the same air may differ by; common practice, no source
HIGHEST_IDLE_KPA = 150.0  # the least manifold pressure of a drive stays below; a gauge reading taken twice does not
# Speed per 1000 rpm in the highest gear of road vehicles, km/h; common practice, no source.
TOP_GEAR_KMH = (18.0, 75.0)
KMH_PER_MPH = 1.609344  # exact


def inspect(log: Log, protocol: Protocol) -> tuple[Finding, ...]:
    """Return what is noticed about a log, the reader's own findings first.

    Parameters
    ----------
    log : Log
    protocol : Protocol
        A refresh rate is judged by how long the protocol's pulls take.

    Returns
    -------
    tuple of Finding
    """
    found = list(log.findings)
    found += _slow(log, protocol)
    for signal in log.signals.values():
        found += _implausible(signal)
    if speed := log.get("vehicle_speed"):
        found += _gaps(speed)
    if charge := log.get("charge_air_temperature"):
        found += _coarse(charge)
    thermometers = [thermometer for channel in TEMPERATURES if (thermometer := log.get(channel))]
    found += [*_open_circuit(thermometers), *_frozen(thermometers, log), *_stuck(log)]
    for channel in IMPOSSIBLE_STEPS:
        if moving := log.get(channel):
            found += _jumps(moving, log)
    if pressure := log.get("intake_manifold_pressure"):
        found += _saturated(pressure)
    found += [*doubtful_units(log), *_stopped(log)]
    return tuple(found)


def doubtful_ambient(log: Log, ambient_c: float | None) -> Iterator[Finding]:
    """Say so where the air noted for a session is warmer than what the engine drew in, or colder by far.

    The way in only adds heat, and on the move not that much.

    Parameters
    ----------
    log : Log
    ambient_c : float or None
        As noted for the session [°C].
    """
    inlet = log.get("intake_air_temperature")
    if inlet is None or ambient_c is None:
        return
    coldest = float(np.quantile(inlet.values, 0.05))
    noted = f"The session notes {ambient_c:g} °C in the shade, but the inlet sensor "
    if ambient_c > coldest + NOTED_SLACK_K:
        noted += (
            f"shows {coldest:.0f} °C. Inlet air can't be colder than the air outside. Did you note °F, or read it in "
            "the sun?"
        )
    elif ambient_c < coldest - NOTED_COLDER_K:
        noted += (
            f"never shows much less than {coldest:.0f} °C. The way in seldom adds that much heat. Is the noted figure "
            "in the right unit?"
        )
    else:
        return
    yield Finding(
        code="ambient-doubtful",
        severity="warning",
        message=noted,
        evidence={"ambient_c": ambient_c, "inlet_c": round(coldest, 1)},
    )


def _words(signal: Signal) -> str:
    return signal.channel.replace("_", " ")


def _slow(log: Log, protocol: Protocol) -> Iterator[Finding]:
    needed = ("vehicle_speed", "charge_air_temperature", "intake_manifold_pressure", "accelerator_position")
    in_pull = {
        signal: protocol.usual_pull_s / signal.period_s
        for channel in needed
        if (signal := log.get(channel)) is not None and signal.period_s > 0
    }
    slow = {signal: count for signal, count in in_pull.items() if count < LEAST_REFRESHES_IN_PULL}
    if not slow:
        return
    slowest = min(slow, key=lambda signal: slow[signal])
    names = [_words(signal) for signal in slow]
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    yield Finding(
        code="refresh-slow",
        severity="warning",
        message=(
            f"Too slow: {listed}. The slowest refreshes every {slowest.period_s:.1f} s, about {slow[slowest]:.0f} "
            f"times in a pull. You need at least {LEAST_REFRESHES_IN_PULL} refreshes. Log fewer signals, and each is "
            "polled more often."
        ),
        evidence={
            "channels": [signal.channel for signal in slow],
            "period_s": slowest.period_s,
            "refreshes_in_pull": round(slow[slowest], 1),
        },
    )


def _gaps(signal: Signal) -> Iterator[Finding]:
    steps = np.diff(signal.time_s)
    gaps = steps > max(signal.max_gap_s, 2.0)
    if not gaps.any():
        return
    longest = int(np.argmax(steps))
    yield Finding(
        code="gaps",
        severity="note",
        message=(
            f"The log has {counted(int(gaps.sum()), 'gap')}. The longest lasts {steps[longest]:.1f} s, at "
            f"{signal.time_s[longest]:.0f} s. pullbook does not fill gaps."
        ),
        evidence={
            "gaps": int(gaps.sum()),
            "longest_s": float(steps[longest]),
            "at_s": float(signal.time_s[longest]),
        },
    )


def _implausible(signal: Signal) -> Iterator[Finding]:
    low, high = PLAUSIBLE[signal.channel]
    outside = (signal.values < low) | (signal.values > high)
    share = float(outside.mean())
    if share < 0.01:
        return
    yield Finding(
        code="unit-doubtful",
        severity="warning",
        message=(
            f"{signal.column!r}, read as {signal.unit}, is outside {low:g} to {high:g} {CHANNELS[signal.channel][1]} "
            f"for {percent(round(share, 2))} of the drive. Is the unit right? If not, give the right one under "
            "channels."
        ),
        evidence={"channel": signal.channel, "unit": signal.unit, "share": round(share, 4)},
    )


def _coarse(signal: Signal) -> Iterator[Finding]:
    if signal.resolution < 0.4:
        return
    yield Finding(
        code="resolution-step",
        severity="note",
        message=(
            f"The {_words(signal)} comes in steps of {signal.resolution:.3g} K, so a single reading is good to "
            f"±{signal.resolution / 2:.3g} K at best."
        ),
        evidence={"channel": signal.channel, "step_k": signal.resolution},
    )


def _open_circuit(thermometers: Sequence[Signal]) -> Iterator[Finding]:
    shares = {signal: float(np.mean(signal.values <= OPEN_CIRCUIT_C)) for signal in thermometers}
    broken = [signal for signal, share in shares.items() if share >= 0.05]
    if not broken:
        return
    read = ", ".join(f"{_words(signal)} ({percent(round(shares[signal], 2))} of the drive)" for signal in broken)
    yield Finding(
        code="open-circuit",
        severity="warning",
        message=f"Stuck at -40 °C, like a broken wire or a missing sensor: {read}. Check the plug and the sensor.",
        evidence={
            "channels": [signal.channel for signal in broken],
            "shares": [round(shares[signal], 4) for signal in broken],
        },
    )


def _frozen(thermometers: Sequence[Signal], log: Log) -> Iterator[Finding]:
    speed = log.get("vehicle_speed")
    moving = speed is not None and float(np.ptp(speed.values)) > 30
    frozen = [signal for signal in thermometers if float(np.ptp(signal.values)) == 0]
    if not moving or log.duration_s < 120 or not frozen:
        return
    read = ", ".join(f"{_words(signal)} ({signal.values[0]:g} °C)" for signal in frozen)
    yield Finding(
        code="signal-frozen",
        severity="warning",
        message=f"Never changes during the drive: {read}. Is the sensor plugged in and polled?",
        evidence={
            "channels": [signal.channel for signal in frozen],
            "values": [float(signal.values[0]) for signal in frozen],
        },
    )


def _stuck(log: Log) -> Iterator[Finding]:
    """A charge temperature that stays put while the boost comes and goes, and moves at other times."""
    charge, pressure = log.get("charge_air_temperature"), log.get("intake_manifold_pressure")
    if charge is None or pressure is None or float(np.ptp(charge.values)) < STUCK_RANGE_K:
        return
    low, high = np.quantile(pressure.values, [0.1, 0.98])
    full = low + FULL_BOOST * (high - low)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(charge.values) != 0]))
    ends = np.append(starts[1:], len(charge.values)) - 1
    spans_s = charge.time_s[ends] - charge.time_s[starts]
    for k in np.flatnonzero((spans_s >= STUCK_S) & (ends - starts >= STUCK_REFRESHES)).tolist():
        begin, end = float(charge.time_s[starts[k]]), float(charge.time_s[ends[k]])
        boost = pressure.within(begin, end - BOOST_BEFORE_END_S)[1]
        if not boost.size or (end - begin) * float(np.mean(boost > full)) < STUCK_AT_FULL_S or boost.min() > full:
            continue
        yield Finding(
            code="signal-hung",
            severity="warning",
            message=(
                f"The charge air temperature stays at {charge.values[starts[k]]:g} °C from {begin:.0f} to {end:.0f} s, "
                "while the boost comes and goes. The sensor or the logger hung. Leave the pulls in there out."
            ),
            evidence={"channel": charge.channel, "start_s": begin, "end_s": end},
        )
        return


def _jumps(signal: Signal, log: Log) -> Iterator[Finding]:
    limit = IMPOSSIBLE_STEPS[signal.channel]
    close = np.diff(signal.time_s) <= min(signal.max_gap_s, 5.0)
    jumps = np.flatnonzero((np.abs(np.diff(signal.values)) > limit) & close)
    if signal.channel == "intake_air_temperature":  # `_stopped` names it as what it is
        jumps = jumps[~_soon_after_stop(signal.time_s[jumps], log)]
    if not jumps.size:
        return
    at = float(signal.time_s[jumps[0] + 1])
    size = float(abs(signal.values[jumps[0] + 1] - signal.values[jumps[0]]))
    unit = "km/h" if signal.channel == "vehicle_speed" else "K"
    yield Finding(
        code="impossible-jump",
        severity="warning",
        message=(
            f"The {_words(signal)} jumps by {size:.0f} {unit} at {at:.0f} s. Are these two logs in one, or did the "
            "sensor drop out?"
        ),
        evidence={"channel": signal.channel, "at_s": at, "jumps": int(jumps.size)},
    )


def _soon_after_stop(time_s: np.ndarray, log: Log) -> np.ndarray:
    """Say which times lie so soon after a standstill that its heat explains a step of the inlet temperature."""
    stops, gap_s = _stops(log)
    first = np.searchsorted(stops, time_s - COOLING_AFTER_STOP_S, side="left")
    soon = first < np.searchsorted(stops, time_s + gap_s, side="right")
    return soon


def _stops(log: Log) -> tuple[np.ndarray, float]:
    """Return when the engine stood, or the vehicle for some seconds, or nothing was logged; and their usual gap [s]."""
    times = [np.empty(0)]
    gap_s = 0.0
    if engine := log.get("engine_speed"):
        times.append(engine.time_s[engine.values < STOPPED_RPM])
        gap_s = engine.max_gap_s
    if (speed := log.get("vehicle_speed")) and len(speed.time_s) > 1:
        standing = speed.values < STANDING_KMH
        edges = np.flatnonzero(np.diff(np.concatenate([[False], standing, [False]]).astype(int)))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            if engine is None and speed.time_s[end - 1] - speed.time_s[start] >= STANDING_S:
                times.append(speed.time_s[start:end])
        paused = np.flatnonzero(np.diff(speed.time_s) > PAUSED_S)
        times.append(speed.time_s[paused + 1])
        gap_s = max(gap_s, speed.max_gap_s)
    return np.concatenate(times), gap_s


def _saturated(pressure: Signal) -> Iterator[Finding]:
    at_top = int(np.sum(np.abs(pressure.values - BYTE_TOP_KPA) < 0.5))
    if at_top < 3 or float(pressure.values.max()) > BYTE_TOP_KPA + 0.5:
        return
    yield Finding(
        code="pressure-saturated",
        severity="warning",
        message=(
            f"The manifold pressure reads 255 kPa {at_top} times. Its one byte can't show more, so the true peak is "
            "higher, by an unknown amount."
        ),
        evidence={"refreshes": at_top},
    )


def _stopped(log: Log) -> Iterator[Finding]:
    engine = log.get("engine_speed")
    inlet = log.get("intake_air_temperature")
    stopped = engine is not None and bool((engine.values < STOPPED_RPM).any())
    if engine is not None and stopped:
        share = float((engine.values < STOPPED_RPM).mean())
        yield Finding(
            code="engine-stopped",
            severity="note",
            message=f"The engine is off for {percent(round(share, 2))} of the log.",
            evidence={"share": round(share, 4)},
        )
    if inlet is None or float(inlet.values.max()) <= HOT_INLET_C:
        return
    hottest = inlet.time_s[int(np.argmax(inlet.values))]
    if stopped or _soon_after_stop(np.array([hottest]), log)[0]:
        yield Finding(
            code="inlet-heated",
            severity="note",
            message=(
                f"The inlet temperature reaches {inlet.values.max():.0f} °C at {hottest:.0f} s, heated by the "
                "engine while you stood still. A pull soon after a stop starts from a false inlet temperature. Drive "
                "for a minute or two before the next pull."
            ),
            evidence={"highest_c": float(inlet.values.max()), "at_s": float(hottest)},
        )


def doubtful_units(log: Log) -> tuple[Finding, ...]:
    """Return a finding for each unit that the rest of the log contradicts.

    Parameters
    ----------
    log : Log
    """
    return (*_steps(log), *_coolant(log), *_charge(log), *_manifold(log), *_speed(log))


def _doubt(signal: Signal, message: str, **evidence: float) -> Finding:
    return Finding(
        code="unit-doubtful",
        severity="warning",
        message=f"{signal.column!r} was read as {signal.unit}, but {message} If the unit is wrong, give the right one "
        "under channels.",
        evidence={"channel": signal.channel, "unit": signal.unit, **{k: round(v, 3) for k, v in evidence.items()}},
    )


def _steps(log: Log) -> Iterator[Finding]:
    """A temperature read as °C that moves in steps of 1.8: whole °C, written in °F. No sensor steps so by itself."""
    for channel in TEMPERATURES:
        signal = log.get(channel)
        if signal is None or signal.unit != "degC" or abs(signal.resolution - STEP_IN_F_K) > STEP_SLACK_K:
            continue
        yield _doubt(
            signal,
            "it comes in steps of 1.8. That is a whole °C written in °F.",
            step_k=signal.resolution,
        )


def _coolant(log: Log) -> Iterator[Finding]:
    """A coolant that stays cold through a long drive in °F was really in °C."""
    coolant = log.get("engine_coolant_temperature")
    if coolant is None or coolant.unit != "degF":
        return
    warm = coolant.values[coolant.time_s > WARM_AFTER_S]
    if not warm.size:
        return
    usual = float(np.median(warm))
    raw = usual * 9 / 5 + 32
    low, high = WARM_C
    if usual < low and low <= raw <= high:
        yield _doubt(
            coolant,
            f"then the engine stays at {usual:.0f} °C for the whole drive. {raw:.0f} °C would be normal.",
            usual_c=usual,
        )


def _charge(log: Log) -> Iterator[Finding]:
    """A charge colder than the air going in at its hottest, or far hotter at its coldest: not in one unit for both."""
    charge, inlet = log.get("charge_air_temperature"), log.get("intake_air_temperature")
    if charge is None or inlet is None:
        return
    hottest, usual = float(np.quantile(charge.values, 0.95)), float(np.median(inlet.values))
    if hottest < usual - COLDER_K:
        yield _doubt(
            charge,
            f"then it stays below {hottest:.0f} °C, colder than the inlet air ({usual:.0f} °C). One of them may be in "
            "another unit, or the two columns are swapped.",
            hottest_c=hottest,
            inlet_c=usual,
        )
    light = float(np.quantile(charge.values, 0.1))
    in_fahrenheit = (light - 32) / 1.8
    if light > usual + HOT_CHARGE_K and abs(in_fahrenheit - usual) < AS_FAHRENHEIT_K:
        yield _doubt(
            charge,
            f"then it stays {light - usual:.0f} K above the inlet air ({usual:.0f} °C) even at light load. Read as °F "
            f"it would be {in_fahrenheit:.0f} °C there.",
            light_c=light,
            inlet_c=usual,
        )


def _manifold(log: Log) -> Iterator[Finding]:
    """A gauge pressure that never comes near the outside pressure was absolute already; so was one that is too low."""
    pressure = log.get("intake_manifold_pressure")
    if pressure is None:
        return
    low, high = (float(value) for value in np.quantile(pressure.values, [0.02, 0.98]))
    if low > HIGHEST_IDLE_KPA:
        yield _doubt(
            pressure,
            f"then the manifold never drops below {low:.0f} kPa. It may be absolute, or in another unit.",
            low_kpa=low,
        )
    elif high < 60 and log.duration_s > WARM_AFTER_S:
        yield _doubt(
            pressure,
            f"then the manifold never rises above {high:.0f} kPa. It may be gauge, or in another unit.",
            high_kpa=high,
        )


def _speed(log: Log) -> Iterator[Finding]:
    """Miles or kilometres: settled by the positions if the log has them, else by what top gears allow."""
    speed = log.get("vehicle_speed")
    if speed is None or speed.unit not in ("km/h", "mph"):
        return
    ratio = _speed_over_ground(speed, log)
    other = "mph" if speed.unit == "km/h" else "km/h"
    if ratio is not None:
        expected = KMH_PER_MPH if speed.unit == "km/h" else 1 / KMH_PER_MPH
        if abs(ratio / expected - 1) < 0.1:
            yield _doubt(speed, f"going by the positions in the log, it is in {other}.", ground_over_speed=ratio)
        return
    gear = _top_gear_kmh(speed, log)
    low, high = TOP_GEAR_KMH
    if gear is not None and not low <= gear <= high:
        yield _doubt(
            speed,
            f"then top gear does {gear:.0f} km/h at 1000 rpm. {low:g} to {high:g} km/h would be normal.",
            top_gear_kmh=gear,
        )


def _speed_over_ground(speed: Signal, log: Log) -> float | None:
    """Return distance by position over distance by speed, None without enough of both."""
    latitude, longitude = log.get("latitude"), log.get("longitude")
    if latitude is None or longitude is None or log.duration_s < 60:
        return None
    # Every 10 s: far enough apart for the positions' noise, near enough for the road's bends.
    times = np.arange(0.0, min(log.duration_s, LONGEST_S), 10.0)
    lat, lon = np.radians(latitude.at(times)), np.radians(longitude.at(times))
    # Small distances on a sphere: the arc along the meridian and along the parallel.
    ground = EARTH_RADIUS_M * np.hypot(np.diff(lat), np.diff(lon) * np.cos((lat[1:] + lat[:-1]) / 2))
    inside = speed.at((times[:-1, None] + np.arange(11.0)).ravel()).reshape(-1, 11) / 3.6
    within = np.asarray(np.trapezoid(inside, dx=1.0, axis=1))
    good = np.isfinite(ground) & np.isfinite(within) & (within > 50)
    return float(ground[good].sum() / within[good].sum()) if good.sum() >= 5 else None


def _top_gear_kmh(speed: Signal, log: Log) -> float | None:
    """Return the speed per 1000 rpm that is rarely exceeded when moving under power, None if unknown."""
    engine = log.get("engine_speed")
    if engine is None:
        return None
    rpm = engine.at(speed.time_s)
    moving = np.isfinite(rpm) & (rpm > 1200) & (speed.values > 30)
    if np.count_nonzero(moving) < 100:
        return None
    return float(np.quantile(1000 * speed.values[moving] / rpm[moving], 0.9))
