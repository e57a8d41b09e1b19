"""Distances and amounts in the unit that a person keeps them in, worded one way wherever they stand."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pullbook.records.ledger import KM_PER_MILE, ML


@dataclass(frozen=True)
class Distance:
    """Distances in the unit that the ledger was kept in.

    Attributes
    ----------
    miles : bool
        Whether that is miles.
    """

    miles: bool

    @property
    def unit(self) -> str:
        """Its name."""
        return "miles" if self.miles else "km"

    @property
    def km(self) -> float:
        """How many km one of the unit is."""
        return KM_PER_MILE if self.miles else 1.0

    def text(self, km: float, digits: int = 6) -> str:
        """Return a distance with its unit, to so many digits, its thousands grouped."""
        return f"{self.number(km, digits)} {self.unit}"

    def number(self, km: float, digits: int = 6) -> str:
        """Return a distance without its unit, to so many digits, its thousands grouped."""
        value = km / self.km
        if value > 0:
            value = round(value, min(0, digits - math.ceil(math.log10(value))) if digits < 6 else 0)
        return f"{value:,.0f}"

    def round_one(self, km: float) -> float:
        """Return the nearest of 1, 2 or 5 times a power of ten in the unit, in km: what a person would say."""
        value = max(km / self.km, 1.0)
        power = 10 ** math.floor(math.log10(value))
        nearest: float = min((step * power for step in (1, 2, 5, 10)), key=lambda near: abs(math.log(near / value)))
        return nearest * self.km


@dataclass(frozen=True)
class Amount:
    """Amounts in the unit that they were entered in.

    Attributes
    ----------
    unit : str
        A key of `pullbook.records.ledger.ML`.
    """

    unit: str

    @property
    def ml(self) -> float:
        """How many ml one of the unit is."""
        return ML[self.unit]

    def text(self, ml: float) -> str:
        """Return an amount with its unit."""
        return f"{self.number(ml)} {self.unit}"

    def number(self, ml: float) -> str:
        """Return an amount without its unit."""
        value = ml / self.ml
        return f"{value:,.0f}" if value >= 10 or value == 0 else f"{value:.1f}"
