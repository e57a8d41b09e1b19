"""Were the runs driven in the same gear? Pulls of different gears are never compared.

A gear is a cluster of ratios (`pullbook.runs.gears`): those of one gear agree within half a per cent, tyres wear by
two, and neighbouring gears lie ten or more apart. The ratio averaged over the pull tells patterns of gears apart in the
same way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook.errors import Finding
from pullbook.settings.experiment import PHASES, Experiment
from pullbook.settings.outcomes import Outcome
from pullbook.text import counted

if TYPE_CHECKING:
    import pandas as pd

SAME_LN = 0.05  # ratios further apart than this are two gears; tyres wear by 0.02, gears differ by 0.1 or more
NEXT_GEAR_LN = 0.10  # neighbouring gears of a car are a tenth apart or more; common practice, no source
GEAR, PATTERN = "gear_rpm_per_kmh", "gear_mean_rpm_per_kmh"


@dataclass(frozen=True, eq=False)
class GearCheck:
    """The gears of the runs that an outcome rests on.

    Attributes
    ----------
    differs : bool
        No gear was driven both before and after the service.
    reasons : dict of int to str
        Place in the table of each run that is kept out, with the reason.
    findings : tuple of Finding
    """

    differs: bool = False
    reasons: dict[int, str] | None = None
    findings: tuple[Finding, ...] = ()

    def keep(self, measures: pd.DataFrame) -> pd.DataFrame:
        """Return the table with the odd runs kept out, each with its reason; the one given is not changed."""
        if not self.reasons:
            return measures
        rows = measures.index[list(self.reasons)]
        kept = measures.copy()
        kept.loc[rows, "included"] = False
        kept.loc[rows, "left_out"] = False
        kept.loc[rows, "reason"] = list(self.reasons.values())
        return kept


def check_gears(measures: pd.DataFrame, experiment: Experiment, outcome: Outcome) -> GearCheck:
    """Find the gear that both phases share, and the runs that were driven in another.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run with the column ``session``.
    experiment : Experiment
        For the sessions' phases.
    outcome : Outcome

    Returns
    -------
    GearCheck
        Of several gears that both phases share, the one with the most runs on its weaker side. Runs whose gear cannot
        be read stay in: they may have been driven in it.
    """
    if GEAR not in measures or not len(measures):
        return GearCheck()
    counted_runs = (measures["included"] | measures["left_out"]) & (measures["kind"] == outcome.kind)
    rows = np.flatnonzero(counted_runs.to_numpy(dtype=bool))
    ratio = measures[GEAR].to_numpy(dtype=float)[rows]
    phase_of = {s.name: s.phase for s in experiment.sessions}
    phase = np.array([phase_of.get(str(name), "") for name in measures["session"].to_numpy()[rows]])
    known = np.isfinite(ratio)
    if not known.any():
        return GearCheck(findings=(_not_checked(measures, rows),)) if rows.size else GearCheck()
    pattern = measures[PATTERN].to_numpy(dtype=float)[rows] if outcome.kind == "pull" else ratio
    label = np.full(len(rows), -1)
    label[known] = _clusters(ratio[known], pattern[known])
    sides = {p: {int(k): int(np.sum((label == k) & (phase == p))) for k in np.unique(label[known])} for p in PHASES}
    both_read = all(known[phase == p].any() for p in PHASES)
    shared = [k for k in sides["before"] if (sides["before"][k] and sides["after"][k]) or not both_read]
    if not shared:
        return GearCheck(differs=True, findings=(_differs(ratio, pattern, phase, known),))
    best = max(shared, key=lambda k: (min(sides[p][k] for p in PHASES), sum(sides[p][k] for p in PHASES)))
    odd = np.flatnonzero(known & (label != best))
    usual = float(np.median(ratio[label == best]))
    reasons = {
        int(rows[k]): (
            f"another gear: {ratio[k]:.1f} rpm per km/h, where the others have {usual:.1f} rpm per km/h"
            if abs(np.log(ratio[k] / usual)) > SAME_LN
            else "gear changes at other speeds than in the other runs"
        )
        for k in odd
    }
    findings = []
    if odd.size:
        findings.append(_kept_out(measures, rows[odd], usual, ratio[odd]))
    if not known.all():
        findings.append(_not_checked(measures, rows[~known]))
    return GearCheck(reasons=reasons, findings=tuple(findings))


def gears_of(ratio: np.ndarray) -> np.ndarray:
    """Number the gears that were driven.

    Parameters
    ----------
    ratio : ndarray of float, shape (n,)
        Engine speed over road speed of each run [rpm per km/h]; NaN where the gear cannot be read.

    Returns
    -------
    ndarray of int, shape (n,)
        From 0 for the longest gear up, -1 where it cannot be read.
    """
    label = np.full(len(ratio), -1)
    known = np.isfinite(ratio)
    if known.any():
        label[known] = _split(np.log(ratio[known]))
    return label


def _clusters(ratio: np.ndarray, pattern: np.ndarray) -> np.ndarray:
    """Label runs by gear at the moment, and within it by the pattern that led there: ndarray of int, shape (n,)."""
    gear = _split(np.log(ratio))
    label = np.zeros(len(ratio), dtype=int)
    following = 0
    for k in np.unique(gear):
        part = np.flatnonzero(gear == k)
        value = np.log(pattern[part])
        value = np.where(np.isfinite(value), value, np.nanmedian(value) if np.isfinite(value).any() else 0.0)
        inner = _split(value)
        label[part] = following + inner
        following += int(inner.max()) + 1
    return label


def _split(values: np.ndarray) -> np.ndarray:
    """Cut sorted values wherever the next lies further than `SAME_LN` away: ndarray of int, shape (n,)."""
    order = np.argsort(values)
    label = np.empty(len(values), dtype=int)
    label[order] = np.concatenate([[0], np.cumsum(np.diff(values[order]) > SAME_LN)])
    return label


def _differs(ratio: np.ndarray, pattern: np.ndarray, phase: np.ndarray, known: np.ndarray) -> Finding:
    before, after = (float(np.median(ratio[known & (phase == p)])) for p in PHASES)
    same_end = abs(np.log(before / after)) <= SAME_LN
    if same_end:
        before, after = (float(np.nanmedian(pattern[known & (phase == p)])) for p in PHASES)
    near = abs(np.log(before / after)) < NEXT_GEAR_LN and not same_end
    what = (
        "You changed gear at different speeds before and after the service"
        if same_end
        else "The ratio of engine to road speed changed with the service, as it would between two gears"
        if near
        else "You drove in different gears before and after the service"
    )
    tyres = (
        " So small a step is rarely a gear. Other tyres do it, or a speed that is read differently: then all speeds of "
        "one phase are wrong by as much, and its pulls begin and end elsewhere."
        if near
        else ""
    )
    return Finding(
        code="gear-differs",
        severity="warning",
        message=(
            f"{what} ({before:.1f} rpm per km/h before, {after:.1f} rpm per km/h after), so the runs can't be "
            "compared. Another gear means another load on the cooler and another time to heat up. Repeat one phase in "
            f"the gear of the other.{tyres}"
        ),
        evidence={"before_rpm_per_kmh": round(before, 2), "after_rpm_per_kmh": round(after, 2)},
    )


def _kept_out(measures: pd.DataFrame, rows: np.ndarray, usual: float, odd: np.ndarray) -> Finding:
    named = _named(measures, rows)
    return Finding(
        code="gear-odd",
        severity="note" if len(rows) == 1 else "warning",
        message=(
            f"{counted(len(rows), 'run')} not compared, because of another gear than the rest ({usual:.1f} "
            f"rpm per km/h): {named}."
        ),
        evidence={
            "runs": named,
            "usual_rpm_per_kmh": round(usual, 2),
            "rpm_per_kmh": [round(float(o), 2) for o in odd],
        },
    )


def _not_checked(measures: pd.DataFrame, rows: np.ndarray) -> Finding:
    everything = GEAR not in measures or not np.isfinite(measures[GEAR].to_numpy(dtype=float)).any()
    what = "The gear can't be checked" if everything else f"The gear can't be read for {_named(measures, rows)}"
    return Finding(
        code="gear-not-read",
        severity="note",
        message=(
            f"{what}. That takes an engine speed that turns in step with the wheels. If you drove in "
            "different gears, the comparison is not fair."
        ),
        evidence={"runs": _named(measures, rows)},
    )


def _named(measures: pd.DataFrame, rows: np.ndarray, most: int = 6) -> str:
    part = measures.iloc[rows[:most]]
    names = [f"{row['session']} {row['kind']} {row['number']}" for row in part.to_dict(orient="records")]
    return ", ".join(names) + (f" and {len(rows) - most} more" if len(rows) > most else "")
