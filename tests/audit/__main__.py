"""The whole battery: ``PYTHONPATH=tests python -m audit [--seed N] [--share 0.1]``; status 1 for a broken promise."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from audit.canaries import canaries
from audit.fuzz import kinds
from audit.kills import full_disks, kills, whole_runs
from audit.leaks import SECRETS, WAYS, files_with, leaks, with_secrets, written
from helpers.samples import copy_sample

FILES = {"logs": 2000, "yaml": 2000, "gpx": 1000, "metar": 4000, "ledger": 3000, "parquet": 1000}
LONGEST_S = 600.0  # for all files of a kind: one of them may wait for something that never comes


def fuzzed(kind: str, count: int, seed: int, keep: Path) -> bool:
    """Fuzz one kind in a process of its own, which may hang or crash; return whether all went well."""
    command = [sys.executable, "-m", "audit.fuzz", kind, str(count), str(seed), str(keep)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_S, check=False)
    except subprocess.TimeoutExpired:
        print(f"{kind:9s} did not end within {LONGEST_S:.0f} s; the last file is {keep}/current-{kind}.*")
        return False
    print(done.stdout.rstrip() or f"{kind:9s} ended with status {done.returncode}: {done.stderr.strip()[-300:]}")
    return done.returncode == 0


def posted(work: Path) -> Counter[str]:
    """Search what would be posted for every secret in every way."""
    from pullbook.settings.share import fit_to_share
    from pullbook.workbook.run import run_workbook

    ended: Counter[str] = Counter()
    for way in WAYS:
        given = files_with([f"seen: {written(secret, way)} then" for secret in SECRETS])
        ended["planted in files"] += len(SECRETS) * len(given)
        ended.update(f"WRONG: {leak}, {way}" for leak in leaks(fit_to_share(given)))
    folder = run_workbook(with_secrets(copy_sample("two_evenings", work / "posted")), progress=False).folder
    ended["planted in an experiment"] = len(SECRETS)
    ended.update(f"WRONG: {leak}" for leak in leaks({path.name: path.read_bytes() for path in folder.iterdir()}))
    return ended


def told(what: str, ended: Counter[str]) -> bool:
    """Print what came of a part; return whether all went well."""
    print(f"{what}: " + "; ".join(f"{count} {how}" for how, count in sorted(ended.items())))
    return not any(how.startswith("WRONG") or how.endswith("status 1") for how in ended)


def main() -> None:
    """Run every part and print counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=int(time.time()), help="of what is drawn; printed")
    parser.add_argument("--share", type=float, default=1.0, help="of the numbers of files and kills")
    asked = parser.parse_args()
    os.environ["PYTHONPATH"] = str(Path(__file__).parents[1])  # whole: children get no relative part of it
    keep = Path(tempfile.mkdtemp(prefix="pullbook-audit-"))
    started = time.monotonic()
    print(f"seed {asked.seed}; files that end in a fault are kept in {keep}", flush=True)

    def of(count: int) -> int:
        return max(1, round(asked.share * count))

    good = []
    for kind, count in FILES.items():
        if kind in kinds():
            good.append(fuzzed(kind, of(count), asked.seed, keep))
        else:
            print(f"{kind:9s} left out: pyarrow is not installed")
        sys.stdout.flush()
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        parts = {
            "kills at accesses to files": lambda: kills(of(180), seed=asked.seed, work=work),
            "kills of whole runs": lambda: whole_runs(of(20), seed=asked.seed, work=work),
            "full disks": lambda: full_disks(of(60), seed=asked.seed, work=work),
            "canaries": lambda: canaries(work=work),
            "leaks": lambda: posted(work),
        }
        for what, part in parts.items():
            good.append(told(what, part()))
            sys.stdout.flush()
    if not any(keep.iterdir()):
        keep.rmdir()
    print(f"{sum(good)} of {len(good)} parts kept their promise, in {time.monotonic() - started:.0f} s")
    sys.exit(not all(good))


if __name__ == "__main__":
    main()
