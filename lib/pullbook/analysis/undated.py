"""No absolute date in anything that is made from an experiment: days from the service instead."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from pullbook.analysis.sessions import Drive
from pullbook.settings.experiment import Experiment
from pullbook.settings.privacy import DATE, as_read, undated_text
from pullbook.text import counted

Text = Callable[[str], str]


def undated(experiment: Experiment, drives: Sequence[Drive]) -> tuple[Experiment, list[Drive]]:
    """Take every absolute date out of an experiment and its drives, once their logs have been read.

    Dates in texts, names of files and headers of columns are removed. The date of a drive becomes days from the
    service, or from the first dated drive where the service has no date. A session that has a date for a name is
    called by its day instead.

    Parameters
    ----------
    experiment : Experiment
    drives : sequence of Drive
        Of all its sessions.

    Returns
    -------
    experiment : Experiment
    drives : list of Drive
        Their sessions are those of the experiment.
    """
    dated = [drive.driven for drive in drives if drive.driven is not None]
    origin, of = (experiment.service.date, "the service") if experiment.service.date else (min(dated, default=None), "")
    names = _names([drive.session.name for drive in drives], origin)

    def text(written: str) -> str:
        return names.get(written, undated_text(written))

    plain = [
        replace(_without_dates(drive, text), when=days_from(drive.driven, origin, of or "the first drive"))
        for drive in drives
    ]
    return _without_dates(experiment, text), plain


def days_from(day: dt.date | None, origin: dt.date | None, of: str) -> str:
    """Say how many days before or after something a day was; nothing where either is not known.

    Parameters
    ----------
    day, origin : date or None
    of : str
        What was on the day ``origin``, in words.

    Returns
    -------
    str

    Examples
    --------
    >>> import datetime as dt
    >>> from pullbook.analysis.undated import days_from
    >>> days_from(dt.date(2026, 3, 1), dt.date(2026, 2, 27), "the service")
    '2 days after the service'
    """
    if day is None or origin is None:
        return ""
    days = (day - origin).days
    if days == 0:
        return f"on the day of {of}"
    return f"{counted(abs(days), 'day')} {'after' if days > 0 else 'before'} {of}"


def _names(given: Sequence[str], origin: dt.date | None) -> dict[str, str]:
    """Return what the sessions are called, each name once; it stays within the characters that names have."""
    found: dict[str, str] = {}
    for name in given:
        read = as_read(name)[0]
        plain = DATE.sub(lambda match: _day_for_name(match[0], origin), read) if DATE.search(read) else name
        same = sum(1 for other in found.values() if other == plain or other.startswith(f"{plain} no. "))
        found[name] = plain if plain == name or not same else f"{plain} no. {same + 1}"
    return found


def _day_for_name(written: str, origin: dt.date | None) -> str:
    digits = "".join(character for character in written if character.isdigit())[:8]
    try:
        day = dt.datetime.strptime(digits, "%Y%m%d").replace(tzinfo=dt.UTC).date() if origin else None
    except ValueError:  # not written with the year first
        day = None
    return f"day {(day - origin).days:+d}" if day and origin else "undated"


def _without_dates(value: Any, text: Text) -> Any:
    """Copy settings and results with every text in them changed, and every date gone."""
    if isinstance(value, str):
        return text(value)
    if isinstance(value, dt.date):  # a datetime is one too
        return None
    if isinstance(value, BaseModel):
        return value.model_copy(
            update={name: _without_dates(item, text) for name, item in value if not isinstance(item, Path)}
        )
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{f.name: _without_dates(getattr(value, f.name), text) for f in fields(value)})
    if isinstance(value, Mapping):
        return {key: _without_dates(item, text) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return type(value)(_without_dates(item, text) for item in value)
    return value
