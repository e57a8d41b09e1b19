"""How long help takes, against Python alone, in one run: ``python -m bench.start``; exit status 1 above the bar."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

TURNS = 10
BAR_S = 0.25


def seconds(command: list[str]) -> float:
    """Time one command, its start included."""
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


def main() -> int:
    """Print the medians, taken in turn so that load hits both, and hold their difference to the bar."""
    nothing = [sys.executable, "-c", "pass"]
    asked = [str(Path(sys.executable).parent / "pullbook"), "--help"]
    seconds(nothing), seconds(asked)  # warm the disk
    pairs = [(seconds(nothing), seconds(asked)) for _ in range(TURNS)]
    base, ours = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"median of {TURNS}, in turn")
    print(f"python -c pass              {base:6.3f} s")
    print(f"pullbook --help             {ours:6.3f} s   {ours - base:+.3f} s (at most {BAR_S} s)")
    return int(ours - base > BAR_S)


if __name__ == "__main__":
    sys.exit(main())
