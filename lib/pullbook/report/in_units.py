"""A comparison with its figures in the units shown, for pictures; what is stored keeps its own."""

from __future__ import annotations

from dataclasses import replace

from pullbook.analysis.result import Result
from pullbook.quantities import METRIC, Shown
from pullbook.statistics.comparison import Comparison
from pullbook.statistics.estimate import Estimate


def to_draw(result: Result) -> Result:
    """Return a result whose change is in the units shown, by every route; runs and logs are as they were."""
    shown, of = result.shown, result.comparison.unit
    if shown == METRIC:
        return result
    routes = tuple(
        replace(r, **{name: shown.value(getattr(r, name), of) for name in ("change", "low", "high")})
        for r in result.cross_checks.routes
    )
    return replace(
        result,
        comparison=comparison_in(result.comparison, shown),
        with_left_out=comparison_in(result.with_left_out, shown) if result.with_left_out else None,
        cross_checks=replace(result.cross_checks, routes=routes),
    )


def comparison_in(c: Comparison, shown: Shown) -> Comparison:
    """Return a comparison with levels and changes in the units shown: a level with its offset, a change without.

    Parameters
    ----------
    c : Comparison
    shown : Shown
    """
    if shown == METRIC:
        return c
    level, change = c.spec.unit, c.unit
    factor = shown.value(1.0, change)
    return replace(
        c,
        spec=replace(c.spec, unit=shown.unit(level), label=shown.text(c.spec.label)),
        worthwhile=shown.value(c.worthwhile, change),
        before=replace(c.before, mean=shown.value(c.before.mean, level)),
        after=replace(c.after, mean=shown.value(c.after.mean, level)),
        estimate=_estimate(c.estimate, shown, level=level, change=change),
        as_driven=_estimate(c.as_driven, shown, level=level, change=change),
        sessions=tuple(
            replace(
                s,
                mean=shown.value(s.mean, level),
                normalised=shown.value(s.normalised, level),
                inlet_c=shown.value(s.inlet_c, "°C"),
            )
            for s in c.sessions
        ),
        data=replace(
            c.data,
            means=shown.value(c.data.means, level),
            covariance=c.data.covariance * factor**2,
            repeatability_sd=c.data.repeatability_sd * factor,
            resolution_u=c.data.resolution_u * factor,
            inlet_u=c.data.inlet_u * factor,  # its share of an outcome, as all else here, is in the outcome's unit
            single_runs=tuple(shown.value(runs, level) for runs in c.data.single_runs),
        ),
    )


def _estimate(e: Estimate | None, shown: Shown, *, level: str, change: str) -> Estimate | None:
    if e is None:
        return None
    in_change = {name: shown.value(getattr(e, name), change) for name in ("change", "low", "high", "u", "day_sd")}
    in_level = {name: shown.value(getattr(e, name), level) for name in ("before", "after")}
    budget = tuple(
        replace(
            line, source=shown.text(line.source), standard_uncertainty=shown.value(line.standard_uncertainty, change)
        )
        for line in e.budget
    )
    slopes = tuple(
        replace(
            s,
            unit=shown.unit(s.unit),
            **{name: shown.value(getattr(s, name), s.unit) for name in ("prior", "prior_u", "value", "u")},
        )
        for s in e.slopes
    )
    return replace(e, **in_change, **in_level, budget=budget, slopes=slopes, shift=shown.value(e.shift, change))
