"""How much an outcome differs between days with nothing changed: a default, and what earlier tests show.

The allowance joins the scatter of the comparison's own sessions as a scaled inverse chi-squared prior (`estimate`).
Earlier experiments of the vehicle join it the same way, each by its degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pullbook.errors import Finding
from pullbook.settings.outcomes import Outcome
from pullbook.statistics.covariates import Covariate
from pullbook.statistics.days import between_days
from pullbook.statistics.mixed_fit import mixed_fit
from pullbook.statistics.session_means import SessionMeans
from pullbook.text import counted, unit_suffix

DEFAULT_DOF = 4.0  # the weight of an allowance that rests on nothing of the vehicle's own
CONTRADICTS_P = 0.05
TELLING_DOF = 0.5  # of a scatter, above which it counts
COUNTS_ON = (
    "This holds only if your earlier tests are of this vehicle in this state. If its days are more restless now, "
    "one session a side cannot show it, and the interval is too narrow."
)


@dataclass(frozen=True, kw_only=True)
class Allowance:
    """A day-to-day standard deviation, the weight it has, and where it comes from.

    Attributes
    ----------
    sd : float
        In the outcome's unit.
    dof : float
        Degrees of freedom.
    source : str
        In words, without the names of folders.
    alone : Allowance or None
        What it would be without the earlier experiments joined in it; None where there are none.
    """

    sd: float
    dof: float = DEFAULT_DOF
    source: str = ""
    alone: Allowance | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return its part of ``results.json``."""
        return {"sd": self.sd, "dof": self.dof, "source": self.source}


@dataclass(frozen=True, kw_only=True)
class DayScatter:
    """How much the sessions of one experiment scatter within its phases, at common conditions.

    Attributes
    ----------
    name : str
        Of the experiment, for a person.
    squares : float
        Sum of squares of the days' mean residuals [outcome's unit squared].
    explained : float
        What single runs and the sensors explain of it [outcome's unit squared].
    dof : float
        Degrees of freedom: none with one day a phase.
    """

    name: str
    squares: float
    explained: float
    dof: float


def day_scatter(data: SessionMeans, covariates: Sequence[Covariate], *, name: str, usual_sd: float) -> DayScatter:
    """Take the scatter of session means about their phase, at common conditions.

    Parameters
    ----------
    data : SessionMeans
    covariates : sequence of Covariate
        Conditions to bring the sessions to.
    name : str
        As in `DayScatter`.
    usual_sd : float
        Day-to-day standard deviation that the sessions are weighted with, in the outcome's unit.

    Returns
    -------
    DayScatter
    """
    levels = [level for level in (1 - data.after, data.after) if level.any()]
    design = np.column_stack([*levels, *(c.centred for c in covariates)])
    priors = [(len(levels) + k, c.prior) for k, c in enumerate(covariates)]
    fit = mixed_fit(design, data.means, usual_sd**2 * data.shared_days + data.known, priors)
    squares, explained, dof = between_days(fit.residuals, fit.residual_maker, data.known, data.of_day)
    return DayScatter(name=name, squares=squares, explained=explained, dof=dof)


def allowance_of(outcome: Outcome, mean: float, given: float | None = None) -> Allowance:
    """Return the allowance where there are no earlier experiments.

    Parameters
    ----------
    outcome : Outcome
    mean : float
        Of the sessions, in the outcome's unit: some allowances are a share of it.
    given : float, optional
        ``day_to_day_sd`` of the experiment, in the outcome's unit.

    Returns
    -------
    Allowance
        With `DEFAULT_DOF` degrees of freedom.
    """
    if given is not None:
        return Allowance(sd=given, source="set as day_to_day_sd in experiment.yaml")
    sd = outcome.day_to_day_sd * abs(mean) if outcome.relative else outcome.day_to_day_sd
    return Allowance(sd=sd, source=f"the usual figure, {outcome.allowance_source}")


def with_earlier(
    default: Allowance, earlier: Sequence[DayScatter], *, own: DayScatter | None = None, unit: str = ""
) -> tuple[Allowance, tuple[Finding, ...]]:
    """Join an allowance with the scatter of the vehicle's earlier experiments, by degrees of freedom.

    Scatters that contradict one another are not those of one vehicle in one use. Then the wider reading counts: where
    today's own sessions scatter more than the earlier ones allow, the earlier ones are set aside; where one of the
    earlier ones stands out, it counts alone.

    Parameters
    ----------
    default : Allowance
    earlier : sequence of DayScatter
    own : DayScatter, optional
        Of the comparison's own sessions; it takes part in the test only, for the fit joins it by itself.
    unit : str
        Of the outcome, for the words.

    Returns
    -------
    Allowance
        ``(dof0 sd0**2 + SS) / (dof0 + dof)``, with ``SS`` what single runs and sensors do not explain, as in
        `pullbook.statistics.estimate.pooled_day_variance`.
    tuple of Finding
        What was set aside, and why.

    Examples
    --------
    1 K with 4 degrees of freedom, and an experiment of 4 degrees of freedom whose sessions scatter by 0.5 K, by hand:
    (4 + 4 * 0.25) / 8 = 0.625 K squared.

    >>> from pullbook.statistics.allowance import Allowance, DayScatter, with_earlier
    >>> calm = DayScatter(name="calm", squares=1.0, explained=0.0, dof=4.0)
    >>> joined, findings = with_earlier(Allowance(sd=1.0), [calm])
    >>> round(joined.sd**2, 3), joined.dof, findings
    (0.625, 8.0, ())
    """
    telling = [part for part in earlier if part.dof > TELLING_DOF]
    if not earlier:
        return default, ()
    if not telling:
        message = (
            "The earlier experiments have only one session per phase, so they can't show how much days "
            "differ. They are not used."
        )
        return default, (Finding(code="earlier-too-few", severity="note", message=message),)
    parts = [*telling, *([own] if own is not None and own.dof > TELLING_DOF else [])]
    odd = max(parts, key=lambda part: -_chance(default, part, [p for p in parts if p is not part]))
    contradicts = _chance(default, odd, [p for p in parts if p is not odd]) < CONTRADICTS_P / len(parts)
    if contradicts and odd is own:
        message = (
            f"These sessions scatter by {_sd(own):.2g}{unit} within a phase. The earlier experiments allow "
            f"only {_joined(default, telling).sd:.2g}{unit}, so they say little about these drives and are "
            "not used. Was it the same vehicle, road and gear?"
        )
        return default, (Finding(code="earlier-set-aside", severity="warning", message=message),)
    if contradicts:
        found = _joined(default, [odd])
        message = (
            "The earlier experiments scatter too differently for one vehicle in one kind of use: "
            f"{_sd(odd):.2g}{unit} in {odd.name}, less in the others. Only the one with the most scatter is "
            "used, which widens the interval."
        )
        return found, (Finding(code="earlier-differ", severity="warning", message=message),)
    return _joined(default, telling), ()


def scatter_words(allowance: Allowance, unit: str) -> str:
    """Say in a sentence what is assumed of days, and where it comes from."""
    sd = f"{allowance.sd:.2g}{unit_suffix(unit)}"
    return (
        f"With nothing changed, we assume that days scatter by {sd} ({allowance.dof:.0f} degrees of "
        f"freedom). Source: {allowance.source}.{f' {COUNTS_ON}' if allowance.alone else ''}"
    )


def _joined(default: Allowance, parts: Sequence[DayScatter]) -> Allowance:
    dof = default.dof + sum(part.dof for part in parts)
    excess = max(0.0, sum(part.squares - part.explained for part in parts))
    own = counted(len(parts), "earlier experiment")
    return Allowance(
        sd=math.sqrt((default.dof * default.sd**2 + excess) / dof),
        dof=dof,
        source=(
            f"{own} from this vehicle ({dof - default.dof:.0f} degrees of freedom), combined with "
            f"{default.sd:.2g} ({default.dof:.0f}), {default.source}"
        ),
        alone=default,
    )


def _sd(part: DayScatter) -> float:
    return math.sqrt(max(0.0, part.squares - part.explained) / part.dof)


def _chance(default: Allowance, part: DayScatter, others: Sequence[DayScatter]) -> float:
    """Return how likely so much scatter is if it is that of the others (F test, one-sided)."""
    from scipy.special import fdtrc

    rest = _joined(default, others) if others else default
    expected = rest.sd**2 + part.explained / part.dof
    return float(fdtrc(part.dof, rest.dof, part.squares / part.dof / expected))
