"""The record between services: what was done and what was caught, from a plain CSV kept by hand.

Columns: ``date, odometer, item, amount, unit, note``. Every fault is named with its row, all in one message; nothing is
corrected silently.
"""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pullbook.days import FORMS, ORDERS, Order, one_day, order_of, readings
from pullbook.errors import Finding, LedgerError, fault_lines
from pullbook.quantities import without_thousands
from pullbook.statistics.uncertainty import coverage_factor
from pullbook.text import counted

COLUMNS = ("date", "odometer", "item", "amount", "unit", "note")
MAX_BYTES = 5_000_000
MAX_CELL = 400  # characters; a note is a line
MOST_KM = 1e7  # no vehicle has been driven as far
MOST_ML = 1e6
KM_PER_MILE = 1.609344  # exact, NIST SP 811 (2008), B.8
# Millilitres. US fluid ounce: NIST SP 811 (2008), B.8; imperial: exactly 28.413 062 5 ml (UK units regulations).
ML = {
    "ml": 1.0, "cl": 10.0, "dl": 100.0, "l": 1000.0, "litre": 1000.0, "liter": 1000.0, "cc": 1.0, "cm3": 1.0,
    "oz": 29.5735295625, "fl oz": 29.5735295625, "us fl oz": 29.5735295625, "imp fl oz": 28.4130625,
}  # fmt: skip
# The test is repeated at each emptying from the fifth on. At this level twelve such looks, 5 to 16 captures, find
# a rise that is not there in 4.6 of 100 ledgers (400,000 drawn); five captures in strict order, p = 1/120, still count.
TREND_LEVEL = 0.0085
LEAST_FOR_TREND = 5
MOST_NAMED = 5  # rows in one sentence


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One row of the ledger.

    Attributes
    ----------
    row : int
        Line in the file, the header being 1.
    date : date
    odometer_km : float or None
        [km]
    item : str
        Lower case, such as ``catch can`` or ``cooler cleaned``.
    amount_ml : float or None
        For what is caught [ml]; None for a service.
    note : str
    odometer_as_given, amount_as_given : str
        As entered, with the unit; empty where nothing was.
    """

    row: int
    date: dt.date
    odometer_km: float | None
    item: str
    amount_ml: float | None
    note: str
    odometer_as_given: str = ""
    amount_as_given: str = ""

    @property
    def in_miles(self) -> bool:
        """Whether its odometer was entered in miles."""
        return "mi" in self.odometer_as_given.lower()

    @property
    def ounce(self) -> str | None:
        """The ounce that its amount was entered in, such as ``oz``; None where that was millilitres or litres."""
        unit = _unit_of(self.amount_as_given.lstrip("0123456789.,+-e"))
        return unit if unit.endswith("oz") else None


@dataclass(frozen=True)
class Ledger:
    """A ledger that was read and checked.

    Attributes
    ----------
    entries : tuple of Entry
        In order of time.
    findings : tuple of Finding
        What was noticed about them.
    """

    entries: tuple[Entry, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def in_miles(self) -> bool:
        """Whether the last odometer was entered in miles, so that distances are shown in them."""
        return next((e.in_miles for e in reversed(self.entries) if e.odometer_km is not None), False)

    def amounts_in(self, item: str) -> str:
        """Return the unit that amounts of an item are shown in: the ounce of the last one, else ``ml``."""
        return next((e.ounce or "ml" for e in reversed(self.of(item)) if e.amount_ml is not None), "ml")

    def of(self, item: str) -> tuple[Entry, ...]:
        """Return the entries of one item, in order of time; none if there is no such item."""
        wanted = _plain(item)
        return tuple(entry for entry in self.entries if entry.item == wanted)

    def not_of(self, item: str) -> tuple[Entry, ...]:
        """Return the entries with an amount whose item is another, in order of time."""
        wanted = _plain(item)
        return tuple(entry for entry in self.entries if entry.item != wanted and entry.amount_ml is not None)

    @property
    def items(self) -> tuple[str, ...]:
        """Items in the order they first appear."""
        return tuple(dict.fromkeys(entry.item for entry in self.entries))

    @property
    def odometer_km(self) -> float | None:
        """The last reading [km]."""
        readings = [e.odometer_km for e in self.entries if e.odometer_km is not None]
        return readings[-1] if readings else None


def read_ledger(path: str | Path) -> Ledger:
    """Read and check a ledger.

    Parameters
    ----------
    path : path
        A CSV with the columns of `COLUMNS`; comma or semicolon. Dates in any usual form; where all of them may have
        the day or the month first, the heading says which: ``date d/m/y`` or ``date m/d/y``.

    Returns
    -------
    Ledger

    Raises
    ------
    LedgerError
        When the file is missing, too large or no UTF-8 text; and with every faulty row: what was given, what is
        allowed, the remedy.
    """
    path = Path(path)
    if not path.is_file():
        raise LedgerError(f"{path.name}: no such file. Make one with the columns {', '.join(COLUMNS)}.")
    if path.stat().st_size > MAX_BYTES:
        raise LedgerError(f"{path.name}: larger than {MAX_BYTES // 1000000} MB. A ledger is a few kB")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise LedgerError(f"{path.name}: not UTF-8 text. Save it as UTF-8") from None
    except OSError as error:
        raise LedgerError(f"{path.name}: can't be read ({error.strerror}). Check the file") from None
    return parse_ledger(text, path.name)


def parse_ledger(text: str, name: str = "ledger") -> Ledger:
    r"""Check the text of a ledger.

    Parameters
    ----------
    text : str
        As `read_ledger` finds it in a file.
    name : str
        For messages.

    Returns
    -------
    Ledger

    Raises
    ------
    LedgerError
        With every faulty row.

    Examples
    --------
    >>> from pullbook.records.ledger import parse_ledger
    >>> ledger = parse_ledger("date;odometer;item;amount;unit\n2026-03-01;62 000 mi;Catch can;4;cl\n")
    >>> ledger.entries[0].item, ledger.entries[0].amount_ml, round(ledger.odometer_km)
    ('catch can', 40.0, 99779)
    """
    lines = text.replace("\x00", "").splitlines()
    delimiter = ";" if lines and lines[0].count(";") > lines[0].count(",") else ","
    try:
        rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter))
    except csv.Error as error:
        raise LedgerError(
            f"{name}: not a table ({error}). A cell holds at most {MAX_CELL} characters. Is a quote left open?"
        ) from None
    header = [" ".join(cell.lower().split()) for cell in rows[0]] if rows else []
    said: tuple[Order, ...] = tuple(order for order in ORDERS if f"date {order}" in header)
    header = ["date" if cell.startswith("date ") and cell[5:] in ORDERS else cell for cell in header]
    missing = [column for column in ("date", "odometer", "item") if column not in header]
    unknown = [column for column in header if column and column not in COLUMNS]
    if missing or unknown:
        raise LedgerError(
            f"{name}: the first row must name the columns {', '.join(COLUMNS)}; "
            + "; ".join([f"missing: {c}" for c in missing] + [f"unknown: {c[:40]!r}" for c in unknown[:20]])
        )
    faults: list[str] = []
    entries: list[Entry] = []
    order = _order(header, rows[1:], said, faults)
    for number, row in enumerate(rows[1:], start=2):
        if any(cell.strip() for cell in row):
            cells = {column: cell.strip() for column, cell in zip(header, row, strict=False)}
            if long := [column for column, cell in cells.items() if len(cell) > MAX_CELL]:
                faults.append(f"row {number}: {long[0] or 'a cell'} is longer than {MAX_CELL} characters. Shorten it")
                continue
            entry = _entry(number, cells, order, faults)
            if entry is not None:
                entries.append(entry)
    entries.sort(key=lambda entry: (entry.date, entry.row))
    faults += _odometer_faults(entries)
    if faults:
        raise LedgerError("\n".join([f"{name} has {counted(len(faults), 'fault')}:", *fault_lines(faults)]))
    return Ledger(entries=tuple(entries), findings=_gaps(entries))


def _order(header: Sequence[str], rows: Sequence[Sequence[str]], said: tuple[Order, ...], faults: list[str]) -> Order:
    """Return whether the day or the month comes first in dates of numbers; a fault where that stays open."""
    table = [dict(zip(header, row, strict=False)) for row in rows]
    texts = [row.get("date", "")[:MAX_CELL] for row in table]
    kms = [_odometer(0, row.get("odometer", "").strip()[:MAX_CELL], []) for row in table]
    allowed = order_of(texts, kms)
    if said or len(allowed) == 1:
        return (said or allowed)[0]
    open_ones = [(text.strip(), days) for text in texts if len(set((days := readings(text)).values())) == 2]
    if open_ones and len(allowed) == 2:
        text, days = open_ones[0]
        either = " or ".join(f"{day.day} {day:%B %Y}" for day in days.values())
        faults.append(
            f"dates: {text!r} may be {either}, and no row shows which. Write the heading as 'date d/m/y' "
            "(day first) or 'date m/d/y' (month first)"
        )
    return ORDERS[0]


def _entry(number: int, cells: dict[str, str], order: Order, faults: list[str]) -> Entry | None:
    before = len(faults)
    date = _date(number, cells.get("date", ""), order, faults)
    odometer = _odometer(number, cells.get("odometer", ""), faults)
    item = _plain(cells.get("item", ""))
    if not item:
        faults.append(f"row {number}: item is empty. Name what was done or caught, such as 'catch can'")
    amount = _amount(number, cells.get("amount", ""), cells.get("unit", ""), faults)
    if len(faults) > before or date is None:
        return None
    return Entry(
        row=number,
        date=date,
        odometer_km=odometer,
        item=item,
        amount_ml=amount,
        note=cells.get("note", ""),
        odometer_as_given=_with_unit(cells.get("odometer", ""), "km"),
        amount_as_given=f"{cells.get('amount', '')} {cells.get('unit', '')}".strip(),
    )


def _plain(item: str) -> str:
    return " ".join(item.lower().split())


def _unit_of(text: str) -> str:
    return _plain(text.replace(".", ""))


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}" if text and text[-1].isdigit() else text


def _date(number: int, text: str, order: Order, faults: list[str]) -> dt.date | None:
    days = readings(text)
    if order in days:
        return days[order]
    if days:  # a day above 12 in the place of the month
        faults.append(
            f"row {number}: date given {text!r}. The others have the "
            f"{'day' if order == ORDERS[0] else 'month'} first. Write it the same way"
        )
    else:
        faults.append(f"row {number}: date given {text!r}. Allowed: {FORMS}")
    return None


_READING = re.compile(r"([\d .,'_]*\d)\s*(km|mi|mile|miles)?", re.IGNORECASE)


def _odometer(number: int, text: str, faults: list[str]) -> float | None:
    if not text:
        return None
    match = _READING.fullmatch(text)
    try:
        digits = without_thousands(match[1]) if match else ""
    except ValueError as fault:
        faults.append(f"row {number}: odometer {fault}")
        return None
    try:
        value = float(digits)
    except ValueError:
        faults.append(f"row {number}: odometer given {text!r}. Allowed: a number, with km (usual) or mi")
        return None
    assert match is not None  # float("") would have raised
    km = value * (KM_PER_MILE if (match[2] or "km").lower().startswith("mi") else 1.0)
    if km > MOST_KM:
        faults.append(f"row {number}: odometer given {text[:40]!r}. Allowed: up to {MOST_KM:,.0f} km")
        return None
    return km


def _amount(number: int, text: str, unit: str, faults: list[str]) -> float | None:
    if not text:
        return None
    plain = _unit_of(unit)
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        faults.append(f"row {number}: amount given {text!r}. Allowed: a number")
        return None
    if plain not in ML:
        faults.append(f"row {number}: unit given {unit!r}. Allowed: {', '.join(ML)}")
        return None
    if not (math.isfinite(value) and value >= 0):
        faults.append(f"row {number}: amount given {text[:40]!r}. Allowed: 0 or more")
        return None
    if value * ML[plain] > MOST_ML:
        faults.append(f"row {number}: amount given {text[:40]!r}. Allowed: up to {MOST_ML:,.0f} ml")
        return None
    return value * ML[plain]


def _odometer_faults(entries: Sequence[Entry]) -> list[str]:
    faults = []
    last: Entry | None = None
    for entry in entries:
        if entry.odometer_km is None:
            continue
        if last is not None and last.odometer_km is not None and entry.odometer_km < last.odometer_km - 0.5:
            faults.append(
                f"row {entry.row}: odometer {entry.odometer_km:.0f} km on {entry.date} is below the "
                f"{last.odometer_km:.0f} km of row {last.row} on {last.date}. Correct one of them, or its "
                "unit or date"
            )
        last = entry
    return faults


def _gaps(entries: Iterable[Entry]) -> tuple[Finding, ...]:
    return tuple(
        Finding(
            code="odometer-missing",
            severity="note",
            message=f"Row {e.row} ({e.item}) has no odometer reading. Its amount is added to the next one that has.",
            evidence={"row": e.row},
        )
        for e in entries
        if e.odometer_km is None and e.amount_ml is not None
    )


# --- what is caught ------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Capture:
    """What was caught over a distance.

    Attributes
    ----------
    from_km, to_km : float
        Odometer at the emptying before, and at this one [km].
    amount_ml : float
        [ml]
    """

    from_km: float
    to_km: float
    amount_ml: float

    @property
    def distance_km(self) -> float:
        """[km]."""
        return self.to_km - self.from_km

    @property
    def per_1000_km(self) -> float:
        """Rate [ml per 1000 km]."""
        return 1000 * self.amount_ml / self.distance_km


@dataclass(frozen=True, kw_only=True)
class Rate:
    """Amount per 1000 km, all captures together.

    Attributes
    ----------
    per_1000_km, low, high : float
        Rate and its interval [ml per 1000 km]; the interval is NaN with a single capture: one rate says nothing of how
        rates differ.
    next_high : float
        Upper end of the interval for the next filling's own rate [ml per 1000 km]; NaN with a single capture.
    captures : int
        How many.
    distance_km, total_ml : float
        Of all captures [km], [ml].
    level : float
        Coverage of the interval.
    """

    per_1000_km: float
    low: float
    high: float
    next_high: float
    captures: int
    distance_km: float
    total_ml: float
    level: float


@dataclass(frozen=True, kw_only=True)
class Trend:
    """Whether the rate rises.

    Attributes
    ----------
    tau, p : float
        Kendall's tau of the rates in order of time and its one-sided p; NaN where there is no answer.
    rising : bool
    sentence : str
        The same in words.
    """

    tau: float
    p: float
    rising: bool
    sentence: str


def captures(ledger: Ledger, item: str = "catch can") -> tuple[Capture, ...]:
    """Return what was caught between one emptying and the next.

    The first row of the item only starts the count (an amount there was caught over an unknown distance). A row without
    odometer is joined to the next that has one.

    Parameters
    ----------
    ledger : Ledger
    item : str
        What is caught.

    Returns
    -------
    tuple of Capture
        In order of time.

    Raises
    ------
    LedgerError
        When an amount was caught over no distance.
    """
    found: list[Capture] = []
    start: float | None = None
    held = 0.0
    for entry in ledger.of(item):
        held += entry.amount_ml or 0.0
        if entry.odometer_km is None:
            continue
        if start is None:
            start, held = entry.odometer_km, 0.0
            continue
        if entry.odometer_km - start < 1:
            if held:
                raise LedgerError(
                    f"row {entry.row}: {held:.0f} ml of {item} over no distance. Correct the odometer or join the rows"
                )
            continue
        found.append(Capture(from_km=start, to_km=entry.odometer_km, amount_ml=held))
        start, held = entry.odometer_km, 0.0
    return tuple(found)


def not_counted(ledger: Ledger, item: str = "catch can") -> str:
    r"""Say which rows with an amount are not counted because their item is another; empty where there is none.

    Parameters
    ----------
    ledger : Ledger
    item : str
        What is caught.

    Returns
    -------
    str
        With the name to give them where it looks as if they belong to it.

    Examples
    --------
    >>> from pullbook.records.ledger import not_counted, parse_ledger
    >>> rows = "2026-03-01,62000,catch can,,\n2026-04-01,63000,catch can emptied,1.2,oz\n"
    >>> not_counted(parse_ledger("date,odometer,item,amount,unit\n" + rows))
    "Not counted: row 3 ('catch can emptied', 1.2 oz). Did you mean 'catch can'? Call all of them by one name."
    """
    others = ledger.not_of(item)
    if not others:
        return ""
    rows = ", ".join(f"row {e.row} ({e.item!r}, {e.amount_as_given})" for e in others[:MOST_NAMED])
    more = f" and {len(others) - MOST_NAMED} more" if len(others) > MOST_NAMED else ""
    name = _plain(item)
    alike = any(name in e.item or e.item in name or difflib.get_close_matches(name, [e.item]) for e in others)
    remedy = f"Did you mean {name!r}? Call all of them by one name." if alike else f"Only rows called {name!r} count."
    return f"Not counted: {rows}{more}. {remedy}"


def capture_rate(found: Sequence[Capture], *, level: float = 0.95) -> Rate:
    """Return the rate of all captures with its interval.

    Parameters
    ----------
    found : sequence of Capture
        One or more.
    level : float
        Coverage of the interval.

    Returns
    -------
    Rate

    Raises
    ------
    LedgerError
        When there is no capture.

    References
    ----------
    Ratio estimator: W. G. Cochran, Sampling Techniques, 3rd ed. (1977), 6.3 and 6.4.

    Examples
    --------
    40 and 50 ml over 2000 km each, by hand: 22.5 ml per 1000 km; 5 ml off it each way, so that with one degree of
    freedom the interval reaches 12.706 * 2.5 ml beyond, cut at zero.

    >>> from pullbook.records.ledger import Capture, capture_rate
    >>> rate = capture_rate(
    ...     [Capture(from_km=0, to_km=2000, amount_ml=40), Capture(from_km=2000, to_km=4000, amount_ml=50)], level=0.95
    ... )
    >>> rate.per_1000_km, rate.low, round(rate.high, 1)
    (22.5, 0.0, 54.3)

    The next filling's rate scatters about that as these two do, 20 and 25, by 3.54: 12.706 * 3.54 * sqrt(1 + 1/2)
    beyond.

    >>> round(rate.next_high, 1)
    77.5
    """
    if not found:
        raise LedgerError(
            "no amount over a known distance. Note the odometer when you fit the can and each time you empty it"
        )
    amounts = np.array([c.amount_ml for c in found])
    km = np.array([c.distance_km for c in found])
    ratio = float(amounts.sum() / km.sum())
    half = reach = math.nan
    if len(found) > 1:
        count = len(found)
        spread = float(np.sum((amounts - ratio * km) ** 2) / (count - 1))
        half = coverage_factor(level, count - 1) * math.sqrt(count * spread) / float(km.sum())
        between = float(np.sum(km * (amounts / km - ratio) ** 2) / ((count - 1) * km.mean()))
        reach = coverage_factor(level, count - 1) * math.sqrt(between * (1 + 1 / count))
    return Rate(
        per_1000_km=1000 * ratio,
        low=max(0.0, 1000 * (ratio - half)) if math.isfinite(half) else math.nan,
        high=1000 * (ratio + half),
        next_high=1000 * (ratio + reach),
        captures=len(found),
        distance_km=float(km.sum()),
        total_ml=float(amounts.sum()),
        level=level,
    )


def passed_earlier_ml(rate: Rate, distance_km: float) -> tuple[float, float, float]:
    """Return what would have passed over an earlier distance at the same rate: an extrapolation.

    Parameters
    ----------
    rate : Rate
    distance_km : float

    Returns
    -------
    amount, low, high : float
        [ml]
    """
    share = distance_km / 1000
    return rate.per_1000_km * share, rate.low * share, rate.high * share


def full_in_km(rate: Rate, *, capacity_ml: float, held_ml: float = 0.0) -> tuple[float, float]:
    """Return the distance until a can is full.

    Parameters
    ----------
    rate : Rate
    capacity_ml, held_ml : float
        What the can holds when full, and now.

    Returns
    -------
    usual, soonest : float
        At the mean rate, and at the upper end of what the next filling's rate may be (a prediction interval: single
        fillings differ more than their mean is uncertain) [km]; NaN where the rate is zero or its interval unknown.
    """
    room = max(0.0, capacity_ml - held_ml)

    def until(per_1000_km: float) -> float:
        return 1000 * room / per_1000_km if per_1000_km > 0 else math.nan

    return until(rate.per_1000_km), until(rate.next_high)


def trend(found: Sequence[Capture]) -> Trend:
    """Test for a rising rate.

    Parameters
    ----------
    found : sequence of Capture
        In order of time; fewer than five give no answer.

    Returns
    -------
    Trend

    References
    ----------
    M. G. Kendall, "A new measure of rank correlation", Biometrika 30 (1938) 81-93; exact for small numbers.

    Examples
    --------
    Five rates, each above the one before: one of the 120 orders that five can have, so p = 1 / 120.

    >>> from pullbook.records.ledger import Capture, trend
    >>> found = trend([Capture(from_km=1000 * k, to_km=1000 * k + 1000, amount_ml=20 + k) for k in range(5)])
    >>> round(found.tau, 6), round(found.p, 4)
    (1.0, 0.0083)
    """
    if len(found) < LEAST_FOR_TREND:
        return Trend(
            tau=math.nan,
            p=math.nan,
            rising=False,
            sentence=f"{len(found)} emptyings are too few to show a trend. It takes {LEAST_FOR_TREND}.",
        )
    from scipy.stats import kendalltau

    rates = [c.per_1000_km for c in found]
    result = kendalltau(range(len(rates)), rates, alternative="greater")
    tau, p = float(result.statistic), float(result.pvalue)
    if not math.isfinite(tau):
        return Trend(tau=math.nan, p=math.nan, rising=False, sentence="All emptyings have the same rate.")
    rising = p < TREND_LEVEL
    sentence = (
        f"The rate is rising (p = {p:.3f}). More blow-by is one cause. Have a qualified technician look at it."
        if rising
        else f"These emptyings show no rise of the rate (p = {p:.3f}). That is not the same as none."
    )
    return Trend(tau=tau, p=p, rising=rising, sentence=sentence)


# --- when again ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Since:
    """Distance and time since the last entry of an item.

    Attributes
    ----------
    item : str
    last : date
        Of its last entry.
    days : int
        From then to today.
    distance_km : float or None
        From then to today's reading [km]; None without readings.
    times : int
        Entries in all.
    usual_km : float or None
        Mean distance between two entries [km]; None with a single reading.
    """

    item: str
    last: dt.date
    days: int
    distance_km: float | None
    times: int
    usual_km: float | None  # the mean of `times` - 1 distances


def day_of(today: str) -> dt.date:
    """Return the day that a text names, or the day it is (UTC) where it is empty.

    Parameters
    ----------
    today : str
        As dates are written elsewhere, or empty.

    Raises
    ------
    LedgerError
        When it names no day, or may name two.
    """
    if not today.strip():
        return dt.datetime.now(tz=dt.UTC).date()
    try:
        day: dt.date = one_day(today)
    except ValueError as fault:
        raise LedgerError(f"today: {fault}, or empty for today") from None
    return day


def since(ledger: Ledger, item: str, *, today: dt.date) -> Since:
    """Return how long ago an item was last done.

    Parameters
    ----------
    ledger : Ledger
    item : str
    today : date

    Returns
    -------
    Since
        Its distance up to the ledger's last reading.

    Raises
    ------
    LedgerError
        When the ledger has no such item.
    """
    entries = ledger.of(item)
    if not entries:
        raise LedgerError(f"service: given {item!r}. The ledger has: {', '.join(ledger.items) or 'nothing'}")
    readings = [e.odometer_km for e in entries if e.odometer_km is not None]
    now = ledger.odometer_km
    steps = np.diff(readings)
    return Since(
        item=entries[-1].item,
        last=entries[-1].date,
        days=(today - entries[-1].date).days,
        distance_km=now - readings[-1] if readings and now is not None else None,
        times=len(entries),
        usual_km=float(np.mean(steps)) if steps.size else None,
    )
