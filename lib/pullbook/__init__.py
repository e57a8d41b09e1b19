"""Before-and-after engine logs: read, found, measured, compared and stated with an honest uncertainty."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from pullbook.analysis.result import Result, analyse
    from pullbook.errors import PullbookError
    from pullbook.reading.logs import Log, read_log
    from pullbook.runs.find import Runs, find_runs
    from pullbook.runs.measures import measure
    from pullbook.settings.experiment import Experiment
    from pullbook.statistics.comparison import Comparison, compare

# Loaded on first use, so that the command line answers quickly.
_HOME = {
    "Comparison": "statistics.comparison",
    "Experiment": "settings.experiment",
    "Log": "reading.logs",
    "PullbookError": "errors",
    "Result": "analysis.result",
    "Runs": "runs.find",
    "analyse": "analysis.result",
    "compare": "statistics.comparison",
    "find_runs": "runs.find",
    "measure": "runs.measures",
    "read_log": "reading.logs",
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
