"""Which sessions share a day: drives of one date and phase have one day between them, however many logs they left."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

OWN = 1e-9  # of a shared day's variance that each session has to itself, so that a covariance can be inverted


def days_of(phases: Sequence[str], labels: Sequence[str]) -> np.ndarray:
    """Return which day each session was driven on.

    Parameters
    ----------
    phases : sequence of str
        Of each session. Before and after the service never share a day: what else such a day brought would cancel from
        the change, and nobody knows that it does.
    labels : sequence of str
        Of each session's date; empty where it is not known, and then the day is that session's alone.

    Returns
    -------
    ndarray, shape (sessions, days)
        One where a session was driven on a day, else zero; days in the order of their first session.

    Examples
    --------
    >>> from pullbook.statistics.days import days_of
    >>> days_of(["before", "before", "before", "after"], ["0", "0", "", "0"]).astype(int).tolist()
    [[1, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    """
    keys = [(phase, label, -1 if label else k) for k, (phase, label) in enumerate(zip(phases, labels, strict=True))]
    different = list(dict.fromkeys(keys))
    return np.array([[float(key == day) for day in different] for key in keys])


def sharing(of_day: np.ndarray) -> np.ndarray:
    """Return the correlation of the sessions' days.

    Parameters
    ----------
    of_day : ndarray, shape (sessions, days)
        From `days_of`.

    Returns
    -------
    ndarray, shape (sessions, sessions)

    Examples
    --------
    >>> from pullbook.statistics.days import days_of, sharing
    >>> sharing(days_of(["before", "before", "after"], ["0", "0", "0"])).round(6).tolist()
    [[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    same: np.ndarray = of_day @ of_day.T
    return (1.0 - OWN) * same + OWN * np.eye(len(same))


def between_days(
    residuals: np.ndarray, residual_maker: np.ndarray, known: np.ndarray, of_day: np.ndarray
) -> tuple[float, float, float]:
    """Take the scatter of the days' means out of the residuals of the sessions.

    Parameters
    ----------
    residuals : ndarray, shape (sessions,)
        Of the session means, in the outcome's unit.
    residual_maker : ndarray, shape (sessions, sessions)
        Turns session means into residuals.
    known : ndarray, shape (sessions, sessions)
        Covariance that single runs and the sensors leave [outcome's unit squared].
    of_day : ndarray, shape (sessions, days)
        From `days_of`.

    Returns
    -------
    squares, explained : float
        Sum of squares of the days' mean residuals, and what ``known`` explains of it [outcome's unit squared].
    dof : float
        Degrees of freedom, counted by days: the variance between days is expected to add ``dof`` times itself.

    Notes
    -----
    With ``A`` the mean over a day's sessions, ``M`` the residual maker and ``D`` the days, the mean residuals of the
    days are ``A M (D d + e)``: the days ``d`` add ``tr(A M D D' M' A')`` times their variance. Where every session has
    its own day, ``A`` and ``D`` are unity and this is the sum of squares of the sessions.
    """
    mean_of_day = (of_day / of_day.sum(axis=0)).T
    left = mean_of_day @ residual_maker
    of_days = left @ of_day
    averaged = mean_of_day @ residuals
    return float(averaged @ averaged), float(np.trace(left @ known @ left.T)), float(np.trace(of_days @ of_days.T))
