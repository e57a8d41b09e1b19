"""One vehicle over the years: what each service changed, and what was lost between one and the next.

The state after a service and the state before the next are compared as before and after are within one experiment: the
session is the unit, all sessions are brought to one inlet temperature (and boost) by one mixed estimation, and the
interval follows JCGM 100:2008.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Literal

import numpy as np

from pullbook.analysis.result import Result, analyse_experiment
from pullbook.errors import ExperimentError, Finding, PullbookError
from pullbook.quantities import METRIC, Shown
from pullbook.settings.experiment import FILE_NAME, PHASES, Experiment
from pullbook.settings.fingerprint import log_digests, named_logs
from pullbook.statistics.boost import boost_findings
from pullbook.statistics.estimate import Slope
from pullbook.statistics.joint_fit import (
    Estimated,
    PhaseStates,
    Share,
    common_rate,
    joined,
    joint_levels,
    line_through,
    share_of,
)
from pullbook.statistics.uncertainty import check_level

DAYS_IN_YEAR = 365.25
UNLIKELY = 0.05

Axis = Literal["date", "odometer", "order"]
Per = Literal["1000 km", "year"]


@dataclass(frozen=True, kw_only=True)
class Service:
    """One service: when it was, and what its own experiment found.

    Attributes
    ----------
    number : int
        From 1.
    name, what : str
        The experiment's folder, and what was done.
    date : date or None
    odometer_km : float or None
    change, low, high : float
        In the outcome's unit.
    verdict : str
    worthwhile : float
        The change that matters, in the outcome's unit.
    before, after : Estimated
        The state on both sides, at conditions common to all services.
    """

    number: int
    name: str
    what: str
    date: dt.date | None
    odometer_km: float | None
    change: float
    low: float
    high: float
    verdict: str
    worthwhile: float
    before: Estimated
    after: Estimated


@dataclass(frozen=True, kw_only=True)
class Span:
    """From after one service to before the next.

    Attributes
    ----------
    number : int
        Of the first service; the next one has the number after it.
    drift : Estimated
        What changed in between, in the outcome's unit.
    distance_km, years : float or None
        Of the span.
    share_lost : Share or None
        Of what the first service gained; None where that gain is not resolved.
    """

    number: int
    drift: Estimated
    distance_km: float | None
    years: float | None
    share_lost: Share | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Rate:
    """A drift per distance or time.

    Attributes
    ----------
    what : str
        What drifts.
    per : str
        Over what.
    contrast : ndarray, shape (levels,)
        The rate as weights of the levels.
    estimated : Estimated
        In the outcome's unit per ``per``.
    p : float
        p of the residuals about one common rate; NaN where there is only one span.
    """

    what: str
    per: Per
    contrast: np.ndarray
    estimated: Estimated
    p: float


@dataclass(frozen=True, kw_only=True, eq=False)
class History:
    """Everything that the history's page is made from.

    Attributes
    ----------
    vehicle : str
    outcome, unit, level_unit, label : str
        Units of a change and of a state: K and °C for a temperature.
    lower_is_better : bool
    services : tuple of Service
    spans : tuple of Span
    rates : tuple of Rate
    levels : PhaseStates
    slopes : tuple of Slope
        Of the conditions that all sessions were brought to.
    axis : {"date", "odometer", "order"}
        What the services are in order of.
    findings : tuple of Finding
    shown : Shown
        The units that the newest experiment is shown in; what stands here is metric, until `history_in` has it.
    """

    vehicle: str
    outcome: str
    unit: str
    level_unit: str
    label: str
    lower_is_better: bool
    services: tuple[Service, ...]
    spans: tuple[Span, ...]
    rates: tuple[Rate, ...]
    levels: PhaseStates
    slopes: tuple[Slope, ...]
    axis: Axis
    findings: tuple[Finding, ...]
    shown: Shown = METRIC

    @property
    def worse(self) -> float:
        """Sign of a change for the worse."""
        return 1.0 if self.lower_is_better else -1.0

    def rate(self, per: Per) -> Rate | None:
        """Return what is lost between services, per distance or time, where it is known."""
        return next((r for r in self.rates if r.what == "between services" and r.per == per), None)

    def gain_of_last(self) -> np.ndarray:
        """Return the contrast that is what the last service gained, positive for the better.

        Returns
        -------
        ndarray, shape (levels,)
        """
        last = len(self.services) - 1
        gain: np.ndarray = self.worse * (self.levels.contrast(last, "before") - self.levels.contrast(last, "after"))
        return gain


def experiment_folders(text: str) -> list[Path]:
    """Return the experiment folders that a text names, one a line; a folder of experiments means all of them."""
    found: list[Path] = []
    for line in filter(None, (line.strip() for line in text.split("\n"))):
        folder = Path(line)
        inside = sorted(path.parent for path in folder.glob(f"*/{FILE_NAME}"))
        found += [folder] if (folder / FILE_NAME).is_file() or not inside else inside
    return found


def read_history(folders: Sequence[str | Path], *, level: float = 0.95, season_sd: float | None = None) -> History:
    """Analyse experiments of one vehicle and put them in order.

    Parameters
    ----------
    folders : sequence of path
        An experiment each; two or more.
    level : float
        Coverage of the intervals.
    season_sd : float, optional
        As in `PhaseStates`, in the outcome's unit; by default the day-to-day allowance.

    Returns
    -------
    History

    Raises
    ------
    ExperimentError
        When the season's allowance is negative, or the experiments do not belong together.
    PullbookError
        When one of them, or the level, is refused.
    """
    check_level(level)
    if season_sd is not None and season_sd < 0:
        raise ExperimentError(f"season_sd: given {season_sd:g}. Allowed: 0 or more")
    _refuse_single(folders)
    experiments = [_named(Path(folder)) for folder in folders]
    common, noted = in_common(experiments)
    results = [(name, analyse_experiment(experiment, level=level)) for name, experiment in common]
    history = history_of(results, level=level, season_sd=season_sd)
    return replace(history, findings=(*noted, *history.findings))


def _named(folder: Path) -> tuple[str, Experiment]:
    """Read an experiment; a refusal of its settings says whose they are."""
    name = folder.resolve().name
    try:
        return name, Experiment.load(folder)
    except ExperimentError as refusal:
        raise ExperimentError(str(refusal) if name in str(refusal).split("\n")[0] else f"{name}: {refusal}") from None


def in_common(
    experiments: Sequence[tuple[str, Experiment]],
) -> tuple[list[tuple[str, Experiment]], tuple[Finding, ...]]:
    """Give experiments that asked about different figures, or drove other speeds, the question that all can answer.

    The questions of the newest are tried first. What decides is whether each experiment's own logs give the figure.

    Parameters
    ----------
    experiments : sequence of (str, Experiment)
        Each with its folder's name.

    Returns
    -------
    list of (str, Experiment)
        The same, with one outcome and one protocol where a common one was found; else as they were, to be refused.
    tuple of Finding
        What was changed, if anything.
    """
    asked = list(dict.fromkeys((e.outcome, e.protocol.model_dump_json()) for _, e in reversed(experiments)))
    if len(asked) < 2:
        return list(experiments), ()
    for outcome in dict.fromkeys(outcome for outcome, _ in asked):
        newest = next(e for _, e in reversed(experiments) if e.outcome == outcome)
        if any(e.outcome_spec.change_unit != newest.outcome_spec.change_unit for _, e in experiments):
            continue
        alike = [
            (name, e.model_copy(update={"outcome": outcome, "protocol": newest.protocol})) for name, e in experiments
        ]
        if all(_answers(experiment) for _, experiment in alike):
            return alike, (_recomputed(experiments, newest),)
    return list(experiments), ()


def _answers(experiment: Experiment) -> bool:
    """Say whether the logs of both phases give the outcome."""
    try:
        return analyse_experiment(experiment).comparison.comparable
    except PullbookError:
        return False


def _recomputed(experiments: Sequence[tuple[str, Experiment]], newest: Experiment) -> Finding:
    p = newest.protocol
    speeds = f"cruise {p.cruise_kmh:g} km/h, pulls {p.pull_from_kmh:g} to {p.pull_to_kmh:g} km/h"
    asked = ", ".join(f"{name} {e.outcome}" for name, e in experiments)
    return Finding(
        code="history-recomputed",
        severity="note",
        message=(
            f"The experiments asked different questions ({asked}) or drove to different speeds. All are "
            f"recalculated from their logs as {newest.outcome} ({speeds}), so these figures may differ from "
            "their own pages."
        ),
        evidence={"outcome": newest.outcome, "asked": {name: e.outcome for name, e in experiments}},
    )


def history_of(named: Sequence[tuple[str, Result]], *, level: float = 0.95, season_sd: float | None = None) -> History:
    """Put results of one vehicle in order and compare each service's state with the next.

    Parameters
    ----------
    named : sequence of (str, Result)
        Each with its folder's name; two or more.
    level, season_sd
        As for `read_history`.

    Returns
    -------
    History

    Raises
    ------
    ExperimentError
        When they do not belong together.
    """
    _refuse_single(named)
    _refuse_repeated(named)
    _refuse_unlike(named)
    _refuse_not_comparable(named)
    axis, named = _in_order(named)
    results = [result for _, result in named]
    boost = _boost_findings(results)
    levels = joint_levels(
        [result.measures for result in results],
        [result.experiment for result in results],
        level=level,
        season_sd=season_sd,
    )
    c = results[0].comparison
    worse = 1.0 if c.lower_is_better else -1.0
    services = tuple(_service(k, name, result, levels) for k, (name, result) in enumerate(named))
    spans = tuple(_span(k, services, levels, worse) for k in range(len(services) - 1))
    rates = _rates(services, levels)
    return History(
        vehicle=results[-1].experiment.vehicle.description,
        outcome=c.outcome,
        unit=c.unit,
        level_unit=results[0].experiment.outcome_spec.unit,
        label=c.label,
        lower_is_better=c.lower_is_better,
        services=services,
        spans=spans,
        rates=rates,
        levels=levels,
        slopes=levels.slopes,
        axis=axis,
        findings=(*boost, *_sensor_findings(results), *_rate_findings(rates)),
        shown=results[-1].experiment.shown,
    )


def _service(k: int, name: str, result: Result, levels: PhaseStates) -> Service:
    service, c = result.experiment.service, result.comparison
    return Service(
        number=k + 1,
        name=name,
        what=service.what,
        date=service.date,
        odometer_km=service.odometer_km,
        change=c.change,
        low=c.low,
        high=c.high,
        verdict=c.verdict,
        worthwhile=c.worthwhile,
        before=levels.estimate(levels.contrast(k, "before")),
        after=levels.estimate(levels.contrast(k, "after")),
    )


def _drift(levels: PhaseStates, k: int) -> np.ndarray:
    """Return the contrast from after service ``k`` to before the next."""
    drift: np.ndarray = levels.contrast(k + 1, "before") - levels.contrast(k, "after")
    return drift


def _span(k: int, services: Sequence[Service], levels: PhaseStates, worse: float) -> Span:
    first, second = services[k], services[k + 1]
    drift = _drift(levels, k)
    gained = levels.contrast(k, "before") - levels.contrast(k, "after")
    km = (
        second.odometer_km - first.odometer_km
        if first.odometer_km is not None and second.odometer_km is not None
        else None
    )
    years = (second.date - first.date).days / DAYS_IN_YEAR if first.date and second.date else None
    share = share_of(levels, worse * drift, worse * gained)
    improved = worse * float(gained @ levels.states) > 0
    return Span(
        number=k + 1,
        drift=levels.estimate(drift),
        distance_km=km,
        years=years,
        share_lost=share if improved else None,
    )


def _rates(services: Sequence[Service], levels: PhaseStates) -> tuple[Rate, ...]:
    places: dict[Per, list[float | None]] = {
        "1000 km": [None if s.odometer_km is None else s.odometer_km / 1000 for s in services],
        "year": [None if s.date is None else s.date.toordinal() / DAYS_IN_YEAR for s in services],
    }
    found = []
    for per, at in places.items():
        pairs = [(k, a, b) for k, (a, b) in enumerate(pairwise(at)) if a is not None and b is not None]
        lengths = {k: later - earlier for k, earlier, later in pairs if later > earlier}
        if lengths:
            spans = np.array([_drift(levels, k) for k in lengths])
            found.append(
                _rate("between services", per, levels, common_rate(levels, spans, np.array([*lengths.values()])))
            )
        if len(lengths) == len(services) - 1:
            known = np.array(at, dtype=float)
            found += [
                _rate(f"state {phase} a service", per, levels, line_through(levels, phase, known)) for phase in PHASES
            ]
    return tuple(found)


def _rate(what: str, per: Per, levels: PhaseStates, fitted: tuple[np.ndarray, float]) -> Rate:
    contrast, p = fitted
    return Rate(what=what, per=per, contrast=contrast, estimated=levels.estimate(contrast), p=p)


# --- do they belong together? ------------------------------------------------------------------------------------


def _refuse_single(given: Sequence[object]) -> None:
    if len(given) < 2:
        raise ExperimentError(
            "a history needs two experiments or more. Name the folder of each, or one that holds them"
        )


def _refuse_repeated(named: Sequence[tuple[str, Result]]) -> None:
    seen: dict[str, str] = {}
    for name, result in named:
        if result.inputs_sha256 in seen:
            raise ExperimentError(
                f"{seen[result.inputs_sha256]} and {name} are one experiment: they were made from the same "
                "inputs. Name it once"
            )
        seen[result.inputs_sha256] = name
    _refuse_shared([(name, result.experiment) for name, result in named])


def _refuse_shared(experiments: Sequence[tuple[str, Experiment]]) -> None:
    """Refuse two services that share a drive: its errors would stand on both sides of what lies between them."""
    owners: dict[str, str] = {}
    for name, experiment in experiments:
        logs = named_logs(experiment)
        digests = log_digests(logs)
        for digest, (session, path) in zip(digests, logs.items(), strict=True):
            if digest in owners:
                raise ExperimentError(
                    f"{owners[digest]} and {name} share a drive ({path.name}, session {session!r} of {name}). A "
                    "history compares the drives after one service with those before the next, so each service needs "
                    "drives of its own. Leave one of the two out of the history, or give one of them other drives."
                )
        owners |= dict.fromkeys(digests, name)


def _refuse_unlike(named: Sequence[tuple[str, Result]]) -> None:
    """Refuse experiments whose levels cannot be put side by side, with all that differs in one message."""
    facts: dict[str, Callable[[Result], str]] = {
        "outcome": lambda r: r.experiment.outcome,
        "protocol": lambda r: (
            f"cruise {r.experiment.protocol.cruise_kmh:g}, pulls {r.experiment.protocol.pull_from_kmh:g} to "
            f"{r.experiment.protocol.pull_to_kmh:g} km/h"
        ),
        "vehicle": lambda r: " ".join(r.experiment.vehicle.description.split()).casefold(),
        "fuel": lambda r: r.experiment.vehicle.fuel,
        "displacement_l": lambda r: str(r.experiment.vehicle.displacement_l or "not given"),
        "inlet temperature from": lambda r: r.drives[0].inlet.replace("_", " "),
    }
    faults = []
    for what, fact in facts.items():
        groups: dict[str, list[str]] = {}
        for name, result in named:
            groups.setdefault(fact(result), []).append(name)
        if len(groups) > 1:
            faults.append(f"{what}: " + "; ".join(f"{value} ({', '.join(names)})" for value, names in groups.items()))
    if faults:
        raise ExperimentError(
            "these experiments do not make one history. Their states compare only if these are the same:"
            + "\n".join(f"  - {fault}" for fault in faults)
            + "\nGive each group its own history, or correct experiment.yaml if it is a slip."
        )


def _in_order(named: Sequence[tuple[str, Result]]) -> tuple[Axis, list[tuple[str, Result]]]:
    services = [result.experiment.service for _, result in named]
    dates = [s.date for s in services if s.date is not None]
    readings = [s.odometer_km for s in services if s.odometer_km is not None]
    if len(dates) == len(named):
        order = sorted(range(len(named)), key=lambda k: (services[k].date, services[k].odometer_km or 0.0))
        told = [(named[k][0], services[k].odometer_km) for k in order if services[k].odometer_km is not None]
        for (name, km), (later, next_km) in pairwise(told):
            if km is not None and next_km is not None and next_km < km:
                raise ExperimentError(
                    f"{later}: its service is later than that of {name}, but the odometer reads less "
                    f"({next_km:.0f} km after {km:.0f} km). Correct the date or the odometer of one of them"
                )
        return "date", [named[k] for k in order]
    if len(readings) == len(named):
        return "odometer", [named[k] for k in np.argsort(readings, kind="stable")]
    return "order", list(named)


CHANGED = ("boost-lower", "boost-higher")


def _refuse_not_comparable(named: Sequence[tuple[str, Result]]) -> None:
    for name, result in named:
        if not result.comparison.comparable:
            raise ExperimentError(f"{name}: has no states to build on. {result.comparison.sentence}")


def _boost_findings(results: Sequence[Result]) -> list[Finding]:
    """Say where the boost differs, in a service or between two."""
    found = []
    for k, result in enumerate(results, start=1):
        if any(f.code in CHANGED for f in result.findings):
            found.append(_boost_finding(f"Service {k} changed the boost.", k))
    for k, (first, second) in enumerate(pairwise(results), start=1):
        table, sessions = joined(
            (f"{phase} ", r.measures.assign(phase=other)[r.measures["phase"] == phase], [
                s.model_copy(update={"phase": other}) for s in r.experiment.sessions if s.phase == phase
            ])
            for r, phase, other in ((first, "after", "before"), (second, "before", "after"))
        )  # fmt: skip
        between = first.experiment.model_copy(update={"sessions": sessions})
        if any(f.code in CHANGED for f in boost_findings(table, between)):
            found.append(_boost_finding(f"The boost changed between service {k} and service {k + 1}.", k))
    return found


def _boost_finding(what: str, number: int) -> Finding:
    return Finding(
        code="history-boost",
        severity="warning",
        message=(
            f"{what} Less boost means less heat, which is no benefit. All states are corrected to equal "
            "boost, as far as physics can. Check hoses and clamps before driving hard again."
        ),
        evidence={"service": number},
    )


def _sensor_findings(results: Sequence[Result]) -> list[Finding]:
    """Say where a temperature comes from another column or in other steps, as it does when a sensor was replaced."""
    found = []
    for channel in ("charge_air_temperature", "intake_air_temperature"):
        told = [
            sorted({(s.column, f"{s.resolution:.3g}") for d in r.drives if (s := d.log.sources.get(channel))})
            for r in results
        ]
        for k, (first, second) in enumerate(pairwise(told), start=1):
            if first and second and first != second:
                words = [
                    ", ".join(f"{column!r} in steps of {step} K" for column, step in one) for one in (first, second)
                ]
                found.append(
                    Finding(
                        code="history-sensor",
                        severity="warning",
                        message=(
                            f"At service {k} the {channel.replace('_', ' ')} is logged differently "
                            f"({words[0]}) than at service {k + 1} ({words[1]}). If you replaced the sensor "
                            "or the logger, any difference between them counts as drift. Start a new "
                            "history there."
                        ),
                        evidence={"service": k, "channel": channel},
                    )
                )
    return found


def _rate_findings(rates: Sequence[Rate]) -> list[Finding]:
    return [
        Finding(
            code="history-rate",
            severity="warning",
            message=(
                f"One rate per {rate.per} does not fit the {rate.what} (p = {rate.p:.3f}): it differed by "
                "more than the uncertainties allow. Look at the single spans instead."
            ),
            evidence={"p": rate.p},
        )
        for rate in rates
        if rate.p < UNLIKELY
    ]
