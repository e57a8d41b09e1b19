"""Figures that a person kept in place of a log: a table with a row a run, and units in its headers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from pullbook.errors import Finding, LogError
from pullbook.reading.channels import scores
from pullbook.reading.headers import Header, parse_header
from pullbook.reading.source import blocks, opened
from pullbook.reading.tables import Table, read_table
from pullbook.reading.units import CHANNELS, PLAUSIBLE, Unit, allowed_units, parse_unit, unit_for
from pullbook.settings.outcomes import in_kmh
from pullbook.text import counted

MOST_RUNS = 1000  # of one drive
LARGEST_BYTES = 200_000  # of a table with a row a run
EXAMPLE = "kind,number,inlet [°C],charge [°C]\npull,1,14,58"
NEEDED = ("charge_air_temperature", "intake_air_temperature")
# Quantities that are no channel: name, dimension, unit held, and what a header should say.
TIMES = {"duration": "length [s]", "rest_before": "rest before [s]"}
SPEEDS = {"start_speed": "start speed [km/h]", "end_speed": "end speed [km/h]"}
SECONDS = ("s", "sec", "secs", "second", "seconds")
# Steps that a sensor or a person rounds to, in the table's own unit.
USUAL_STEPS = (1.0, 0.5, 0.1, 0.05, 0.01, 0.005, 0.001)

_OF_WHAT = {  # how a figure was taken says nothing of what it is
    "peak", "max", "maximum", "highest", "top", "mean", "average", "at", "of", "the", "in", "hochst", "hoechst",
    "maximal", "spitze", "spitzen", "am", "bei", "maxi", "au", "al",
}  # fmt: skip
_START = {"start", "starting", "begin", "beginning", "entry", "from", "anfang", "beginn", "debut", "inicio", "inizio"}
_END = {"end", "ending", "exit", "final", "to", "ende", "fin", "fine"}
_STEP = {"step", "steps", "resolution", "schritt", "schrittweite", "stufe", "auflosung", "pas", "paso", "passo"}
_REST = {"rest", "pause", "wait", "break"}
_LENGTH = {"duration", "length", "dauer", "duree", "duracion", "durata"}
_NUMBER = {"number", "no", "nr", "num", "numero", "nummer", "run", "n"}
_KIND = re.compile(r"(pull|cruise)s?(?:\s*(\d{1,4}))?", re.IGNORECASE)
_SPEEDS = re.compile(r"(\d{1,3})\s*(?:-|\N{EN DASH}|to|bis)\s*(\d{1,3})\s*(km/?h|kph|mph)?", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Kept:
    """A column of figures.

    Attributes
    ----------
    column : str
        Its header.
    unit : str
        As the header names it.
    step : float
        Of the figures, internal unit.
    stated : bool
        Whether the table states the step; else it was read off the figures.
    """

    column: str
    unit: str
    step: float
    stated: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Figures:
    """A row a run, as a person kept them.

    Attributes
    ----------
    rows : pandas.DataFrame
        ``kind``, ``number`` and a column for each name in ``kept``, in internal units; NaN where a cell is blank. For a
        pull the charge is its peak, for a cruise its mean.
    kept : mapping of str to Kept
        By channel, or ``start_charge``, ``start_speed``, ``end_speed``, ``duration``, ``rest_before``,
        ``elapsed_s 60-90``.
    gauge : bool
        The manifold pressure counts from the air outside.
    """

    rows: pd.DataFrame
    kept: Mapping[str, Kept]
    gauge: bool = False


def is_figures(path: Path) -> bool:
    """Say whether a file is a table of figures: a column says pull or cruise in each row, as no log's does."""
    try:
        if path.stat().st_size > LARGEST_BYTES or not _names_runs(path):
            return False
        return _kind_column(read_table(path)) is not None
    except (LogError, OSError):
        return False


def _names_runs(path: Path) -> bool:
    """Say whether a file has the words of a kind anywhere: every log is asked, and few need to be read for it."""
    with opened(path) as raw:
        texts = (block.lower() for block in blocks(raw, path.name))
        return any(word in text for text in texts for word in (b"pull", b"cruise"))


def read_figures(path: Path) -> tuple[Figures, tuple[Finding, ...]]:
    """Read a table of figures.

    Parameters
    ----------
    path : Path
        Delimited text, laid out and written as a log may be (decimal commas, a row of units, ``.gz``).

    Returns
    -------
    Figures
    tuple of Finding

    Raises
    ------
    LogError
        Names the column and the row, what is allowed and the remedy.
    """
    name = path.name
    _refuse_empty(path)
    table = read_table(path)
    kind = _kind_column(table)
    if kind is None:
        raise LogError(
            f"{name}: no column says pull or cruise in each row, so this is no table of figures. If it is a log, write "
            f"log: in place of figures:. If it is a table, give each row its kind, for example:\n{EXAMPLE}"
        )
    if len(table) > MOST_RUNS:
        raise LogError(
            f"{name}: {len(table):,} rows. A table of figures has one row a run, {MOST_RUNS} at most. If it is a "
            "log, write log: in place of figures:."
        )
    kinds = _kinds(table, kind, name)
    columns, steps, unused = _columns(table, kind, name)
    numbers = _numbers(table, columns.pop("number", None), kinds, name)
    rows = pd.DataFrame({"kind": [k for k, _ in kinds], "number": numbers})
    kept: dict[str, Kept] = {}
    for quantity, (place, header, unit) in columns.items():
        values = _values(table, place, name)
        rows[quantity] = unit.scale * values + unit.offset
        _refuse_impossible(quantity, header.text, rows, name)
        stated = steps.get(quantity)
        step = _stated_step(table, *stated, name) if stated else unit.scale * finest_step(values)
        kept[quantity] = Kept(column=header.text, unit=unit.name, step=step, stated=stated is not None)
    pressure = columns.get("intake_manifold_pressure")
    figures = Figures(rows=rows, kept=kept, gauge=pressure is not None and pressure[2].gauge)
    _refuse_swapped(figures, name)
    return figures, (*table.findings, *_steps_told(figures), *_unused_told(unused))


def finest_step(values: np.ndarray) -> float:
    """Return the coarsest usual step that all figures are multiples of: what they can have been rounded to.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        As written; NaN is passed over.

    Returns
    -------
    float
        One of `USUAL_STEPS`; the finest where none fits.

    Examples
    --------
    >>> import numpy as np
    >>> from pullbook.reading.figures import finest_step
    >>> finest_step(np.array([58.0, 61.0])), finest_step(np.array([58.5, 61.0])), finest_step(np.array([1.52, 1.5]))
    (1.0, 0.5, 0.01)
    """
    known = values[np.isfinite(values)]
    for step in USUAL_STEPS:
        if np.allclose(known / step, np.round(known / step), rtol=0, atol=1e-6):
            return step
    return USUAL_STEPS[-1]


# --- which column is what ----------------------------------------------------------------------------------------

_Column = tuple[int, Header, Unit]
_S = Unit("s", "duration")


def _kind_column(table: Table) -> int | None:
    """Find the column whose filled cells all say pull or cruise."""
    for place in range(min(len(table.layout.headers), len(table.columns))):
        if not table.is_numeric(place):
            cells = table.texts(place).dropna()
            filled = cells[cells != ""]
            if len(filled) and filled.map(lambda cell: bool(_KIND.fullmatch(cell))).mean() > 0.5:
                return place
    return None


def _columns(table: Table, kind: int, name: str) -> tuple[dict[str, _Column], dict[str, _Column], list[str]]:
    """Return the columns by what they hold, those that state a step, and the headers of those that are not used."""
    found: dict[str, _Column] = {}
    steps: dict[str, _Column] = {}
    unused: list[str] = []
    layout = table.layout
    for place, text in enumerate(layout.headers):
        said = layout.units[place] if place < len(layout.units) else None
        if place == kind or (not table.is_numeric(place) and not table.texts(place).dropna().size):
            continue
        header = parse_header(text, units_row=said)
        quantity, unit = _quantity(header, name)
        if quantity is None:
            if text.strip() and not text.startswith("column "):
                unused.append(text)
            continue
        held = steps if header.words & _STEP else found
        if quantity in held:
            raise LogError(
                f"{name}: {held[quantity][1].text!r} and {text!r} both hold the {_words(quantity)}. Remove one of them."
            )
        held[quantity] = (place, header, unit)
    for needed, write in zip(NEEDED, ("charge [°C]", "inlet [°C]"), strict=True):
        if needed not in found:
            raise LogError(
                f"{name}: no column holds the {_words(needed)}. It has: "
                f"{', '.join(repr(h) for h in layout.headers[:20])}. Add a column {write!r}: "
                + (
                    "the peak of each pull, the mean of each cruise."
                    if needed == NEEDED[0]
                    else "the air going in at the same moment, by the sensor before the compressor or by a "
                    "thermometer in the shade."
                )
            )
    return found, steps, unused


def _quantity(header: Header, name: str) -> tuple[str | None, Unit]:
    """Return what a column holds and its unit; refuse one whose unit is missing, or leaves its meaning open."""
    words = header.words - _OF_WHAT
    if speeds := _SPEEDS.search(header.text):
        return _elapsed(speeds, header, name), _S
    if header.text.strip() == "#" or (words and words <= _NUMBER and header.unit is None):
        return "number", _S
    if words & (_REST | _LENGTH):
        quantity = "rest_before" if words & _REST else "duration"
        if header.unit is None or header.unit.lower() not in SECONDS:
            raise LogError(f"{name}: {header.text!r} has to be in seconds. Write its header as {TIMES[quantity]!r}.")
        return quantity, _S
    at_start, at_end = bool(words & _START), bool(words & _END)
    channel = _channel(words - _START - _END - _STEP, header)
    if channel is None:
        return None, _S
    quantity = channel
    if channel == "vehicle_speed":
        quantity = "mean_speed" if not (at_start or at_end) else "start_speed" if at_start else "end_speed"
    elif at_start:
        if channel != NEEDED[0]:
            return None, _S
        quantity = "start_charge"
    unit = unit_for(header.unit, channel) if header.unit else None
    if unit is None:
        raise LogError(
            f"{name}: {header.text!r} names no unit. Write one behind it, such as "
            f"{f'{header.text} [{CHANNELS[channel][1]}]'!r}. Allowed: {allowed_units(channel)}."
        )
    if channel == "intake_manifold_pressure" and not (unit.gauge or unit.absolute or "manifold" in header.words):
        raise LogError(
            f"{name}: {header.text!r} may be counted from the outside air or from zero. Write its unit as "
            f"'{unit.name} gauge' or '{unit.name} abs'."
        )
    if words & _STEP:
        unit = replace(unit, offset=0.0)
    return quantity, unit


_HELD = (
    "charge_air_temperature", "intake_air_temperature", "ambient_air_temperature", "engine_coolant_temperature",
    "intake_manifold_pressure", "vehicle_speed",
)  # fmt: skip


def _channel(words: frozenset[str], header: Header) -> str | None:
    """Return the channel that the words of a header name; what its unit measures need not be said again."""
    meant = [unit.dimension for unit in parse_unit(header.unit)] if header.unit else ["temperature", "pressure"]
    for quantity in ("", *(q for q in ("temperature", "pressure", "speed") if q in meant)):
        named = replace(header, words=frozenset({*words, quantity} - {""}))
        fits = scores(named)
        best = sorted(fits, key=lambda channel: -fits[channel])[:2]
        if best and (len(best) == 1 or fits[best[0]] > fits[best[1]]):
            return best[0] if best[0] in _HELD else None
    return None


def _elapsed(speeds: re.Match[str], header: Header, name: str) -> str:
    own = "elapsed_s" in header.text
    if speeds[3] is None and not own:
        raise LogError(
            f"{name}: {header.text!r} names no unit for its speeds. Write it as "
            f"'{speeds[1]}-{speeds[2]} km/h [s]' or '{speeds[1]}-{speeds[2]} mph [s]'."
        )
    behind = header.text[speeds.end() :].strip(" []()").lower()
    if not own and behind not in SECONDS:
        raise LogError(f"{name}: {header.text!r} has to be in seconds. Write it as '{speeds[0]} [s]'.")
    if float(speeds[1]) >= float(speeds[2]):
        raise LogError(f"{name}: {header.text!r}: the first speed has to be the lower one.")
    return in_kmh(f"elapsed_s {float(speeds[1]):g}-{float(speeds[2]):g} {speeds[3] or 'km/h'}")


def _words(quantity: str) -> str:
    return {"intake_air_temperature": "inlet temperature"}.get(quantity, quantity.replace("_", " "))


# --- cells -------------------------------------------------------------------------------------------------------


def _refuse_empty(path: Path) -> None:
    with opened(path) as content:
        head = content.read(1 << 16)
    if sum(bool(line.strip()) for line in head.splitlines()) < 2:
        raise LogError(
            f"{path.name}: holds no figures. Allowed: a line of headers with their units, then one row a run, for "
            f"example:\n{EXAMPLE}"
        )


def _kinds(table: Table, place: int, name: str) -> list[tuple[str, str | None]]:
    """Return the kind of each row, and the number that stands behind it."""
    found = []
    for k, cell in enumerate(table.texts(place).fillna(""), start=1):
        match = _KIND.fullmatch(cell)
        if match is None:
            raise LogError(
                f"{name}, row {k}: {table.layout.headers[place]!r} is {cell[:40]!r}. Allowed: pull or cruise. Correct "
                "the cell, or delete the row."
            )
        found.append((match[1].lower(), match[2]))
    return found


def _numbers(table: Table, column: _Column | None, kinds: Sequence[tuple[str, str | None]], name: str) -> list[int]:
    """Return the runs' numbers: the place of each among the drive's runs of its kind."""
    if column is not None:
        values = _values(table, column[0], name)
        wrong = [k for k, value in enumerate(values, start=1) if not (1 <= value <= 9999 and value == int(value))]
        if wrong:
            raise LogError(
                f"{name}, row {wrong[0]}: {column[1].text!r} has to be a whole number from 1 on: which pull or cruise "
                "of the drive it was."
            )
        numbers = [int(value) for value in values]
    elif all(number for _, number in kinds):
        numbers = [int(number or 0) for _, number in kinds]
    else:
        raise LogError(
            f"{name}: no column says which pull or cruise of the drive a row is. Add a column 'number' with 1, 2, 3 "
            "in the order driven: later pulls start hotter, so the order counts."
        )
    runs = [f"{kind} {number}" for (kind, _), number in zip(kinds, numbers, strict=True)]
    if twice := [run for run in runs if runs.count(run) > 1]:
        raise LogError(
            f"{name}: {twice[0]} is there {runs.count(twice[0])} times. If these are several drives, put each "
            "into a table and a session of its own: the days they share or don't share decide the answer. Else number "
            "the runs in the order driven."
        )
    return numbers


def _values(table: Table, place: int, name: str) -> np.ndarray:
    values, unreadable = table.numbers(place)
    if unreadable:
        texts = table.texts(place)
        row = next(k for k in range(len(values)) if np.isnan(values[k]) and pd.notna(texts[k]) and texts[k].strip())
        raise LogError(
            f"{name}, row {row + 1}: {table.layout.headers[place]!r} is {texts[row][:40]!r}, which is no number. "
            "Correct it, or leave the cell blank."
        )
    return values


def _refuse_impossible(quantity: str, text: str, rows: pd.DataFrame, name: str) -> None:
    """Refuse a figure that no vehicle shows: a person mistyped it, or the header names the wrong unit."""
    channel = {"start_charge": NEEDED[0], "mean_speed": "vehicle_speed", **dict.fromkeys(SPEEDS, "vehicle_speed")}.get(
        quantity, quantity
    )
    values = rows[quantity].to_numpy(dtype=float)
    if np.isnan(values).all():
        raise LogError(f"{name}: {text!r} is blank in every row. Fill it in, or remove the column.")
    low, high = PLAUSIBLE.get(channel, (0.0, 3600.0))
    unit = CHANNELS[channel][1] if channel in CHANNELS else "s"
    if channel == "intake_manifold_pressure":
        low = -105.0  # below the outside pressure, where it counts from that
    wrong = np.flatnonzero((values < low) | (values > high))
    if wrong.size:
        raise LogError(
            f"{name}, row {wrong[0] + 1}: {text!r} is {values[wrong[0]]:.0f} {unit}. Allowed: {low:g} to "
            f"{high:g} {unit}. Correct the figure, or the unit in the header."
        )


def _stated_step(table: Table, place: int, header: Header, unit: Unit, name: str) -> float:
    """Return the step that a column states; it is the sensor's, so the same in each row that gives it."""
    values = _values(table, place, name)
    known = np.unique(values[np.isfinite(values)])
    if len(known) != 1 or not known[0] > 0:
        raise LogError(f"{name}: {header.text!r} has to hold one step above 0, the same in each row that gives it.")
    return float(unit.scale * known[0])


def _refuse_swapped(figures: Figures, name: str) -> None:
    charge, inlet = (figures.rows[channel].to_numpy(dtype=float) for channel in NEEDED)
    both = np.isfinite(charge) & np.isfinite(inlet)
    if both.any() and (charge[both] < inlet[both]).all():
        columns = " and ".join(repr(figures.kept[channel].column) for channel in NEEDED)
        raise LogError(
            f"{name}: the charge is colder than the air going in, in every row. No cooler does that. Are {columns} "
            "swapped?"
        )


# --- findings ----------------------------------------------------------------------------------------------------


def _steps_told(figures: Figures) -> list[Finding]:
    """State the step of the temperatures and of the pressure, and where it comes from."""
    told = {
        "charge_air_temperature": "K", "intake_air_temperature": "K", "engine_coolant_temperature": "K",
        "intake_manifold_pressure": "kPa",
    }  # fmt: skip
    steps = [
        f"{_words(q)} {figures.kept[q].step:.3g} {unit} ({'stated' if figures.kept[q].stated else 'by its digits'})"
        for q, unit in told.items()
        if q in figures.kept
    ]
    derived = any(not figures.kept[q].stated for q in told if q in figures.kept)
    hint = (
        " If you averaged or converted the figures, their digits suggest too fine a step. State the sensor's own in a "
        "column such as 'charge step [°C]'."
        if derived
        else ""
    )
    return [
        Finding(
            code="figures-step",
            severity="note",
            message=f"Steps of the figures: {', '.join(steps)}.{hint}",
            evidence={q: figures.kept[q].step for q in told if q in figures.kept},
        )
    ]


def _unused_told(unused: Sequence[str]) -> list[Finding]:
    if not unused:
        return []
    return [
        Finding(
            code="figures-column-unused",
            severity="note",
            message=f"{counted(len(unused), 'column')} not used: {', '.join(map(repr, unused[:12]))}.",
            evidence={"columns": list(unused[:12])},
        )
    ]
