"""A comparison with its figures in the units shown, for pictures; what is stored keeps its own."""

from __future__ import annotations

from dataclasses import replace

from pullbook.analysis.result import Result
from pullbook.quantities import METRIC, Shown
from pullbook.records.history import History
from pullbook.statistics.comparison import Comparison
from pullbook.statistics.estimate import Estimate, Slope
from pullbook.statistics.joint_fit import Estimated


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


def history_in(history: History) -> History:
    """Return a history with its states and changes in the units shown; distances stay in km, its levels as fitted.

    Parameters
    ----------
    history : History
    """
    shown, change, level = history.shown, history.unit, history.level_unit
    if shown == METRIC:
        return history

    def state(e: Estimated) -> Estimated:
        ends = {name: shown.value(getattr(e, name), level) for name in ("value", "low", "high")}
        return replace(estimated_in(e, shown, change), **ends)

    services = tuple(
        replace(
            s,
            **{name: shown.value(getattr(s, name), change) for name in ("change", "low", "high", "worthwhile")},
            before=state(s.before),
            after=state(s.after),
        )
        for s in history.services
    )
    return replace(
        history,
        unit=shown.unit(change),
        level_unit=shown.unit(level),
        label=shown.text(history.label),
        services=services,
        spans=tuple(replace(s, drift=estimated_in(s.drift, shown, change)) for s in history.spans),
        rates=tuple(
            replace(r, estimated=estimated_in(r.estimated, shown, change, per_distance=r.per == "1000 km"))
            for r in history.rates
        ),
        slopes=tuple(_slope(s, shown) for s in history.slopes),
        findings=tuple(replace(f, message=shown.text(f.message)) for f in history.findings),
    )


def estimated_in(e: Estimated, shown: Shown, unit: str, *, per_distance: bool = False) -> Estimated:
    """Return a difference in the units shown.

    Parameters
    ----------
    e : Estimated
    shown : Shown
    unit : str
        Internal, of a difference, so without an offset.
    per_distance : bool
        Whether it is one for each 1000 km, to be shown for each 1000 of the distance shown.
    """
    factor = shown.value(1.0, unit) / (shown.value(1.0, "km") if per_distance else 1.0)
    figures = {name: factor * getattr(e, name) for name in ("value", "low", "high", "u")}
    budget = tuple(replace(line, standard_uncertainty=factor * line.standard_uncertainty) for line in e.budget)
    return replace(e, **figures, budget=budget)


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
    slopes = tuple(_slope(s, shown) for s in e.slopes)
    return replace(e, **in_change, **in_level, budget=budget, slopes=slopes, shift=shown.value(e.shift, change))


def _slope(slope: Slope, shown: Shown) -> Slope:
    figures = {name: shown.value(getattr(slope, name), slope.unit) for name in ("prior", "prior_u", "value", "u")}
    return replace(slope, unit=shown.unit(slope.unit), **figures)
