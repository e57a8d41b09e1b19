"""What stands for the analysis where processes have to die; apart, so that another process loads it quickly."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from pathlib import Path


def stubborn(path: str) -> int:
    """Turn a deaf ear to a polite request to end, and say which process does so."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    threading.Thread(target=time.sleep, args=(60.0,)).start()  # an end that waits for it
    return os.getpid()


def slow(seconds: float) -> str:
    """Take a while."""
    time.sleep(seconds)
    return f"after {seconds:g} s"


def fatal(task: tuple[str, str]) -> str:
    """Kill the process always, once (a file remembers it), or not at all, and say what was asked."""
    kind, path = task
    if kind == "always" or (kind == "once" and not Path(path).exists()):
        Path(path).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return f"{kind} {Path(path).name}"


def module_path(_: str) -> tuple[list[str], dict[str, str]]:
    """Say where this process imports from, and by which of its variables."""
    return list(sys.path), {k: v for k, v in os.environ.items() if k in ("PYTHONPATH", "PYTHONSAFEPATH")}
