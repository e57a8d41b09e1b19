"""Compare before with after: the session is the unit, the interval is honest, the verdict follows from it.

1. Within sessions: a two-way fit (session + place in the sequence) gives session means and the repeatability.
2. Between sessions: a mixed estimation of the phase effect with physical knowledge of the weather's share; the
   scatter between sessions joins a stated allowance for day-to-day differences.
3. An uncertainty budget and an interval after JCGM 100:2008, from which the verdict follows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from pullbook.errors import Finding
from pullbook.quantities import METRIC, Shown
from pullbook.settings.experiment import Experiment, Phase
from pullbook.settings.outcomes import Outcome
from pullbook.statistics.allowance import Allowance, DayScatter, allowance_of, day_scatter, scatter_words, with_earlier
from pullbook.statistics.boost import boost_findings
from pullbook.statistics.covariates import COMPRESSION, Covariate, covariates_of
from pullbook.statistics.estimate import Estimate, SessionFigure, Slope, as_measured, estimate_change
from pullbook.statistics.gears import check_gears
from pullbook.statistics.looks import Looks
from pullbook.statistics.power import after_needed, scatter_of, sessions_needed
from pullbook.statistics.session_means import SessionMeans, session_means
from pullbook.statistics.uncertainty import BudgetLine, beyond, check_level
from pullbook.statistics.unlike import OBSTACLES, sensor_findings, widening
from pullbook.statistics.verdict import VERDICTS, Verdict, sentence_of, sentence_shown, verdict_of, what_would_tell
from pullbook.text import unit_suffix

if TYPE_CHECKING:
    import pandas as pd

OVERLAP_K = 3.0
LARGE_SHARE = 0.2  # of the outcome itself: a worthwhile change larger than this is likely in another unit

__all__ = ["VERDICTS", "Comparison", "PhaseSummary", "compare"]


@dataclass(frozen=True, kw_only=True)
class PhaseSummary:
    """One phase at the common conditions.

    Attributes
    ----------
    mean : float
        In the outcome's unit.
    sessions, pulls : int
        How many it rests on; for a cruise, the cruises.
    """

    mean: float
    sessions: int
    pulls: int


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Before against after, with its uncertainty; the figures are in ``unit``.

    Attributes
    ----------
    spec : Outcome
        The figure that the question is about.
    worthwhile : float
        The change that matters to the person, in ``unit``.
    before, after : PhaseSummary
        At common conditions; as measured where the phases cannot be compared.
    estimate : Estimate or None
        The change with all that stands behind it; None where the phases cannot be compared, and then the figures of
        the change are NaN.
    as_driven : Estimate or None
        The same without bringing the sessions to equal boost, where that was done.
    level : float
        Coverage of the interval, such as 0.95.
    verdict : str
        One of `VERDICTS`.
    sentence : str
        In metric units, as it is stored; `sentence_in` says it in others.
    remedy : str
        What would resolve it, where it is not resolved.
    sessions : tuple of SessionFigure
    sessions_needed : int or None
        Sessions a side that would resolve it if the difference stays; None if it is resolved or out of reach.
    after_needed : int or None
        Sessions after the service that would, those before it staying as they are; None likewise.
    findings : tuple of Finding
    data : SessionMeans
        What it was made from; with ``covariates`` and ``allowance`` for other routes to the same figure.
    covariates : tuple of Covariate
        The conditions that the sessions were brought to.
    allowance : Allowance
        For how much days differ with nothing changed.
    looks : Looks
        How many sessions were planned, and whether this look is paid for.
    """

    spec: Outcome
    worthwhile: float
    before: PhaseSummary
    after: PhaseSummary
    estimate: Estimate | None = field(compare=False)
    as_driven: Estimate | None = field(compare=False)
    level: float
    verdict: Verdict
    sentence: str
    remedy: str
    sessions: tuple[SessionFigure, ...]
    sessions_needed: int | None
    after_needed: int | None
    findings: tuple[Finding, ...]
    data: SessionMeans = field(repr=False, compare=False)
    covariates: tuple[Covariate, ...] = field(repr=False, compare=False)
    allowance: Allowance
    looks: Looks

    @property
    def comparable(self) -> bool:
        """Whether before and after could be compared."""
        return self.estimate is not None

    @property
    def outcome(self) -> str:
        """Name of the outcome."""
        return self.spec.name

    @property
    def unit(self) -> str:
        """Unit of the change."""
        return self.spec.change_unit

    @property
    def label(self) -> str:
        """The outcome in words."""
        return self.spec.label

    @property
    def lower_is_better(self) -> bool:
        """Which direction is an improvement."""
        return self.spec.lower_is_better

    @property
    def change(self) -> float:
        """After minus before at common conditions."""
        return self.estimate.change if self.estimate else math.nan

    @property
    def low(self) -> float:
        """Lower end of the interval of the change."""
        return self.estimate.low if self.estimate else math.nan

    @property
    def high(self) -> float:
        """Upper end of the interval of the change."""
        return self.estimate.high if self.estimate else math.nan

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty of the change."""
        return self.estimate.u if self.estimate else math.nan

    @property
    def dof(self) -> float:
        """Effective degrees of freedom of the change."""
        return self.estimate.dof if self.estimate else math.nan

    @property
    def budget(self) -> tuple[BudgetLine, ...]:
        """What the uncertainty is made of."""
        return self.estimate.budget if self.estimate else ()

    @property
    def method(self) -> str:
        """How it was calculated, in words."""
        return self.estimate.method if self.estimate else "not compared"

    @property
    def slopes(self) -> tuple[Slope, ...]:
        """How much of the outcome depends on each condition."""
        return self.estimate.slopes if self.estimate else ()

    @property
    def repeatability_sd(self) -> float:
        """Standard deviation between runs of a session."""
        return self.data.repeatability_sd

    @property
    def day_sd(self) -> float:
        """Standard deviation between days, allowance and data joined."""
        return self.estimate.day_sd if self.estimate else math.nan

    @property
    def day_dof(self) -> float:
        """Degrees of freedom of ``day_sd``."""
        return self.estimate.day_dof if self.estimate else math.nan

    @property
    def probability_better(self) -> float:
        """Probability that the change is better than nothing, from the t distribution of the interval."""
        return self._probability(0.0)

    @property
    def probability_worthwhile(self) -> float:
        """Probability that the change is better than the worthwhile one, from the same distribution."""
        return self._probability(self.worthwhile)

    def _probability(self, gain: float) -> float:
        if self.estimate is None:
            return math.nan
        return beyond(self.change, self.standard_uncertainty, self.dof, gain, lower_is_better=self.lower_is_better)

    def sentence_in(self, shown: Shown) -> str:
        """Return the sentence in the units shown, made from the same figures."""
        return sentence_shown(self.to_dict(), self.spec, worthwhile=self.worthwhile, shown=shown)

    def to_dict(self) -> dict[str, Any]:
        """Return its part of ``results.json`` as plain JSON types."""
        driven = self.as_driven
        return {
            "outcome": self.outcome,
            "unit": self.unit,
            "before": vars(self.before),
            "after": vars(self.after),
            "change": self.change,
            "low": self.low,
            "high": self.high,
            "level": self.level,
            "dof": None if math.isinf(self.dof) else self.dof,
            "standard_uncertainty": self.standard_uncertainty,
            "probability_better": self.probability_better,
            "probability_worthwhile": self.probability_worthwhile,
            "budget": [line.to_dict() for line in self.budget],
            "method": self.method,
            "verdict": self.verdict,
            "sentence": self.sentence,
            "remedy": self.remedy,
            "slopes": [vars(s) for s in self.slopes],
            "session_means": [vars(s) for s in self.sessions],
            "as_driven": {"change": driven.change, "low": driven.low, "high": driven.high} if driven else None,
            "sessions_needed": self.sessions_needed,
            "after_needed": self.after_needed,
            "allowance": self.allowance.to_dict(),
            "looks": self.looks.to_dict(),
        }


def compare(
    measures: pd.DataFrame,
    experiment: Experiment,
    *,
    level: float = 0.95,
    with_left_out: bool = False,
    earlier: Sequence[DayScatter] = (),
) -> Comparison:
    """Compare the outcome before with after.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run, as `pullbook.runs.measures.measure` gives, with a column ``session`` beside.
    experiment : Experiment
        Names the outcome, the worthwhile change, the allowance, the planned sessions and the sessions' phases.
    level : float
        Coverage of the interval, above 0.5 and below 1.
    with_left_out : bool
        Count the runs that the person left out too, to show what leaving out did.
    earlier : sequence of DayScatter
        Of the experiments that ``earlier`` names, whose logs this function does not read
        (`pullbook.analysis.earlier.earlier_scatter`).

    Returns
    -------
    Comparison
        Without an estimate where the phases were driven in different gears, or a sensor that the outcome rests on was
        cleaned or replaced in between.

    Raises
    ------
    ComparisonError
        When a phase has no usable run, no run gives the outcome, or the level is not allowed.
    """
    check_level(level)
    outcome = experiment.outcome_spec
    gears = check_gears(measures, experiment, outcome)
    measures = gears.keep(measures)
    boost: tuple[Finding, ...] = ()  # in another gear, another boost would be no leak
    if not gears.differs:
        boost = boost_findings(measures, experiment, with_left_out=with_left_out)
    data = session_means(measures, experiment, outcome, with_left_out=with_left_out)
    sensors = sensor_findings(experiment, outcome)
    worthwhile = experiment.worthwhile_change
    obstacles = [f for f in (*gears.findings, *sensors) if f.code in OBSTACLES]
    looks = Looks(
        before=data.count_days("before"), after=data.count_days("after"), planned=experiment.planned_sessions,
        level=level,
    )  # fmt: skip
    default = allowance_of(outcome, float(np.mean(data.means)), experiment.day_to_day_sd)
    if obstacles:
        return Comparison(
            spec=outcome,
            worthwhile=worthwhile,
            before=_summary(data, "before", _phase_mean(data, "before")),
            after=_summary(data, "after", _phase_mean(data, "after")),
            estimate=None,
            as_driven=None,
            level=level,
            verdict="not-resolved",
            sentence=f"Not resolved: {obstacles[0].message[:1].lower()}{obstacles[0].message[1:]}",
            remedy="",
            sessions=as_measured(data),
            sessions_needed=None,
            after_needed=None,
            findings=(*obstacles, *boost, *(f for f in (*gears.findings, *sensors) if f not in obstacles)),
            data=data,
            covariates=(),
            allowance=default,
            looks=looks,
        )
    equal_boost = not experiment.service.disturbed("intake_manifold_pressure")
    covariates = covariates_of(data, equal_boost=equal_boost)
    own = day_scatter(data, covariates, name="these sessions", usual_sd=default.sd) if earlier else None
    allowance, doubts = with_earlier(default, earlier, own=own, unit=unit_suffix(outcome.change_unit))
    options: dict[str, Any] = {"allowance": allowance, "level": looks.each_level}
    estimate = estimate_change(data, covariates=covariates, **options)
    others = [c for c in covariates if c.name != COMPRESSION]
    as_driven = estimate_change(data, covariates=others, **options) if len(others) < len(covariates) else None
    verdict = verdict_of(estimate.low, estimate.high, worthwhile, outcome.lower_is_better)
    unlike = widening(estimate, data, level=looks.each_level)
    made = Comparison(
        spec=outcome,
        worthwhile=worthwhile,
        before=_summary(data, "before", estimate.before),
        after=_summary(data, "after", estimate.after),
        estimate=estimate,
        as_driven=as_driven,
        level=level,
        verdict=verdict,
        sentence="",
        remedy="",
        sessions=estimate.sessions(data),
        sessions_needed=None,
        after_needed=None,
        findings=(
            *boost,
            *([unlike] if unlike else []),
            *doubts,
            *gears.findings,
            *sensors,
            *_design_findings(data, estimate, worthwhile, allowance),
            *_looks_finding(looks),
        ),
        data=data,
        covariates=tuple(covariates),
        allowance=allowance,
        looks=looks,
    )
    needed = alone = None
    if verdict == "not-resolved":
        asked: dict[str, Any] = {
            "change": estimate.change,
            "worthwhile": worthwhile,
            "scatter": scatter_of(made),
            "pulls": round(data.runs_a_day),
            "planned": experiment.planned_sessions,
            "level": level,
        }
        needed, alone = sessions_needed(**asked), after_needed(before=looks.before, **asked)
    remedy = ""
    if verdict == "not-resolved":
        condition = unlike.evidence["condition"] if unlike else ""
        remedy = what_would_tell(needed, alone, before=looks.before, after=looks.after, unlike=condition)
    sentence = sentence_of(verdict, outcome, estimate, worthwhile=worthwhile, level=level, what_would_tell=remedy)
    return replace(made, sentence=sentence, sessions_needed=needed, after_needed=alone, remedy=remedy)


def _looks_finding(looks: Looks) -> list[Finding]:
    if not looks.charged and looks.planned is None:
        return []
    return [Finding(code="looks", severity="note", message=looks.sentence, evidence={"planned": looks.planned})]


def _summary(data: SessionMeans, phase: Phase, mean: float) -> PhaseSummary:
    return PhaseSummary(mean=mean, sessions=data.count(phase), pulls=data.pulls(phase))


def _phase_mean(data: SessionMeans, phase: Phase) -> float:
    return float(np.mean([mean for mean, p in zip(data.means, data.phases, strict=True) if p == phase]))


def _design_findings(data: SessionMeans, estimate: Estimate, worthwhile: float, allowance: Allowance) -> list[Finding]:
    """Say what these sessions can and cannot show, from their design alone."""
    outcome = data.outcome
    unit = unit_suffix(outcome.change_unit)
    found = []
    sides: dict[str, int] = {phase: data.count_days(phase) for phase in get_args(Phase)}
    if min(sides.values()) == 1:
        own = data.of_day.shape[1] == len(data.names)
        found.append(
            _one_session(sides, estimate.day_sd, unit, each_its_own=own, from_earlier=allowance.alone is not None)
        )
    found.append(
        Finding(
            code="allowance",
            severity="note",
            message=scatter_words(allowance, outcome.change_unit),
            evidence=allowance.to_dict(),
        )
    )
    if outcome.relative and worthwhile > LARGE_SHARE * abs(float(np.mean(data.means))):
        found.append(
            Finding(
                code="worthwhile-large",
                severity="warning",
                message=(
                    f"worthwhile_change is {METRIC.brief(worthwhile, outcome.change_unit)}, but the {outcome.label} is "
                    f"only {float(np.mean(data.means)):.3g}{unit}. Did you mean another unit?"
                ),
                evidence={"worthwhile": worthwhile, "mean": float(np.mean(data.means))},
            )
        )
    if not data.by_place and data.runs.max() > 1:
        found.append(
            Finding(
                code="place-not-fitted",
                severity="note",
                message=(
                    "Later pulls in a session may start hotter. With so few runs, or runs in such different "
                    "positions, that can't be corrected for."
                ),
            )
        )
    if np.isfinite(data.inlet_c).all() and outcome.name != "mean_inlet":
        sides_c = data.inlet_c[data.after == 0], data.inlet_c[data.after == 1]
        found += _no_overlap(*sides_c) if outcome.ambient != "none" else _not_allowed_for(*sides_c)
    return found


def _one_session(sides: dict[str, int], day_sd: float, unit: str, *, each_its_own: bool, from_earlier: bool) -> Finding:
    one = "session" if each_its_own else "day"
    where = (
        f"only one {one} before and one after" if max(sides.values()) == 1 else f"only one {one} in one of the phases"
    )
    differ = math.sqrt(2) * day_sd
    scatter = f"days scatter by {day_sd:.2g}{unit}"
    assumed = (
        f"By your earlier tests {scatter}, and only a second day can show whether they are more restless now. So"
        if from_earlier
        else f"We assume that {scatter}, because it takes a second day to measure it. So"
    )
    return Finding(
        code="one-session",
        severity="warning",
        message=(
            f"There is {where}. {assumed} any two days differ by about {differ:.2g}{unit} with nothing done, and you "
            "can't see a difference that small. More pulls on the same day would not help. Another day would."
        ),
        evidence=dict(sides),
    )


def _not_allowed_for(before: np.ndarray, after: np.ndarray) -> list[Finding]:
    apart = float(after.mean() - before.mean())
    if abs(apart) <= OVERLAP_K:
        return []
    return [
        Finding(
            code="weather-not-allowed-for",
            severity="warning",
            message=(
                f"The intake air was {abs(apart):.0f} K {'warmer' if apart > 0 else 'colder'} after the "
                "service. No correction is made, because physics gives no clear rule for this figure. Part "
                "of the change may be weather. To find out, drive one more session in the other phase's "
                "weather."
            ),
            evidence={"apart_k": apart},
        )
    ]


def _no_overlap(before: np.ndarray, after: np.ndarray) -> list[Finding]:
    gap = float(max(after.min() - before.max(), before.min() - after.max()))
    if gap <= OVERLAP_K:
        return []
    return [
        Finding(
            code="ambient-no-overlap",
            severity="warning",
            message=(
                f"The inlet temperatures before and after don't overlap: they are {gap:.3g} K apart. So the "
                "correction rests on physics, not on these drives. To test it, drive once more in weather like that "
                "of the other phase."
            ),
            evidence={"gap_k": gap, "before_c": before.tolist(), "after_c": after.tolist()},
        )
    ]
