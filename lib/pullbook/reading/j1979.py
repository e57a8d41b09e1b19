"""Raw answers to SAE J1979 (ISO 15031-5) service 01 requests, as hex lines with a time, turned into signals.

A line is a time and the bytes of one answer: ``12.345 41 0D 5A``, ``12.345 7E8 03 41 0D 5A``, ``12.345;410C1AF8``.
The bytes follow `SCALINGS`; a byte that only names what is supported is no measurement.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from pullbook.errors import Finding
from pullbook.text import counted

ALLOWED = "Allowed: lines such as '12.345 41 0D 5A': a time, then the bytes of the answer in hex."
ENGINE_ID = "7E8"  # ISO 15765-4: the first electronic control unit that answers, usually the engine's


@dataclass(frozen=True)
class Scaling:
    """One parameter of service 01.

    Attributes
    ----------
    length : int
        Data bytes.
    signal, unit : str
        What it is, and in which unit, in words that `pullbook.reading.channels` knows.
    value : callable
        Turns the data bytes into a value in that unit.
    """

    length: int
    signal: str
    unit: str
    value: Callable[[Sequence[int]], float]


def _temperature(data: Sequence[int]) -> float:
    return data[0] - 40.0


def _percentage(data: Sequence[int]) -> float:
    return data[0] * 100.0 / 255.0


def _byte(data: Sequence[int]) -> float:
    return float(data[0])


def _word(data: Sequence[int]) -> float:
    return 256.0 * data[0] + data[1]


# SAE J1979-DA (OCT2011), read in public transcriptions of its table and in the source of a general-purpose open-source
# network protocol analyser (the text itself is not freely available). Parameter number: scaling.
SCALINGS: dict[int, Scaling] = {
    0x04: Scaling(1, "Engine load", "%", _percentage),
    0x05: Scaling(1, "Engine coolant temperature", "degC", _temperature),
    0x0B: Scaling(1, "Intake manifold absolute pressure", "kPa", _byte),
    0x0C: Scaling(2, "Engine speed", "rpm", lambda data: _word(data) / 4.0),
    0x0D: Scaling(1, "Vehicle speed", "km/h", _byte),
    0x0E: Scaling(1, "Ignition timing advance", "degree", lambda data: data[0] / 2.0 - 64.0),
    0x0F: Scaling(1, "Intake air temperature", "degC", _temperature),
    0x10: Scaling(2, "Mass air flow", "g/s", lambda data: _word(data) / 100.0),
    0x11: Scaling(1, "Throttle position", "%", _percentage),
    0x33: Scaling(1, "Barometric pressure", "kPa", _byte),
    0x3C: Scaling(2, "Catalyst temperature", "degC", lambda data: _word(data) / 10.0 - 40.0),
    0x42: Scaling(2, "Control module voltage", "V", lambda data: _word(data) / 1000.0),
    0x43: Scaling(2, "Absolute load", "%", lambda data: _word(data) * 100.0 / 255.0),
    0x46: Scaling(1, "Ambient air temperature", "degC", _temperature),
    0x49: Scaling(1, "Accelerator pedal position D", "%", _percentage),
    0x4A: Scaling(1, "Accelerator pedal position E", "%", _percentage),
    0x5C: Scaling(1, "Engine oil temperature", "degC", _temperature),
}

# From memory, not verified: the order of bytes and support bits of 0x77 was found in no source that could be read. Five
# bytes: A says which sensors exist (bit 0 for B, bit 1 for C, ...), B to E are temperatures of bank 1 sensor 1, bank 1
# sensor 2, bank 2 sensor 1, bank 2 sensor 2. Using it is always said in a finding.
COOLER_PARAMETER = 0x77
_COOLER_LENGTH = 5
_COOLER_SIGNALS = (
    "Charge air cooler temperature",
    "Charge air cooler temperature bank 1 sensor 2",
    "Charge air cooler temperature bank 2 sensor 1",
    "Charge air cooler temperature bank 2 sensor 2",
)

_LINE = re.compile(
    r"""\s*(?P<time>(?:\d{4}-\d{2}-\d{2}[T\ ])?\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?(?:Z|[+-]\d{2}:?\d{2})?  # a clock
           |\d+(?:[.,]\d+)?)  # or a number
        [\s,;|]+
        (?:(?P<sender>18\s?DA\s?[0-9A-F]{2}\s?[0-9A-F]{2}|7E[89A-F])[\s,;|]*(?:[0-8][\s,;|]+)?  # and a count
           (?:0(?P<length>[3-7])[\s,;|]*)?)?
        (?P<data>41(?:[\s,;|]*[0-9A-F]{2})+)[\s,;|>]*""",
    re.VERBOSE | re.ASCII,
)
_BETWEEN = re.compile(r"[\s,;|>]+")
_LONGEST_LINE = 200


@dataclass(frozen=True)
class Answers:
    """Decoded answers in the order of the lines; the four lists have one length.

    Attributes
    ----------
    times : list of str
        As written in the lines.
    signals, units : list of str
        As in `SCALINGS`.
    numbers : list of float
        Values in those units.
    findings : tuple of Finding
        What was passed over, and what could not be verified.
    """

    times: list[str]
    signals: list[str]
    numbers: list[float]
    units: list[str]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _Answer:
    time: str
    sender: str
    payload: bytes
    framed: bool


def looks_raw(lines: Sequence[str]) -> bool:
    """Say whether the first lines of a file hold raw answers, most of them service 01."""
    filled = [line for line in lines[:400] if line.strip()]
    answers = [answer for line in filled if (answer := _parse(line))]
    # Decimal numbers may look like hex, but hex soon has letters.
    lettered = sum(not answer.payload.hex().isdecimal() for answer in answers)
    return len(answers) >= max(2, 0.3 * len(filled)) and lettered >= 0.1 * len(answers)


def decode(lines: Iterable[str]) -> Answers:
    """Decode the lines of a file; lines that are no answer are counted and passed over.

    Parameters
    ----------
    lines : iterable of str

    Returns
    -------
    Answers
        Of several senders that answer for one signal, the engine's (7E8) is taken, else the first.

    References
    ----------
    SAE J1979-DA (OCT2011), as far as public transcriptions show it; see `SCALINGS`.

    Examples
    --------
    Parameter 0C is the engine speed, a quarter of the word: 0x1AF8 / 4 = 1726; parameter 05 the coolant, the byte less
    40.

    >>> from pullbook.reading.j1979 import decode
    >>> answers = decode(["12.3 41 0C 1A F8", "12.4 41 05 7B"])
    >>> list(zip(answers.signals, answers.numbers, answers.units))
    [('Engine speed', 1726.0, 'rpm'), ('Engine coolant temperature', 83.0, 'degC')]
    """
    times: list[str] = []
    found: list[tuple[str, str, float, str]] = []
    passed = 0
    for line in lines:
        answer = _parse(line)
        measured = _measurements(answer) if answer else []
        passed += bool(line.strip()) and not measured
        for signal, value, unit in measured:
            assert answer is not None  # it has measurements
            times.append(answer.time)
            found.append((answer.sender, signal, value, unit))
    chosen = _senders(found)
    kept = [k for k, (sender, signal, _, _) in enumerate(found) if chosen[signal] == sender]
    return Answers(
        times=[times[k] for k in kept],
        signals=[found[k][1] for k in kept],
        numbers=[found[k][2] for k in kept],
        units=[found[k][3] for k in kept],
        findings=tuple(_findings(found, len(found) - len(kept), passed)),
    )


def _parse(line: str) -> _Answer | None:
    """Take a line apart: time, sender, and the bytes of the answer from 0x41 on."""
    if len(line) > _LONGEST_LINE:
        return None
    match = _LINE.fullmatch(line.upper().replace("0X", ""))
    if match is None:
        return None
    data = bytes.fromhex(_BETWEEN.sub("", match["data"]))
    sender = _BETWEEN.sub("", match["sender"] or "")
    if not match["length"]:
        return _Answer(match["time"], sender, data, framed=False)
    length = int(match["length"])
    return _Answer(match["time"], sender, data[:length], framed=True) if len(data) >= length else None


def _measurements(answer: _Answer) -> list[tuple[str, float, str]]:
    """Read one answer, which may hold several parameters one after the other."""
    out: list[tuple[str, float, str]] = []
    data = answer.payload[1:]
    while data:
        number, data = data[0], data[1:]
        length = _COOLER_LENGTH if number == COOLER_PARAMETER else SCALINGS[number].length if number in SCALINGS else 0
        if not length or len(data) < length:
            # What follows the first parameter may be filling, unless the frame says how long the answer is.
            break
        if number == COOLER_PARAMETER:
            out += _cooler(data[:length])
        else:
            scaling = SCALINGS[number]
            out.append((scaling.signal, scaling.value(data), scaling.unit))
        data = data[length:]
        if not answer.framed and len(set(data)) == 1:
            break
    return out


def _cooler(data: Sequence[int]) -> list[tuple[str, float, str]]:
    return [
        (signal, _temperature(data[1 + k :]), "degC")
        for k, signal in enumerate(_COOLER_SIGNALS)
        if data[0] >> k & 1  # a sensor that is not supported reads 0, which is no -40 °C
    ]


def _senders(found: Iterable[tuple[str, str, float, str]]) -> dict[str, str]:
    chosen: dict[str, str] = {}
    for sender, signal, _, _ in found:
        if signal not in chosen or sender == ENGINE_ID:
            chosen[signal] = sender
    return chosen


def _findings(found: Sequence[tuple[str, str, float, str]], others: int, passed: int) -> list[Finding]:
    out = []
    if passed:
        out.append(
            Finding(
                code="lines-not-answers",
                severity="note",
                message=f"Skipped {counted(passed, 'line')} without the answer of a known signal.",
                evidence={"lines": passed},
            )
        )
    if others:
        out.append(
            Finding(
                code="several-senders",
                severity="note",
                message=f"Skipped {counted(others, 'answer')} that a second control unit gave to the same request.",
                evidence={"answers": others},
            )
        )
    if any(signal in _COOLER_SIGNALS for _, signal, _, _ in found):
        out.append(
            Finding(
                code="cooler-bytes-unverified",
                severity="warning",
                message=(
                    "The charge air cooler temperature comes from parameter 77. Its byte order could not be verified. "
                    "On a cold engine it should agree with the coolant and the outside air. Check that it does."
                ),
                evidence={"parameter": "77"},
            )
        )
    return out
