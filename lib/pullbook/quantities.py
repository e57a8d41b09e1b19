"""Quantities as a person types and reads them: in metric or US units; internally they never change.

Inside, and in every stored result, temperatures are in °C, differences of temperature in K, speeds in km/h and
pressures in kPa. The unit alone therefore says whether an offset belongs to a conversion: °C has one, K has none.
Factors are the definitions of the units (mile, foot, pound) or follow from them (NIST SP 811 (2008), appendix B; from
memory).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Literal

from pullbook.text import number, unit_suffix

System = Literal["metric", "us"]

_MILE_KM, _FOOT_M, _POUND_KG, _PSI_KPA, _HP_KW = 1.609344, 0.3048, 0.45359237, 6.894757, 0.7456999
_INHG_KPA, _CUBIC_INCH_L, _OUNCE_ML = 3.386389, 0.016387064, 29.57353

# By internal unit: what is shown in its place, how many of it one internal unit is, the offset of the scale, and how
# many more decimals say as much.
_US: dict[str, tuple[str, float, float, int]] = {
    "°C": ("°F", 1.8, 32.0, 0),
    "K": ("°F", 1.8, 0.0, 0),
    "km/h": ("mph", 1 / _MILE_KM, 0.0, 0),
    "rpm per km/h": ("rpm per mph", _MILE_KM, 0.0, -1),
    "m/s": ("mph", 3.6 / _MILE_KM, 0.0, 0),
    "kPa": ("psi", 1 / _PSI_KPA, 0.0, 1),
    "hPa": ("inHg", 0.1 / _INHG_KPA, 0.0, 2),
    "km": ("mi", 1 / _MILE_KM, 0.0, 0),
    "m": ("ft", 1 / _FOOT_M, 0.0, 0),
    "g/s": ("lb/min", 0.06 / _POUND_KG, 0.0, 1),
    "kg/m³": ("lb/ft³", _FOOT_M**3 / _POUND_KG, 0.0, 1),
    "kW": ("hp", 1 / _HP_KW, 0.0, 0),
    "ml": ("fl oz", 1 / _OUNCE_ML, 0.0, 1),
}
# By internal unit: the units that may be typed in its place, each with its size in it and the offset of its scale.
_TYPED: dict[str, dict[str, tuple[float, float]]] = {
    "°C": {"°C": (1, 0), "°F": (1 / 1.8, -32 / 1.8), "K": (1, -273.15)},
    "K": {"K": (1, 0), "°C": (1, 0), "°F": (1 / 1.8, 0)},
    "km/h": {"km/h": (1, 0), "mph": (_MILE_KM, 0), "m/s": (3.6, 0)},
    "m/s": {"m/s": (1, 0), "km/h": (1 / 3.6, 0), "mph": (_MILE_KM / 3.6, 0), "kn": (1.852 / 3.6, 0)},
    "kPa": {"kPa": (1, 0), "psi": (_PSI_KPA, 0), "bar": (100, 0), "hPa": (0.1, 0), "inHg": (_INHG_KPA, 0)},
    "hPa": {
        "hPa": (1, 0), "mbar": (1, 0), "kPa": (10, 0), "inHg": (10 * _INHG_KPA, 0), "psi": (10 * _PSI_KPA, 0),
        "bar": (1000, 0),
    },
    "km": {"km": (1, 0), "mi": (_MILE_KM, 0), "miles": (_MILE_KM, 0)},
    "m": {"m": (1, 0), "ft": (_FOOT_M, 0)},
    "g/s": {"g/s": (1, 0), "kg/h": (1 / 3.6, 0), "lb/min": (_POUND_KG / 0.06, 0)},
    "kg/m³": {"kg/m³": (1, 0), "kg/m3": (1, 0), "lb/ft³": (_POUND_KG / _FOOT_M**3, 0),
              "lb/ft3": (_POUND_KG / _FOOT_M**3, 0)},
    "kW": {"kW": (1, 0), "hp": (_HP_KW, 0)},
    "kg": {"kg": (1, 0), "lb": (_POUND_KG, 0), "lbs": (_POUND_KG, 0), "t": (1000, 0)},
    "L": {"L": (1, 0), "cc": (0.001, 0), "cm³": (0.001, 0), "cu in": (_CUBIC_INCH_L, 0)},
    "ml": {"ml": (1, 0), "cc": (1, 0), "cm³": (1, 0), "L": (1000, 0), "fl oz": (_OUNCE_ML, 0), "oz": (_OUNCE_ML, 0)},
    "s": {"s": (1, 0), "min": (60, 0)},
    "%": {"%": (1, 0)},
    "1": {},
}  # fmt: skip


@dataclass(frozen=True)
class Shown:
    """The units that figures are shown in.

    Attributes
    ----------
    system : {"metric", "us"}

    Examples
    --------
    Water boils at 212 °F, and 2 K between two temperatures are 3.6 °F:

    >>> from pullbook.quantities import METRIC, US
    >>> US.quantity(100.0, "°C", 0), US.quantity(2.0, "K", 1), METRIC.quantity(2.0, "K", 1)
    ('212 °F', '3.6 °F', '2.0 K')
    """

    system: System

    def unit(self, unit: str) -> str:
        """Return the unit that is shown in place of an internal one; what is not converted stays."""
        return self._scale(unit)[0]

    def value(self, value: Any, unit: str) -> Any:
        """Return a figure, or an array of them, in the unit that is shown."""
        _, factor, offset, _ = self._scale(unit)
        return value * factor + offset if factor != 1 or offset else value

    def digits(self, digits: int, unit: str) -> int:
        """Return the decimals that say as much in the unit shown as so many in the internal one."""
        return max(0, digits + self._scale(unit)[3])

    def number(self, value: float, unit: str, digits: int) -> str:
        """Return a figure without its unit, a dash where it is not known; ``digits`` as in the internal unit."""
        return number(self.value(value, unit), self.digits(digits, unit))

    def quantity(self, value: float, unit: str, digits: int) -> str:
        """Return a figure with its unit; ``digits`` as in the internal unit."""
        return self.number(value, unit, digits) + unit_suffix(self.unit(unit))

    def brief(self, value: float, unit: str) -> str:
        """Return a figure that somebody typed, such as a worthwhile change, with its unit: three digits, no zeros."""
        return f"{float(f'{self.value(value, unit):.3g}'):.9g}{unit_suffix(self.unit(unit))}"

    def typed(self, given: str, unit: str) -> float:
        """Return a difference, speed or other size that somebody typed in an internal unit; a number alone is as shown.

        Parameters
        ----------
        given : str
            ``2``, or ``2 °F``.
        unit : str
            Internal, without an offset.

        Raises
        ------
        ValueError
            When it is no number with a unit that fits.

        Examples
        --------
        >>> from pullbook.quantities import METRIC, US
        >>> US.typed("3.6", "K"), METRIC.typed("3.6", "K"), METRIC.typed("3.6F", "K")
        (2.0, 3.6, 2.0)
        """
        size = float(typed(given, unit))
        alone = _GIVEN.fullmatch(given.strip())
        return size / float(self.value(1.0, unit)) if alone and not alone[2] else size

    def text(self, text: str) -> str:
        """Return a sentence of ours with each quantity in the units shown; what stands in quotes is left alone.

        Parameters
        ----------
        text : str
            Differences of temperature in K, temperatures in °C, as everywhere inside.

        Examples
        --------
        >>> from pullbook.quantities import US
        >>> US.text("The air was 14 °C at 90 km/h, 2 K colder than the 20 ± 1 °C of before.")
        'The air was 57 °F at 56 mph, 3.6 °F colder than the 68.0 ± 1.8 °F of before.'
        """
        return text if self.system == "metric" else _QUANTITY.sub(self._converted, text)

    def _converted(self, match: re.Match[str]) -> str:
        if match["quoted"]:
            return match["quoted"]
        unit, plus_minus = match["unit"], match["figures"].partition("±")[0]
        found = list(_FIGURE.finditer(match["figures"]))
        # A figure after ± is a difference, whatever comes before it.
        units = ["K" if unit == "°C" and figure.start() >= len(plus_minus) else unit for figure in found]
        values = [
            self.value(float(figure["digits"].replace(",", "")) * (-1 if figure["sign"] in _MINUS else 1), of)
            for figure, of in zip(found, units, strict=True)
        ]
        decimals = max(len(figure["digits"].partition(".")[2]) for figure in found)
        known = decimals - 1 if unit == "K" and decimals > 2 else decimals  # a °F is nearly half a K
        digits = max(self.digits(known, unit), *(_for_two_figures(value) for value in values))
        trim = digits and unit != "kPa" and (not decimals or unit == "km/h")
        said = [f"{abs(value):{',' if ',' in match['figures'] else ''}.{digits}f}" for value in values]
        if trim and all(text.endswith("0" * digits) for text in said):
            said = [text[: -digits - 1] for text in said]
        figures = iter(
            f"{_sign(figure['sign'], value)}{text}" for figure, value, text in zip(found, values, said, strict=True)
        )
        return f"{_FIGURE.sub(lambda _: next(figures), match['figures'])}{match['gap']}{self.unit(unit)}"

    def _scale(self, unit: str) -> tuple[str, float, float, int]:
        if self.system == "metric":
            return unit, 1.0, 0.0, 0
        if unit in _US:
            return _US[unit]
        if " absolute" in unit:
            shown, factor, offset, extra = self._scale(unit.removesuffix(" absolute"))
            return f"{shown} absolute", factor, offset, extra
        over = " per " if " per " in unit else "/"
        above, _, below = unit.rpartition(over)
        if above not in _US:
            return unit, 1.0, 0.0, 0
        upper, lower = _US[above], ("1000 mi", *_US["km"][1:]) if below == "1000 km" else self._scale(below)
        factor = upper[1] / lower[1]
        return f"{upper[0]}{over}{lower[0]}", factor, 0.0, max(0, -math.floor(math.log10(factor)))


def _for_two_figures(value: float) -> int:
    """Return the decimals that show two figures of a small value, that 2 K are not 4 °F."""
    return 1 - math.floor(math.log10(abs(value))) if 0 < abs(value) < 10 else 0


def _sign(written: str, value: float) -> str:
    """Return the sign of a converted figure; a temperature below 0 °C may lie above 0 °F."""
    if value < 0:
        return written if written in _MINUS else "-"
    return "" if written in _MINUS else written


METRIC, US = Shown("metric"), Shown("us")

_MINUS = {"-", "−"}
_FIGURE = re.compile(r"(?P<sign>(?<![\w.)])[+−±-]?)(?P<digits>\d[\d,]*(?:\.\d+)?)")
_CHAIN = r"(?<![\w.,])[+−±-]?\d[\d,]*(?:\.\d+)?(?:(?: to | and | or | ± |–|-)[+−-]?\d[\d,]*(?:\.\d+)?)*"
_UNITS = "|".join(sorted(map(re.escape, _US), key=len, reverse=True))
_QUANTITY = re.compile(
    rf"(?P<quoted>(?<!\w)'[^'\n]*'(?!\w))|(?P<figures>{_CHAIN})(?P<gap>[ \u00a0])"
    rf"(?P<unit>(?:{_UNITS})(?:/(?:K|kPa|min|s)| per (?:K|kPa|km/h|1000 km))?)(?![\w²³/])"
)
_GIVEN = re.compile(r"([+−-]?\d*\.?\d+(?:[eE][+-]?\d+)?)\s*(.*)", re.DOTALL)


def typed(given: Any, unit: str) -> Any:
    """Return a typed setting in an internal unit; what is no text passes, to be judged as a number.

    Parameters
    ----------
    given : object
        ``45``, or text such as ``45 mph``.
    unit : str
        Internal: °C for a temperature, K for a difference of temperatures, km/h, kPa and so on.

    Returns
    -------
    object

    Raises
    ------
    ValueError
        When the text is no number with a unit that fits; says which do.

    Examples
    --------
    The freezing point, and a difference:

    >>> from pullbook.quantities import typed
    >>> typed("32 °F", "°C"), typed("3.6 °F", "K"), typed(90, "km/h")
    (0.0, 2.0, 90)
    """
    if not isinstance(given, str):
        return given
    fitting = _TYPED.get(unit, {})
    write = f"write a number with its unit ({', '.join(fitting)}), or a number alone" if fitting else "write a number"
    if comma := re.fullmatch(r"([+-]?\d+),(\d+)(.*)", given.strip()):
        raise ValueError(f"given {given[:80]!r}; write it with a point: {comma[1]}.{comma[2]}{comma[3][:40]}")
    match = _GIVEN.fullmatch(given.strip())
    if match is None:
        raise ValueError(f"given {given[:80]!r}; {write}")
    value = float(match[1].replace("−", "-"))
    if not match[2]:
        return value
    scale = {_plain(name): size for name, size in fitting.items()}.get(_plain(match[2]))
    if scale is None:
        raise ValueError(f"given {given[:80]!r}; {match[2][:40]!r} is no unit for it: {write}")
    return round(value * scale[0] + scale[1], _TYPED_DIGITS.get(unit, 9)) + 0.0


def names_us(given: str, unit: str) -> bool:
    """Say whether a size was typed in the US unit that is shown in place of an internal one, such as ``2 °F`` of K."""
    match, us = _GIVEN.fullmatch(given.strip()), US.unit(unit)
    return us != unit and match is not None and _plain(match[2]) == _plain(us)


def odometer_typed(given: Any) -> Any:
    """Return a typed odometer reading [km]; what is no text passes, to be judged as a number.

    Parameters
    ----------
    given : object
        ``98600``, or text such as ``61,250 miles``: a comma, space or apostrophe before three digits parts thousands.

    Raises
    ------
    ValueError
        When the text is no number with a unit of length, or a point may part thousands.

    Examples
    --------
    >>> from pullbook.quantities import odometer_typed
    >>> odometer_typed("61,250 km"), odometer_typed("61250.5")
    (61250.0, 61250.5)
    """
    if not isinstance(given, str):
        return given
    return typed(without_thousands(given), "km")


def without_thousands(given: str) -> str:
    """Return an odometer reading without the commas, spaces and apostrophes that part its thousands.

    Raises
    ------
    ValueError
        When a point stands before exactly three digits: it may part thousands, and no odometer shows metres.
    """
    plain = _THOUSANDS.sub("", given.strip())
    if point := re.match(r"(\d{1,3})((?:\.\d{3})+)(?![\d.])", plain):
        whole = f"{point[1]}{point[2].replace('.', '')}"
        raise ValueError(
            f"given {given[:40]!r}, which may be {whole} or {point[0]}; allowed: a number without a point before three "
            f"digits, such as {whole}"
        )
    return plain


_THOUSANDS = re.compile(r"(?<=\d)[ ,'_](?=\d{3}(?:\D|$))")
_TYPED_DIGITS = {"km/h": 2}  # a speed names columns; no speedometer knows a hundredth


def _plain(unit: str) -> str:
    """Return a unit as it is compared: ``deg F``, ``F`` and ``°F`` are one, as are ``kmh``, ``kph`` and ``km/h``."""
    plain = unit.strip().lower().replace("°", "").removeprefix("degrees").removeprefix("deg").strip(" .")
    return {"kmh": "km/h", "kph": "km/h", "mi/h": "mph", "fahrenheit": "f", "celsius": "c", "kelvin": "k"}.get(
        plain, plain
    )
