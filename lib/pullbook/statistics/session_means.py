"""Within sessions: the mean of each session's runs at the average place in the sequence, and the repeatability.

Pulls of one session share the day, so they are not independent evidence; from here on the session is the unit, and
sessions of one date have one day between them (`pullbook.statistics.days`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook.errors import ComparisonError
from pullbook.settings.experiment import PHASES, Experiment, Phase
from pullbook.settings.outcomes import OUTCOMES, Outcome, elapsed_columns, speeds_of
from pullbook.statistics.days import days_of, sharing
from pullbook.statistics.uncertainty import step_uncertainty
from pullbook.text import counted

if TYPE_CHECKING:
    import pandas as pd

# Air through a cooler follows the road speed, and a rise about its -0.3th power: at 80 km/h a metre a
# second of wind is 4.5 % of that speed. A judgement, no source.
WIND_SHARE = 0.3 * 3.6 / 80.0
INLET_APART = "inlet against the air outside"
# Air noted for a drive lies within so many kelvin of what a good thermometer shows there; common practice, no source.
NOTED_AIR_K = 1.5
GROWS = 3.0  # times: how fast what lies beyond the doubt of the notes grows to all of it
# A single run's scatter where a drive has but one, and its weight in degrees of freedom: what a plan assumes too.
USUAL_RUN_SD_K = 0.8
USUAL_RUN_DOF = 4.0
NOTED_TEMPERATURE_U_K = 0.58  # a thermometer good to ±1 °C (UN R51-type instruments), rectangular


@dataclass(frozen=True, eq=False)
class SessionMeans:
    """Session means of one outcome, their conditions and uncertainties.

    Attributes
    ----------
    outcome : Outcome
    names : tuple of str
    phases : tuple of {"before", "after"}
    means : ndarray, shape (sessions,)
        At the average place in the sequence, in the outcome's unit.
    covariance : ndarray, shape (sessions, sessions)
        What the scatter of single runs leaves.
    repeatability_sd, repeatability_dof : float
        Of a single run.
    by_place : bool
        Whether the place in the sequence was allowed for.
    runs : ndarray of int, shape (sessions,)
        How many runs.
    resolution_u : ndarray, shape (sessions,)
        Standard uncertainty from the steps of the sensors, in the outcome's unit.
    inlet_c, rise_k : ndarray, shape (sessions,)
        Mean inlet temperature [°C] and rise of the charge over it [K]; NaN where not logged.
    inlet_u : float
        Standard uncertainty of a session's inlet temperature [K].
    pressure_ratio : ndarray, shape (sessions,)
        Mean of the held manifold pressure over the outside; NaN where not logged, and for a cruise.
    single_runs : tuple of ndarray, shape (runs,)
        The single runs of each session, in the outcome's unit.
    shared_u : float
        Relative standard uncertainty that all sessions share, and their differences with them: of what was estimated.
    heat_left_k, start_kmh, end_kmh, duration_s : ndarray, shape (sessions,)
        Of the pulls, at the average place: what the rests left of the heat of the pull before (`_heat_left`) [K], entry
        and end speed [km/h], length [s]; NaN where not known.
    climb_per_kmh, pace_at_end : ndarray, shape (sessions,)
        What a pull that ends 1 km/h later adds: to the charge's climb [K per km/h] and to its length [s per km/h].
    reach_s, climb_per_s : ndarray, shape (sessions,)
        Of the pulls of a `rise_at`, at the average place: the time from the start to that speed [s], and how the charge
        still climbs there [K/s]; NaN for other outcomes, and where not known.
    wind_ms, air_c : ndarray, shape (sessions,)
        As noted [m/s, °C]; NaN where it was not.
    days : tuple of str
        A label of each session's date, the same for sessions of one date; empty where it is not known.
    inlet_share : float
        How much of an error of the inlet temperature stands in the outcome itself: 1 for a rise.
    """

    outcome: Outcome
    names: tuple[str, ...]
    phases: tuple[Phase, ...]
    means: np.ndarray
    covariance: np.ndarray
    repeatability_sd: float
    repeatability_dof: float
    by_place: bool
    runs: np.ndarray
    resolution_u: np.ndarray
    inlet_c: np.ndarray
    rise_k: np.ndarray
    inlet_u: float
    pressure_ratio: np.ndarray
    single_runs: tuple[np.ndarray, ...]
    heat_left_k: np.ndarray
    start_kmh: np.ndarray
    end_kmh: np.ndarray
    duration_s: np.ndarray
    climb_per_kmh: np.ndarray
    pace_at_end: np.ndarray
    reach_s: np.ndarray
    climb_per_s: np.ndarray
    wind_ms: np.ndarray
    air_c: np.ndarray
    days: tuple[str, ...]
    inlet_share: float = 0.0
    shared_u: float = 0.0

    @property
    def reading_u(self) -> np.ndarray:
        """Standard uncertainty of each session's figure from the sensors: ndarray, shape (sessions,)."""
        both: np.ndarray = np.hypot(self.resolution_u, self.inlet_share * self.inlet_u)
        return both

    @property
    def known(self) -> np.ndarray:
        """Covariance that single runs and the sensors leave: ndarray, shape (sessions, sessions)."""
        whole: np.ndarray = self.covariance + np.diag(self.reading_u**2)
        return whole

    def wind_u(self, weights: np.ndarray) -> float:
        """Return what a difference of wind could have done to a charge's rise, as a standard uncertainty [K].

        Nobody knows the wind's direction on the road, so it may have cooled or not: rectangular, with the bound that
        `WIND_SHARE` gives.

        Parameters
        ----------
        weights : ndarray, shape (sessions,)
            Of the sessions in the change, or in a level.
        """
        if not self.outcome.of_charge or not np.isfinite(self.wind_ms).all():
            return 0.0
        apart = abs(_from_the_mean(weights, self.wind_ms))
        rise = float(np.nanmean(self.rise_k)) if np.isfinite(self.rise_k).any() else 0.0
        return rise * WIND_SHARE * apart / math.sqrt(3)

    def inlet_u_in_figure(self, slope: float) -> float:
        """Return the standard uncertainty of a session's corrected figure from its inlet's reading [outcome's unit].

        A rise holds that reading already, and the correction for the inlet takes the same error once more.

        Parameters
        ----------
        slope : float
            Of the correction [outcome's unit per K]; 0 where there is none.
        """
        return abs(self.inlet_share + slope) * self.inlet_u

    def inlet_apart_u(self, weights: np.ndarray, slope: float) -> float:
        """Return what an inlet sensor that reads or sits differently could have done [outcome's unit].

        It stands further above the air outside in one phase than in the other. Either the air it breathes is truly
        that much warmer, and none of it is the sensor, or the sensor or its place changed, and all of it is. Nobody
        knows which, so half the square of it counts: nothing or all, equally likely. A rectangular distribution was
        tried: where it was all sensor, the interval missed the truth in 11 of 16 drives.

        What the notes of the air explain by themselves, twice their standard uncertainty (`NOTED_AIR_K`, rectangular),
        does not count. Beyond that the difference is no longer chance, and the doubt is not taken off it: from one and
        a half times the doubt on, all of the difference counts, and up to there what lies beyond, `GROWS` times.

        Parameters
        ----------
        weights : ndarray, shape (sessions,)
            Of the sessions in the change, or in a level.
        slope : float
            As in `inlet_u_in_figure`: a charge temperature has the inlet in its correction alone.
        """
        share = abs(self.inlet_share + slope)
        if not share or not np.isfinite(self.air_c).all():
            return 0.0
        apart = _from_the_mean(weights, self.inlet_c - self.air_c)
        doubt = 2.0 * NOTED_AIR_K / math.sqrt(3) * math.sqrt(weights @ weights)
        beyond = max(0.0, abs(apart) - doubt)
        return share * min(abs(apart), GROWS * beyond) / math.sqrt(2)

    @property
    def after(self) -> np.ndarray:
        """One for sessions after the service, zero for those before: ndarray, shape (sessions,)."""
        return np.array([phase == "after" for phase in self.phases], dtype=float)

    @property
    def of_day(self) -> np.ndarray:
        """Day of each session, as `pullbook.statistics.days.days_of`: ndarray, shape (sessions, days)."""
        return days_of(self.phases, self.days)

    @property
    def shared_days(self) -> np.ndarray:
        """Correlation of the sessions' days: ndarray, shape (sessions, sessions)."""
        return sharing(self.of_day)

    @property
    def runs_a_day(self) -> float:
        """Mean number of runs on a day."""
        return float(self.runs.sum() / self.of_day.shape[1])

    def count(self, phase: Phase) -> int:
        """Count a phase's sessions."""
        return self.phases.count(phase)

    def count_days(self, phase: Phase) -> int:
        """Count a phase's days."""
        return int(np.count_nonzero(self.of_day[[p == phase for p in self.phases]].sum(axis=0)))

    def pulls(self, phase: Phase) -> int:
        """Count a phase's runs."""
        return int(sum(n for n, p in zip(self.runs, self.phases, strict=True) if p == phase))


def session_means(
    measures: pd.DataFrame,
    experiment: Experiment,
    outcome: Outcome,
    *,
    with_left_out: bool,
    phases: Sequence[Phase] = PHASES,
) -> SessionMeans:
    """Reduce the runs of an experiment to a figure a session.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run, as `pullbook.runs.measures.measure` makes it, with a column ``session``.
    experiment : Experiment
        For the sessions and their phases.
    outcome : Outcome
    with_left_out : bool
        Count the runs that the person left out too.
    phases : sequence of {"before", "after"}
        Those without which it is refused.

    Returns
    -------
    SessionMeans

    Raises
    ------
    ComparisonError
        When the outcome is no column, one of the phases has no usable run, or the compressor outlet temperature was
        measured in some sessions alone.
    """
    if outcome.name not in measures:
        had = [*(c for c in map(str, measures) if c in OUTCOMES), *elapsed_columns(measures)]
        raise ComparisonError(
            f"outcome {outcome.name!r}: these runs have no such figure. For a time, list its two speeds "
            f"under protocol: marks_kmh. Available: {', '.join(had)}."
        )
    counted = measures["included"].to_numpy()
    if with_left_out:
        counted = counted | measures["left_out"].to_numpy()
    values = measures[outcome.name].to_numpy(dtype=float)
    usable = np.flatnonzero(counted & (measures["kind"] == outcome.kind).to_numpy() & ~np.isnan(values))
    driven_in = measures["session"].to_numpy()[usable]
    present = set(driven_in)
    for phase in phases:
        names = {s.name for s in experiment.in_phase(phase)}
        if not names & present:
            raise ComparisonError(_nothing_in(phase, names, measures, outcome))
    sessions = [s for s in experiment.sessions if s.name in present]
    code = {s.name: k for k, s in enumerate(sessions)}
    codes = np.array([code[name] for name in driven_in])
    y = values[usable]
    places = measures["number"].to_numpy(dtype=int)[usable]
    means, covariance, sd, dof, by_place = two_way(y, codes, places)
    runs = np.bincount(codes, minlength=len(sessions))
    if not dof:
        sd, dof = usual_run_sd(outcome, float(y.mean())), USUAL_RUN_DOF
        covariance = np.diag(sd**2 / runs)

    def mean_of(column: str) -> np.ndarray:
        return _mean_of(measures[column].to_numpy(dtype=float)[usable] if column in measures else None, codes)

    def of_runs(column: str) -> np.ndarray:
        return measures[column].to_numpy(dtype=float)[usable] if column in measures else np.full(len(usable), np.nan)

    def at_average_place(found: np.ndarray) -> np.ndarray:
        return two_way(found, codes, places)[0] if np.isfinite(found).all() else _mean_of(found, codes)

    climb = of_runs("peak_charge") - of_runs("start_charge")

    inlet, rise = ("inlet_at_peak", "peak_rise") if outcome.kind == "pull" else ("mean_inlet", "mean_rise")
    own_inlet = outcome.ambient == "rise"
    steps = [
        step_uncertainty(1.0) * np.nan_to_num(mean_of(name))
        for name in outcome.steps
        if not (own_inlet and name == "inlet_step")  # covered by the inlet's reading
    ]
    if speeds_of(outcome.name) and f"{outcome.name}_u" in measures:
        steps.append(np.nan_to_num(mean_of(f"{outcome.name}_u")))
    return SessionMeans(
        outcome=outcome,
        names=tuple(s.name for s in sessions),
        phases=tuple(s.phase for s in sessions),
        means=means,
        covariance=covariance,
        repeatability_sd=sd,
        repeatability_dof=dof,
        by_place=by_place,
        runs=runs,
        resolution_u=np.sqrt(np.sum(np.square(steps), axis=0)) if steps else np.zeros(len(sessions)),
        inlet_c=mean_of(inlet),
        inlet_u=_inlet_u(mean_of("inlet_step")),
        rise_k=mean_of(rise),
        pressure_ratio=mean_of("pressure_ratio") if outcome.kind == "pull" else np.full(len(sessions), np.nan),
        single_runs=tuple(y[codes == k] for k in range(len(sessions))),
        heat_left_k=at_average_place(_heat_left(of_runs("rest_before"), climb, of_runs("recovery_time"))),
        start_kmh=at_average_place(of_runs("start_speed")),
        end_kmh=at_average_place(of_runs("end_speed")),
        duration_s=at_average_place(of_runs("duration")),
        climb_per_kmh=_or_mean(at_average_place(of_runs("end_climb")), climb, of_runs),
        pace_at_end=_or_mean(at_average_place(of_runs("end_pace")), of_runs("duration"), of_runs),
        reach_s=at_average_place(of_runs(f"{outcome.name}_s")),
        climb_per_s=at_average_place(of_runs(f"{outcome.name}_climb")),
        wind_ms=np.array([math.nan if s.wind_ms is None else s.wind_ms for s in sessions]),
        air_c=np.array([math.nan if s.ambient_c is None else s.ambient_c for s in sessions]),
        days=_days(measures, tuple(s.name for s in sessions)),
        inlet_share=1.0 if own_inlet else 0.0,
        shared_u=_shared_u(measures.iloc[usable]) if outcome.from_outlet else 0.0,
    )


def _days(measures: pd.DataFrame, names: Sequence[str]) -> tuple[str, ...]:
    if "day" not in measures:
        return ("",) * len(names)
    told = dict(zip(measures["session"], measures["day"], strict=True))
    return tuple(str(told[name]) for name in names)


def _from_the_mean(weights: np.ndarray, values: np.ndarray) -> float:
    """Weigh values counted from their mean, as the conditions are: a level is that of the mean condition."""
    return float(weights @ (values - values.mean()))


def _mean_of(values: np.ndarray | None, codes: np.ndarray) -> np.ndarray:
    """Return the mean of a session's figures, those that are not known left out; NaN without any."""
    means = np.full(int(codes.max()) + 1, np.nan)
    if values is not None:
        good = ~np.isnan(values)
        counts = np.bincount(codes[good], minlength=len(means))
        np.divide(np.bincount(codes[good], values[good], minlength=len(means)), counts, out=means, where=counts > 0)
    return means


def _or_mean(at_the_end: np.ndarray, gained: np.ndarray, of_runs: Callable[[str], np.ndarray]) -> np.ndarray:
    """Fill in a climb at the end that was logged too coarsely: the pulls' mean gain per km/h."""
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = gained / (of_runs("end_speed") - of_runs("start_speed"))
    known = mean[np.isfinite(mean)]
    filled: np.ndarray = np.where(np.isfinite(at_the_end), at_the_end, known.mean() if known.size else np.nan)
    return filled


def _heat_left(rest_s: np.ndarray, climb_k: np.ndarray, recovery_s: np.ndarray) -> np.ndarray:
    """Return the heat of the pull before that is left at the start of each pull [K]: ndarray, shape (runs,).

    It fades with the recovery time constant. Climb and time constant are the means over all pulls, so that rests of
    different lengths count and nothing that the service did: a cleaner cooler starts cooler, too.
    """
    known = [np.isfinite(values).any() for values in (rest_s, climb_k, recovery_s)]
    if not all(known):
        return np.full(len(rest_s), np.nan)
    rest = np.where(np.isnan(rest_s), np.inf, rest_s)  # before the first pull there is nothing to be left
    left: np.ndarray = np.nanmean(climb_k) * np.exp(-rest / np.nanmean(recovery_s))
    return left


def usual_run_sd(outcome: Outcome, mean: float) -> float:
    """Return the scatter of single runs to assume: a temperature's, or as large a share as days differ by.

    Parameters
    ----------
    outcome : Outcome
    mean : float
        Of the runs, in the outcome's unit.
    """
    return outcome.day_to_day_sd * abs(mean) if outcome.relative else USUAL_RUN_SD_K


def _shared_u(rows: pd.DataFrame) -> float:
    """Return the relative standard uncertainty of the estimated heating in the compressor; 0 where it was measured."""
    if "outlet_estimated" not in rows or not rows["outlet_estimated"].any():
        return 0.0
    if not rows["outlet_estimated"].all():
        raise ComparisonError(
            "the compressor outlet temperature was measured in some sessions and estimated in others, and "
            "the two don't compare. Leave its column out everywhere, or choose another outcome, such as "
            "peak_rise"
        )
    heating = rows["compressor_outlet"] - rows["inlet_at_peak"]
    return float((rows["compressor_outlet_u"] / heating).mean())


def _inlet_u(steps: np.ndarray) -> float:
    """Return the sensor's step as an uncertainty, or that of a temperature somebody wrote down."""
    logged = np.isfinite(steps).all() and (steps > 0).any()
    return step_uncertainty(float(steps.mean())) if logged else NOTED_TEMPERATURE_U_K


def _nothing_in(phase: str, names: set[str], measures: pd.DataFrame, outcome: Outcome) -> str:
    if not names:
        return f"sessions: none for '{phase}'. A comparison needs at least one log from each phase"
    part = measures[measures["session"].isin(names) & (measures["kind"] == outcome.kind)]
    reasons = [
        f"{row['session']} {row['kind']} {row['number']}: {row['reason']}"
        for row in part[["session", "kind", "number", "reason"]].to_dict(orient="records")
        if row["reason"]
    ]
    if part["included"].any():
        what = f"but none of them has {outcome.label} ({outcome.name})"
        if marks := speeds_of(outcome.name):
            what += f". The speed must be read on both sides of {' and of '.join(f'{m:g}' for m in marks)} km/h"
    elif reasons:
        what = "but none is usable: " + "; ".join(reasons[:6])
    else:
        what = f"and no {outcome.kind} was found. Do cruise_kmh, pull_from_kmh and pull_to_kmh match your drives?"
    return f"phase '{phase}': {counted(len(part), outcome.kind)} in {counted(len(names), 'session')}, {what}"


def two_way(y: np.ndarray, codes: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float, bool]:
    """Fit session + place in the sequence, and return each session's mean at the average place.

    Parameters
    ----------
    y : ndarray, shape (n,)
        The outcome of each run.
    codes : ndarray of int, shape (n,)
        Session of each run, 0 to sessions - 1, each present.
    places : ndarray of int, shape (n,)
        Place of the run in its drive, from 1.

    Returns
    -------
    means : ndarray, shape (sessions,)
        In the unit of ``y``.
    covariance : ndarray, shape (sessions, sessions)
        Of the means, from the scatter of single runs; zero where there is one run each.
    repeatability_sd, dof : float
        Standard deviation of a single run; NaN and 0 where there is one run each.
    by_place : bool
        False where places and sessions cannot be separated, or too few runs are left to do so.

    Notes
    -----
    Ordinary least squares; a session without its later, hotter pulls is not taken for a cooler one.

    Examples
    --------
    Each pull starts 1 K hotter than the one before. The last drive is 1 K hotter all through, but lacks its third pull,
    so that its plain mean is only half a kelvin higher.

    >>> import numpy as np
    >>> from pullbook.statistics.session_means import two_way
    >>> rises = np.array([41.0, 42.0, 43.0, 41.0, 42.0, 43.0, 42.0, 43.0])
    >>> means, *_ = two_way(rises, np.array([0, 0, 0, 1, 1, 1, 2, 2]), np.array([1, 2, 3, 1, 2, 3, 1, 2]))
    >>> (means - means[0]).round(6).tolist()
    [0.0, 0.0, 1.0]
    """
    sessions = int(codes.max()) + 1
    of_session = np.eye(sessions)[codes]
    kinds, of_run = np.unique(places, return_inverse=True)
    of_place = np.eye(len(kinds))[of_run]
    design = np.hstack([of_session, of_place[:, 1:]])
    counts = design.T @ design  # small, however many runs there are, and whole numbers, so its rank is sure
    by_place = len(y) - design.shape[1] >= 2 and np.linalg.matrix_rank(counts, hermitian=True) == design.shape[1]
    if not by_place:
        design, share = of_session, np.empty(0)
    else:
        share = of_place[:, 1:].mean(axis=0)
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ y
    to_means = np.hstack([np.eye(sessions), np.tile(share, (sessions, 1))])
    dof = len(y) - design.shape[1]
    if dof < 1:
        return to_means @ coefficients, np.zeros((sessions, sessions)), math.nan, 0.0, by_place
    variance = float(np.sum((y - design @ coefficients) ** 2)) / dof
    return (
        to_means @ coefficients,
        variance * to_means @ inverse @ to_means.T,
        math.sqrt(variance),
        float(dof),
        by_place,
    )
