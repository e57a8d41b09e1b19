"""What can go wrong, and what was noticed.

A refusal (`PullbookError`) stops the work because no honest figure is possible. A `Finding` does not stop it:
it is gathered, shown beside the figure it touches, and written to the results.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Severity = Literal["note", "warning", "refusal"]


class PullbookError(Exception):
    """Base of every refusal: the message says what was found, what is allowed and the remedy.

    Every kind of it stands in this module, so that a refusal inside a notebook is known for one by its name.
    """


class ExperimentError(PullbookError):
    """The experiment folder or its ``experiment.yaml`` cannot be used as given."""


class LogError(PullbookError):
    """A log cannot be read, or holds too little to be used."""


class ComparisonError(PullbookError):
    """Before and after cannot be compared: one of them has no usable run."""


class LedgerError(PullbookError):
    """The ledger cannot be used as it stands; the message names each row."""


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
        """Whether it says that boost or air flow is not what it was: to be read before anything else."""
        return self.code.startswith("boost-")

    def to_dict(self) -> dict[str, Any]:
        """Return the finding as plain JSON types."""
        return {
            "code": self.code,
            "severity": self.severity,
            "message": self.message,
            "evidence": dict(self.evidence),
        }
