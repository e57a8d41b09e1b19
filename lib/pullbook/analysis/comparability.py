"""Was it like for like? The conditions of before and after side by side: a flag, and what each could have done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook.physics import air
from pullbook.reading.units import STANDARD_PRESSURE_KPA
from pullbook.settings.experiment import PHASES, Experiment, Phase
from pullbook.settings.outcomes import Outcome
from pullbook.statistics.covariates import COMPRESSION, END, ENTRY, INLET, LENGTH, REACH, START, log_heating
from pullbook.statistics.estimate import Slope
from pullbook.statistics.session_means import WIND_SHARE, SessionMeans
from pullbook.text import difference_unit, percent

if TYPE_CHECKING:
    import pandas as pd

# Air density of the road-load procedure of UN R83 / R101: within 7.5 % of 100 kPa and 293.2 K (1.188 kg/m3).
REFERENCE_DENSITY = 1.18817
DENSITY_SLACK = 0.075
WIND_LIMIT_MS = 3.0  # mean wind of the same procedure
REST_SLACK = 0.30  # of the usual rest; common practice, no source
HEADING_LIMIT_DEG = 30.0  # the cosine, with which wind and grade work, is within 15 %; common practice, no source
ONE_WAY = 0.9  # mean resultant length from which pulls count as driven one way
NOT_KNOWN = "not known"
Effect = tuple[float, str, bool]  # what it could have done, by which rule, and whether the result carries it
UNKNOWN: Effect = (float("nan"), NOT_KNOWN, False)
NOT_REACHED = (float("nan"), float("nan"))


@dataclass(frozen=True, kw_only=True)
class Condition:
    """One condition before and after, in ``unit``.

    Attributes
    ----------
    name, unit : str
    before, after : float
        Mean of the sessions; NaN where it is not known.
    flagged : bool
    note : str
        Why it is flagged, or that it is not known.
    could_move : float
        What the difference could have done to the change as measured, in the outcome's unit; NaN where not known.
    basis : str
        By which rule; or why there is no figure.
    carried : bool
        Whether the result allows for it, and the uncertainty budget has a line for the doubt that is left.
    """

    name: str
    unit: str
    before: float
    after: float
    flagged: bool
    note: str
    could_move: float = float("nan")
    basis: str = NOT_KNOWN
    carried: bool = False


@dataclass(frozen=True)
class _Rule:
    name: str
    unit: str
    column: str
    limit: float
    relative: bool
    effect: str


# Limits: common practice, no source, but for those named above.
_RULES = (
    _Rule("inlet temperature at the peak", "°C", "inlet_at_peak", 5.0, False, "the result leans on the correction"),
    _Rule("charge temperature at the start", "°C", "start_charge", 3.0, False, "heat left over, or warmer air"),
    _Rule("rest before a pull", "s", "rest_before", REST_SLACK, True, "heat left from the pull before"),
    _Rule("peak coolant temperature", "°C", "peak_coolant", 5.0, False, "the engine was not equally warm"),
    _Rule("entry speed", "km/h", "start_speed", 3.0, False, "the pulls differ in length"),
    _Rule("exit speed", "km/h", "end_speed", 3.0, False, "the pulls differ in length"),
    _Rule("length of a pull", "s", "duration", 0.10, True, "another gear, load or slope?"),
    _Rule("peak manifold pressure", "kPa absolute", "peak_manifold_pressure", 0.03, True, "more boost heats it"),
)  # fmt: skip
_MEANS = (
    *(rule.column for rule in _RULES),
    "pressure_ratio",
    "barometric",
    "recovery_time",
    "peak_charge",
    "peak_rise",
)


def like_for_like(
    measures: pd.DataFrame, experiment: Experiment, slopes: Sequence[Slope] = (), data: SessionMeans | None = None
) -> tuple[Condition, ...]:
    """Set the conditions of before and after side by side.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run with the columns ``session`` and ``phase``.
    experiment : Experiment
        For what each session says of the weather.
    slopes : sequence of Slope
        Of the comparison: how the outcome depends on the conditions that it is corrected for.
    data : SessionMeans, optional
        Of the comparison: the heat that the rests left over.

    Returns
    -------
    tuple of Condition
    """
    rows = measures[(measures["kind"] == "pull") & measures["included"]]
    means = rows.reindex(columns=["phase", "session", *_MEANS]).groupby(["phase", "session"], sort=False).mean()
    by_phase = means.groupby(level="phase").mean()
    outcome = experiment.outcome_spec
    left = _difference(data.heat_left_k, data) if data is not None else float("nan")
    reached = (_difference(data.reach_s, data), float(np.mean(data.climb_per_s))) if data is not None else NOT_REACHED
    effects = _Effects(by_phase, outcome, {slope.name: slope.value for slope in slopes}, left, reached)
    asked_about = "peak_coolant" if outcome.ambient == "coolant" else outcome.name
    found = [_judge(rule, effects) for rule in _RULES if rule.column != asked_about]
    return (*found, *_weather(experiment, effects), *_direction(rows))


def _difference(values: np.ndarray, data: SessionMeans) -> float:
    after = data.after == 1
    return float(values[after].mean() - values[~after].mean())


class _Effects:
    """What a difference of a condition could have done to the outcome, by physics or a stated rule."""

    def __init__(
        self,
        by_phase: pd.DataFrame,
        outcome: Outcome,
        slopes: dict[str, float],
        heat_left_k: float,
        reached: tuple[float, float],
    ) -> None:
        self.by_phase, self.slopes, self.heat_left_k = by_phase, slopes, heat_left_k
        self.later_s, self.climb_per_s = reached
        self.applies = outcome.of_charge and outcome.kind == "pull"
        self.at_the_end = outcome.at_the_end

    def mean(self, phase: Phase, column: str) -> float:
        return float(self.by_phase[column].get(phase, np.nan))

    def usual(self, column: str) -> float:
        return (self.mean("before", column) + self.mean("after", column)) / 2

    def difference(self, column: str) -> float:
        return self.mean("after", column) - self.mean("before", column)

    def of(self, column: str) -> Effect:
        """Return the effect, by which rule, and whether the result carries it."""
        if column == "inlet_at_peak" and INLET in self.slopes:
            return self.slopes[INLET] * self.difference(column), "corrected", True
        if not self.applies:
            return UNKNOWN
        match column:
            case "start_charge":
                return self._heat_at_start()
            case "rest_before" if START in self.slopes:
                return self.slopes[START] * self.heat_left_k, "heat still left from the pull before", True
            case "start_speed" | "end_speed" if ENTRY in self.slopes:
                slope = self.slopes[ENTRY if column == "start_speed" else END]
                return slope * self.difference(column), "corrected", True
            case "start_speed" | "end_speed" | "duration" if self.at_the_end:
                return self._length(column)
            case "end_speed":
                return 0.0, "the figure is taken at one speed", True
            case "start_speed" if REACH in self.slopes:
                return float("nan"), "part of the time to that speed", True
            case "duration" if REACH in self.slopes:
                longer = f"at most: {self.later_s:+.1f} s to that speed, at the climb there"
                return self.climb_per_s * self.later_s, longer, True
            case "peak_manifold_pressure":
                return self._compression(self.mean("before", "barometric"), self.mean("after", "barometric"), column)
            case _:
                return UNKNOWN

    def of_air_pressure(self, before_kpa: float, after_kpa: float) -> Effect:
        """Return what the outside pressure does by itself: at one manifold pressure, thin air is compressed further."""
        return self._compression(before_kpa, after_kpa, "") if self.applies else UNKNOWN

    def of_wind(self, before_ms: float, after_ms: float) -> Effect:
        """Return the most that the wind could have done, with the road or against it."""
        if not self.applies:
            return UNKNOWN
        return self.usual("peak_rise") * WIND_SHARE * abs(after_ms - before_ms), "at most, either way", True

    def _compression(self, before_kpa: float, after_kpa: float, column: str) -> Effect:
        held = [self.usual("pressure_ratio") * self.usual("barometric")] * 2
        outside = [before_kpa, after_kpa]
        if column:
            held = [self.mean(phase, column) for phase in ("before", "after")]
            outside = [float(np.mean(outside))] * 2
        ratios = np.array(held) / np.array(outside)
        if not np.isfinite(ratios).all() or (ratios <= 1.0).any():
            return UNKNOWN
        before, after = log_heating(ratios)
        if COMPRESSION in self.slopes:
            return self.slopes[COMPRESSION] * float(after - before), "corrected", True
        return self.usual("peak_rise") * float(after - before), "in proportion to the heating", False

    def _heat_at_start(self) -> Effect:
        """Heat left over fades with the recovery time constant while the pull lasts; under load rather sooner.

        Not carried: a cleaner cooler starts cooler by itself. What the rests explain of it is, in their own row.
        """
        hotter = self.difference("start_charge") - self.difference("inlet_at_peak")
        share = np.exp(-self.usual("duration") / self.usual("recovery_time"))
        if not np.isfinite(share):
            return hotter, "at most, if none of it faded", False
        return (
            hotter * float(share),
            "so much is left at the peak; a cleaner cooler also starts cooler by itself",
            False,
        )

    def _length(self, column: str) -> Effect:
        """A charge temperature climbs ever more slowly, so a longer pull adds at most the mean climb."""
        gained = self.usual("peak_charge") - self.usual("start_charge")
        carried = LENGTH in self.slopes
        if column == "duration":
            return gained * self.difference(column) / self.usual(column), "at most, at the mean climb", carried
        sign = -1.0 if column == "start_speed" else 1.0
        span = self.usual("end_speed") - self.usual("start_speed")
        return sign * gained * self.difference(column) / span, "at most, at the mean climb", carried


def _judge(rule: _Rule, effects: _Effects) -> Condition:
    before, after = effects.mean("before", rule.column), effects.mean("after", rule.column)
    if not np.isfinite([before, after]).all():
        return Condition(name=rule.name, unit=rule.unit, before=before, after=after, flagged=False, note="not logged")
    limit = rule.limit * abs(before) if rule.relative else rule.limit
    flagged = abs(after - before) > limit
    said = (
        f"differs by more than {percent(rule.limit)}"
        if rule.relative
        else f"differs by more than {rule.limit:g} {difference_unit(rule.unit)}"
    )
    could_move, basis, carried = effects.of(rule.column)
    return Condition(
        name=rule.name,
        unit=rule.unit,
        before=before,
        after=after,
        flagged=flagged,
        note=f"{said}: {rule.effect}" if flagged else "",
        could_move=could_move,
        basis=basis,
        carried=carried,
    )


def _weather(experiment: Experiment, effects: _Effects) -> list[Condition]:
    def mean(phase: str, values: list[float | None]) -> float:
        known = [v for v in values if v is not None]
        return float(np.mean(known)) if known else float("nan")

    sides: dict[str, tuple[float, float, float, float]] = {}
    for phase in PHASES:
        sessions = experiment.in_phase(phase)
        ambient = mean(phase, [s.ambient_c for s in sessions])
        pressure = mean(phase, [s.pressure_hpa / 10 if s.pressure_hpa else None for s in sessions])
        wind = mean(phase, [s.wind_ms for s in sessions])
        density = float("nan")
        if np.isfinite(ambient):
            station = pressure if np.isfinite(pressure) else STANDARD_PRESSURE_KPA
            humidity = mean(phase, [s.humidity_pct for s in sessions])
            density = float(
                air.humid_air_density_kg_m3(
                    temperature_c=ambient,
                    pressure_kpa=station,
                    relative_humidity=0.5 if np.isnan(humidity) else humidity / 100,
                )
            )
        sides[phase] = (ambient, pressure, density, wind)
    (ta, pa, da, wa), (tb, pb, db, wb) = sides["before"], sides["after"]
    off = [phase for phase, d in (("before", da), ("after", db)) if abs(d / REFERENCE_DENSITY - 1) > DENSITY_SLACK]
    windy = [phase for phase, w in (("before", wa), ("after", wb)) if w > WIND_LIMIT_MS]
    counted = (float("nan"), "part of the inlet temperature", True) if effects.applies else UNKNOWN
    both = (float("nan"), "part of temperature and pressure", True) if effects.applies else UNKNOWN
    return [
        _plain("air temperature in the shade", "°C", ta, tb, abs(tb - ta) > 5, "differs by more than 5 K", counted),
        _plain(
            "air pressure", "kPa", pa, pb, abs(pb - pa) > 1.5, "differs by more than 1.5 kPa: boost may follow it",
            effects.of_air_pressure(pa, pb),
        ),
        _plain(
            "air density", "kg/m³", da, db, bool(off),
            f"{' and '.join(off)} more than 7.5 % from the reference air of road tests (UN R83: 100 kPa, 20 °C)", both,
        ),
        _plain(
            "wind", "m/s", wa, wb, bool(windy), f"{' and '.join(windy)} over 3 m/s: it matters which way the road runs",
            effects.of_wind(wa, wb),
        ),
    ]  # fmt: skip


def _plain(name: str, unit: str, before: float, after: float, flagged: bool, note: str, effect: Effect) -> Condition:
    known = bool(np.isfinite([before, after]).all())
    return Condition(
        name=name,
        unit=unit,
        before=before,
        after=after,
        flagged=flagged,
        note=note if flagged else "" if known else "not given",
        could_move=effect[0] if known else float("nan"),
        basis=effect[1] if known else NOT_KNOWN,
        carried=effect[2] and known,
    )


def _direction(rows: pd.DataFrame) -> list[Condition]:
    """Compare the compass directions of the pulls, where positions are logged; the positions themselves stay unsaid."""
    if "heading" not in rows or rows["heading"].isna().all():
        return []
    (before, one_way_before), (after, one_way_after) = (
        mean_direction(rows.loc[rows["phase"] == phase, "heading"].dropna().to_numpy(dtype=float))
        for phase in ("before", "after")
    )
    if not (one_way_before and one_way_after):
        note, flagged = "driven in more than one direction", False
    else:
        apart = abs((after - before + 180) % 360 - 180)
        flagged = apart > HEADING_LIMIT_DEG
        note = f"differs by {apart:.0f}°: other wind, other slope" if flagged else ""
    return [
        Condition(name="road direction", unit="°", before=before, after=after, flagged=flagged, note=note),
    ]


def mean_direction(degrees: np.ndarray) -> tuple[float, bool]:
    """Average compass directions.

    Parameters
    ----------
    degrees : ndarray, shape (n,)
        [°]

    Returns
    -------
    float
        Circular mean [°]; NaN where they are no one direction.
    bool
        Whether there is one direction at all.
    """
    if not degrees.size:
        return float("nan"), False
    mean = np.exp(1j * np.radians(degrees)).mean()
    one_way = bool(abs(mean) >= ONE_WAY)
    return (float(np.degrees(np.angle(mean)) % 360) if one_way else float("nan")), one_way
