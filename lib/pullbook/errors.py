"""Refusals, and findings.

A refusal (`PullbookError`) stops the work because no honest figure is possible. A `Finding` does not stop it:
it is gathered, shown beside the figure it touches, and written to the results.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

MOST_FAULTS = 20  # in one message

Severity = Literal["note", "warning", "refusal"]


class PullbookError(Exception):
    """Base of every refusal: the message says what was found, what is allowed and the remedy.

    Every kind is defined in this module: `workbook.execute` recognises a refusal inside a notebook by its name alone.
    """


class ExperimentError(PullbookError):
    """The experiment folder or its ``experiment.yaml`` cannot be used as given."""


class LogError(PullbookError):
    """A log cannot be read, or holds too little to be used."""


class ComparisonError(PullbookError):
    """Before and after cannot be compared: one of them has no usable run."""


class LedgerError(PullbookError):
    """The ledger cannot be used as it stands; the message names each row."""


def fault_lines(faults: Sequence[str]) -> list[str]:
    """Return the faults of a file as the lines of a refusal, at most `MOST_FAULTS` of them.

    Parameters
    ----------
    faults : sequence of str
    """
    more = len(faults) - MOST_FAULTS
    return [f"  - {fault}" for fault in (*faults[:MOST_FAULTS], *([f"and {more} more"] if more > 0 else []))]


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something noticed about a log or a comparison.

    Attributes
    ----------
    code : str
        Stable name for programs, such as ``boost-lower``.
    severity : {"note", "warning", "refusal"}
        A warning changes how the result should be read; a note does not.
    message : str
        One sentence for the person, with the remedy where there is one.
    evidence : mapping
        The figures the sentence rests on (JSON types only).
    """

    code: str
    severity: Severity
    message: str
    evidence: Mapping[str, Any] = field(default_factory=dict)

    @property
    def about_boost(self) -> bool:
        """Whether it is about the boost, changed or not logged (``boost-...``): it stands before the verdict."""
        return self.code.startswith("boost-")

    def to_dict(self) -> dict[str, Any]:
        """Return the finding as plain JSON types."""
        return {
            "code": self.code,
            "severity": self.severity,
            "message": self.message,
            "evidence": dict(self.evidence),
        }


def by_cause(found: Iterable[tuple[str, Finding]]) -> list[tuple[list[str], Finding]]:
    """Join findings of one cause: the same code about the same channels or columns, in any sessions.

    Parameters
    ----------
    found : iterable of (str, Finding)
        Each with the name of its session.

    Returns
    -------
    list of (list of str, Finding)
        The sessions of each cause, and the finding of the first of them.

    Examples
    --------
    >>> from pullbook.errors import Finding, by_cause
    >>> slow = Finding(code="gaps", severity="note", message="2 gaps", evidence={"gaps": 2})
    >>> more = Finding(code="gaps", severity="note", message="5 gaps", evidence={"gaps": 5})
    >>> [(names, finding.message) for names, finding in by_cause([("a", slow), ("b", more)])]
    [(['a', 'b'], '2 gaps')]
    """
    joined: dict[str, tuple[list[str], Finding]] = {}
    for name, finding in found:
        about = {key: value for key, value in finding.evidence.items() if key in _SUBJECTS}
        names, _ = joined.setdefault(repr((finding.code, finding.severity, about)), ([], finding))
        if name not in names:
            names.append(name)
    return list(joined.values())


_SUBJECTS = ("channel", "channels", "column", "columns", "used", "unit", "measures")
