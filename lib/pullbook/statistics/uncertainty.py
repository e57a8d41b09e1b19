"""The uncertainty budget: standard uncertainties combined, effective degrees of freedom and the interval.

After JCGM 100:2008 (the Guide to the expression of uncertainty in measurement).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pullbook.errors import ComparisonError

INFINITE = math.inf


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty.

    Attributes
    ----------
    source : str
        Words for a person.
    kind : {"A", "B", "A and B"}
        Evaluated from the data, from other knowledge (JCGM 100:2008, 2.3.2 and 2.3.3), or from both joined.
    standard_uncertainty : float
        Its contribution to the change, in the outcome's unit.
    dof : float
        Degrees of freedom; infinite where the uncertainty is taken as known.
    """

    source: str
    kind: Literal["A", "B", "A and B"]
    standard_uncertainty: float
    dof: float

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON types; infinite degrees of freedom are null."""
        return {
            "source": self.source,
            "kind": self.kind,
            "standard_uncertainty": self.standard_uncertainty,
            "dof": None if math.isinf(self.dof) else self.dof,
        }


def combined(lines: Sequence[BudgetLine]) -> float:
    """Return the combined standard uncertainty of independent sources (JCGM 100:2008, 5.1.2).

    Parameters
    ----------
    lines : sequence of BudgetLine

    Returns
    -------
    float
        In the unit of the lines.

    Examples
    --------
    The end gauge of JCGM 100:2008, H.1 [nm]: 32 nm.

    >>> from pullbook.statistics.uncertainty import BudgetLine, combined
    >>> end_gauge = [
    ...     BudgetLine("standard", "A", 25.0, 18),
    ...     BudgetLine("observations", "A", 5.8, 24),
    ...     BudgetLine("random effects of the comparator", "A", 3.9, 5),
    ...     BudgetLine("systematic effects of the comparator", "B", 6.7, 8),
    ...     BudgetLine("difference of expansion coefficients", "B", 2.887, 50),
    ...     BudgetLine("difference of temperatures", "B", 16.599, 2),
    ... ]
    >>> round(combined(end_gauge))
    32
    """
    return math.sqrt(sum(line.standard_uncertainty**2 for line in lines))


def effective_dof(lines: Sequence[BudgetLine]) -> float:
    """Return the Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.4.1).

    Parameters
    ----------
    lines : sequence of BudgetLine

    Returns
    -------
    float
        Not cut to a whole number; infinite where every line is taken as known.

    Examples
    --------
    Two equal uncertainties, one with 6 degrees of freedom and one known: by hand (1 + 1)**2 / (1 / 6) = 24.

    >>> import math
    >>> from pullbook.statistics.uncertainty import BudgetLine, effective_dof
    >>> lines = [BudgetLine("day to day", "A", 1.0, 6), BudgetLine("sensor step", "B", 1.0, math.inf)]
    >>> round(effective_dof(lines), 6)
    24.0
    """
    denominator = sum(line.standard_uncertainty**4 / line.dof for line in lines if line.dof > 0)
    return combined(lines) ** 4 / denominator if denominator > 0 else INFINITE


def check_level(level: float) -> None:
    """Refuse a coverage that no interval should have.

    Raises
    ------
    ComparisonError
        Unless it lies above 0.5 and below 1.
    """
    if not 0.5 < level < 1:
        raise ComparisonError(f"level: given {level}. Allowed: above 0.5 and below 1, such as 0.95")


def coverage_factor(level: float, dof: float) -> float:
    """Return Student's t for a two-sided interval (JCGM 100:2008, G.3).

    Parameters
    ----------
    level : float
        Coverage, between 0 and 1.
    dof : float
        Degrees of freedom, broken numbers and infinity allowed.

    Returns
    -------
    float
        Half of the interval over the standard uncertainty; no unit.

    Examples
    --------
    JCGM 100:2008, table G.2: 2.23 with 10 degrees of freedom, 1.960 with ever so many.

    >>> import math
    >>> from pullbook.statistics.uncertainty import coverage_factor
    >>> [round(coverage_factor(0.95, dof), 2) for dof in (10, math.inf)]
    [2.23, 1.96]
    """
    from scipy.special import ndtri, stdtrit

    tail = 0.5 + level / 2
    return float(ndtri(tail) if math.isinf(dof) else stdtrit(dof, tail))


def beyond(change: float, u: float, dof: float, gain: float, *, lower_is_better: bool) -> float:
    """Return the probability that a change is a gain of more than so much, by Student's t about the estimate.

    Parameters
    ----------
    change, u, dof : float
        The estimate, its standard uncertainty (above zero) and degrees of freedom, infinity allowed.
    gain : float
        Not negative; in the unit of the change.
    lower_is_better : bool
        Which direction is a gain.

    Returns
    -------
    float
        0 to 1.

    Examples
    --------
    A change of -2.23 with a standard uncertainty of 1 and 10 degrees of freedom: JCGM 100:2008, table G.2, has 95 %
    within 2.23, so 97.5 % lie below zero.

    >>> from pullbook.statistics.uncertainty import beyond
    >>> round(beyond(-2.228, 1.0, 10, 0.0, lower_is_better=True), 3)
    0.975
    """
    from scipy.special import ndtr, stdtr

    better = -change if lower_is_better else change
    t = (better - gain) / u
    return float(ndtr(t) if math.isinf(dof) else stdtr(dof, t))


def step_uncertainty(step: float) -> float:
    """Return the standard uncertainty that a resolution step leaves: ``step / sqrt(12)`` (JCGM 100:2008, F.2.2.1).

    Parameters
    ----------
    step : float
        Smallest step of a reading.

    Returns
    -------
    float
        In the step's unit.
    """
    return step / math.sqrt(12)
