"""Waiting for what has to come. The ends are for a machine that is loaded many times over: no test judges speed."""

from __future__ import annotations

import time
from collections.abc import Callable

LONGEST_S = 300.0


def wait_until(condition: Callable[[], object], what: str = "it") -> None:
    """Wait until a condition holds."""
    end = time.monotonic() + LONGEST_S
    while not condition():
        assert time.monotonic() < end, f"{what} never came"
        time.sleep(0.02)
