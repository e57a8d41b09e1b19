"""Write the sample experiments: ``python -m pullbook.simulate FOLDER``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from pullbook.simulate.scenarios import SCENARIOS, THREE_SPRINGS, write_experiment


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the sample experiments into the folder named on the command line, with seed 1; return the exit status."""
    given = sys.argv[1:] if arguments is None else list(arguments)
    if len(given) != 1:
        sys.stderr.write("usage: python -m pullbook.simulate FOLDER\n")
        return 2
    for name, scenario in (SCENARIOS | THREE_SPRINGS).items():
        write_experiment(Path(given[0]) / name, scenario, seed=1)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
