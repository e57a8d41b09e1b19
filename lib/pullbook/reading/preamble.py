"""The date that stands in the lines above a log's header, where its rows hold none."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence

from pullbook.days import Order, readings

SHORTEST_STEP_S, LONGEST_STEP_S = 0.001, 60.0  # from row to row; what is shorter is the rate of a bus
_LABELLED = re.compile(r"\W*(?P<label>[^\d:=;,\t]{0,40}?)\s*[:=;,\t]\s*(?P<rest>.{6,60})")
_OF_THE_DRIVE = re.compile(
    r"\b(date|day|datum|fecha|data|drive|drove|start(ed)?|begin|began|recorded|recording|logged)\b"
)
_OF_ANOTHER = re.compile(r"\b(export\w*|print\w*|built?|version|calibrat\w*|firmware|software|birth|purchas\w*)\b")
_RATE = re.compile(
    r"\b(?P<rate>rate|frequency|abtastrate|abtastfrequenz|messrate)\b|"
    r"\b(?P<step>interval|period|step|intervall|messintervall|abtastintervall|abtastzeit)\b",
)
_STEP = re.compile(r"(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>k?hz|ms|msec|milliseconds|s|sec|seconds?)?\b")
_STEP_UNIT = re.compile(r"[\[(](?P<unit>k?hz|ms|msec|s|sec|seconds?)[\])]")
_UNITS_S = {"hz": 1.0, "khz": 1e-3, "ms": 1e-3, "msec": 1e-3, "milliseconds": 1e-3}
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


def preamble_step(lines: Sequence[str]) -> tuple[float, str] | None:
    """Return the time from row to row that the lines above a log's header state [s], and the line that does.

    Parameters
    ----------
    lines : sequence of str

    Returns
    -------
    tuple of float and str, or None
        None where no line states it with its unit, or two lines differ.

    Examples
    --------
    >>> from pullbook.reading.preamble import preamble_step
    >>> preamble_step(["Sample rate: 5 Hz"]), preamble_step(["Channel rate: 5"])
    ((0.2, 'Sample rate: 5 Hz'), None)
    """
    found = {step: line for line in lines if (step := _step_s(line.strip().lower()))}
    return next(((step, line.strip()) for step, line in found.items()), None) if len(found) == 1 else None


def _step_s(line: str) -> float | None:
    said, number = _RATE.search(line), _STEP.search(line)
    if said is None or number is None:
        return None
    elsewhere = _STEP_UNIT.search(line)
    unit = number["unit"] or (elsewhere["unit"] if elsewhere else None)
    value = float(number["number"].replace(",", "."))
    if unit is None or value == 0 or unit.endswith("hz") != bool(said["rate"]):
        return None
    scale = _UNITS_S.get(unit, 1.0)
    step_s = scale / value if said["rate"] else scale * value
    return step_s if SHORTEST_STEP_S <= step_s <= LONGEST_STEP_S else None


def _days(line: str) -> Mapping[Order, dt.date]:
    plain = line.strip().strip('"#*/; ,\t')
    match = _LABELLED.fullmatch(plain)
    if match is None:
        return readings(_CLOCK.sub("", plain))
    label = match["label"].lower()
    if _OF_ANOTHER.search(label) or (label and not _OF_THE_DRIVE.search(label)):
        return {}
    return readings(_CLOCK.sub("", match["rest"].strip('"#*; ,\t')))
