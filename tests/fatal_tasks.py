"""What stands for the analysis where processes have to die; apart, so that another process loads it quickly."""

from __future__ import annotations

import os
import signal
from pathlib import Path


def fatal(task: tuple[str, str]) -> str:
    """Kill the process always, once (a file remembers it), or not at all, and say what was asked."""
    kind, path = task
    if kind == "always" or (kind == "once" and not Path(path).exists()):
        Path(path).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return f"{kind} {Path(path).name}"
