"""What looking again costs: if you drive on until the answer is clear, you have asked more than once.

The price follows from the number of sessions a side and from the number that was stated beforehand, never from how
often the program was run. It keeps false claims up to 8 a side at 5 % where days scatter by up to three quarters of
what is allowed for. Where they scatter by all of it, the looks up to 3 a side, which cost nothing, are beyond that by
themselves, and no price of the later ones brings it back (`tests/study/looks.py` has the figures).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pullbook.text import percent

FREE_SESSIONS = 3  # a side: with so few, the doubt of the allowance leaves room for the earlier looks
SHARE = 0.2  # of the chance of a false claim that a look beyond a plan may use
CALM = 0.75  # of the allowance: up to such a scatter between days, all looks together keep the level


@dataclass(frozen=True, kw_only=True)
class Looks:
    """How many sessions there are, how many were planned, and whether this is one look of several.

    Attributes
    ----------
    before, after : int
        Sessions that the comparison rests on; those of one day count as one.
    planned : int or None
        Sessions a side that the person states were decided on before the first drive.
    level : float
        Coverage over all looks.
    """

    before: int
    after: int
    planned: int | None = None
    level: float = 0.95

    @property
    def kept(self) -> bool:
        """Whether exactly the stated number was driven, on both sides."""
        return self.planned is not None and self.before == self.after == self.planned

    @property
    def charged(self) -> bool:
        """Whether this look is paid for.

        Not if the plan was kept, nor up to `FREE_SESSIONS` a side where no larger number was stated: who states five
        has one look, at five, and the looks before it would use up what that one may.
        """
        few = max(self.before, self.after) <= FREE_SESSIONS
        return not self.kept and not (few and (self.planned or 0) <= FREE_SESSIONS)

    @property
    def each_level(self) -> float:
        """The level that this look is judged at: all together keep ``level`` where days are as calm as `CALM`."""
        return 1 - SHARE * (1 - self.level) if self.charged else self.level

    @property
    def sentence(self) -> str:
        """Say what was stated and what it cost."""
        stated = "" if self.planned is None else f"You planned {self.planned} sessions a side. "
        driven = f"{self.before} before and {self.after} after"
        once, paid = percent(self.level), percent(self.each_level)
        if self.kept:
            return f"{stated}You have {driven}, so this counts as one look, at {once}."
        if not self.charged:
            keep = "Keep to your plan." if stated else "Set the number of sessions beforehand and keep to it."
            return (
                f"{stated}Up to {FREE_SESSIONS} sessions a side the interval does not depend on how often you look. "
                f"But if you stop as soon as the answer is clear, and days differ by as much as we allow for, you are "
                f"wrong more often than {once} suggests. {keep}"
            )
        why = (
            f"You set no number of sessions beforehand, and you have {driven}."
            if self.planned is None
            else f"{stated}You have {driven}, so this is {_kind(self)}."
        )
        return (
            f"{why} If you drive on until the answer is clear, chance gets more tries. So this look is "
            f"judged at {paid}, which makes the interval wider. Up to 8 a side, all looks together then keep {once} if "
            f"days differ by up to {percent(CALM)} of what we allow for. If they differ more, they keep less."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return its part of ``results.json``."""
        return {
            "before": self.before,
            "after": self.after,
            "planned": self.planned,
            "charged": self.charged,
            "each_level": self.each_level,
            "sentence": self.sentence,
        }


def _kind(looks: Looks) -> str:
    assert looks.planned is not None
    early = min(looks.before, looks.after) < looks.planned
    return "a look before the plan is complete" if early else "a look after the plan was complete"
