"""The date that stands in the lines above a log's header, where its rows hold none."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence

from pullbook.days import Order, readings

_LABELLED = re.compile(r"\W*(?P<label>[^\d:=;,\t]{0,40}?)\s*[:=;,\t]\s*(?P<rest>.{6,60})")
_OF_THE_DRIVE = re.compile(
    r"\b(date|day|datum|fecha|data|drive|drove|start(ed)?|begin|began|recorded|recording|logged)\b"
)
_OF_ANOTHER = re.compile(r"\b(export\w*|print\w*|built?|version|calibrat\w*|firmware|software|birth|purchas\w*)\b")
_CLOCK = re.compile(r"[\sT,]+\d{1,2}:\d{2}.*$")


def preamble_days(lines: Sequence[str]) -> Mapping[Order, dt.date]:
    """Return what the date above a log's header may mean, by the order of its numbers.

    Parameters
    ----------
    lines : sequence of str
        Those above the header.

    Returns
    -------
    mapping
        Empty where no line holds the drive's date, or two hold different ones.

    Examples
    --------
    >>> from pullbook.reading.preamble import preamble_days
    >>> preamble_days(["Log of drive, van", "Date: 04/15/2026"])
    {'m/d/y': datetime.date(2026, 4, 15)}
    >>> preamble_days(["Exported: 04/15/2026"])
    {}
    """
    found = [days for line in lines if (days := _days(line))]
    return found[0] if found and all(days == found[0] for days in found) else {}


def _days(line: str) -> Mapping[Order, dt.date]:
    plain = line.strip().strip('"#*/; ,\t')
    match = _LABELLED.fullmatch(plain)
    if match is None:
        return readings(_CLOCK.sub("", plain))
    label = match["label"].lower()
    if _OF_ANOTHER.search(label) or (label and not _OF_THE_DRIVE.search(label)):
        return {}
    return readings(_CLOCK.sub("", match["rest"].strip('"#*; ,\t')))
