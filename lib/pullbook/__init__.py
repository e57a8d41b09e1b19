"""Before-and-after engine logs: read, found, measured, compared and stated with an honest uncertainty."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from pullbook.analysis import Result, analyse
    from pullbook.comparison import Comparison, compare
    from pullbook.errors import PullbookError
    from pullbook.experiment import Experiment
    from pullbook.logs import Log, read_log
    from pullbook.measures import measure
    from pullbook.runs import Runs, find_runs

# Loaded on first use, so that the command line answers quickly.
_HOME = {
    "Comparison": "comparison",
    "Experiment": "experiment",
    "Log": "logs",
    "PullbookError": "errors",
    "Result": "analysis",
    "Runs": "runs",
    "analyse": "analysis",
    "compare": "comparison",
    "find_runs": "runs",
    "measure": "measures",
    "read_log": "logs",
}

__all__ = [
    "Comparison",
    "Experiment",
    "Log",
    "PullbookError",
    "Result",
    "Runs",
    "analyse",
    "compare",
    "find_runs",
    "measure",
    "read_log",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'pullbook' has no attribute {name!r}")
    return getattr(import_module(f"pullbook.{_HOME[name]}"), name)
