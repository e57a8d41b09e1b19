"""Damaged files of every kind that is read: each gives a result or a refusal, soon, and never a fault."""

from __future__ import annotations

import atexit
import importlib.util
import io
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import FrameType

import numpy as np

from helpers.samples import SAMPLES, copy_sample
from pullbook import Experiment, PullbookError, read_log
from pullbook.reading.figures import is_figures
from pullbook.reading.gpx import read_track
from pullbook.reading.logs import read_kept
from pullbook.reading.metar import weather_from_metar
from pullbook.records.ledger import parse_ledger
from pullbook.runs.kept import kept_measures, kept_runs
from pullbook.runs.measures import Surroundings
from reading.test_reader_properties import mutate, seeds

LONGEST_S = 10.0  # of the processor, whoever else is at it; no file here is larger than a few 100 kB
MOST_BYTES = 4 << 30
LONGEST_MESSAGE = 6000

Try = Callable[[Path, bytes], None]

# What a YAML parser, an XML parser or a reader of numbers may stumble over.
SNIPPETS = (
    b"!!bool maybe", b'!!int ""', b'!!float ""', b"%YAML 1.0\n---\n", b"9" * 5000, b"&a [*a]", b"<<: {a: 1}",
    b"[" * 500, b"!!python/object:os.system", b"!!timestamp 99999-01-01", b"\xef\xbb\xbf", b"1e999", b".nan", b"-.inf",
    b"<trk>" * 200, b"<!DOCTYPE x [<!ENTITY a 'b'>]>&a;", b"2100-01-01T00:00:00Z", b'lat="nan"', b"x" * 140_000,
    b"Q9999", b"A0000", b"M99/M99", b"0" * 400, b"-101325",
)  # fmt: skip


class TooLong(BaseException):
    """A file took longer than it may."""


@dataclass
class Outcome:
    """What came of the files of one kind."""

    kind: str
    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    slowest_s: float = 0.0

    def __str__(self) -> str:
        """Return one line for the table."""
        said = ", ".join(f"{count} {what}" for what, count in sorted(self.counts.items()))
        return f"{self.kind:9s} {self.counts.total():6d} files: {said}; slowest {self.slowest_s:.2f} s"


@cache
def kinds() -> dict[str, tuple[tuple[bytes, ...], str, Try]]:
    """Return for each kind of file its sound ones, its suffix, and what reads it."""
    settings = (SAMPLES / "two_evenings" / "experiment.yaml").read_bytes()  # its logs lie beside, in `_home`
    reports = (
        b"METAR XXXX 141250Z 24008KT 9999 FEW030 12/07 Q1013",
        b"METAR XXXX 141250Z AUTO VRB02KT CAVOK M03/M05 A2992 RMK",
    )  # fmt: skip
    found: dict[str, tuple[tuple[bytes, ...], str, Try]] = {
        "logs": (seeds(), ".csv", lambda path, _: void(read_log(path))),
        "figures": (_tables(), ".csv", _figures),
        "yaml": ((settings,), ".yaml", _settings),
        "gpx": ((_track(),), ".gpx", lambda path, _: void(read_track(path))),
        "metar": (reports, ".txt", lambda _, content: void(weather_from_metar(content.decode("utf-8", "replace")))),
        "ledger": (
            ((SAMPLES / "fin_wash" / "ledger.csv").read_bytes(),),
            ".csv",
            lambda _, content: void(parse_ledger(content.decode("utf-8", "replace"))),
        ),
    }
    if importlib.util.find_spec("pyarrow") is not None:
        found["parquet"] = ((_parquet(),), ".parquet", lambda path, _: void(read_log(path)))
    return found


def void(_: object) -> None:
    """Take a result and say nothing of it."""


@cache
def _home() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="pullbook-audit-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return copy_sample("two_evenings", folder / "experiment")


def _settings(_: Path, content: bytes) -> None:
    (_home() / "experiment.yaml").write_bytes(content)
    Experiment.load(_home())


def _tables() -> tuple[bytes, ...]:
    rows = "".join(f"pull,{k},14,5{k},18,88,210,5.{k}\n" for k in range(1, 6))
    plain = (
        f"kind,number,inlet [°C],charge [°C],charge at start [°C],coolant [°C],boost [kPa gauge],60-90 km/h [s]\n{rows}"
    )
    german = "Art;Nr.;Ansaugluft;Ladeluft;Ladedruck\n;;°C;°C;bar abs\npull;1;14,5;61,0;2,12\ncruise;1;14,0;21,5;1,1\n"
    return plain.encode(), german.encode(), german.encode("cp1252")


def _figures(path: Path, _: bytes) -> None:
    is_figures(path)
    log = read_kept(path)
    assert log.figures is not None
    kept_measures(log, kept_runs(log.figures), Surroundings())


def _track() -> bytes:
    points = "".join(
        f'<trkpt lat="{0.001 * k:.5f}" lon="10.0"><ele>{k}</ele><time>2026-03-14T12:00:{k:02d}Z</time></trkpt>\n'
        for k in range(60)
    )
    head = '<?xml version="1.0"?>\n<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
    return f"{head}<trk><trkseg>\n{points}</trkseg></trk></gpx>".encode()


def _parquet() -> bytes:
    import pandas as pd

    frame = pd.DataFrame({"Time [s]": np.arange(300) * 0.2, "Vehicle speed [km/h]": 50 + np.sin(np.arange(300) / 9)})
    stream = io.BytesIO()
    frame.to_parquet(stream)
    return stream.getvalue()


def damaged(sound: Sequence[bytes], rng: np.random.Generator) -> bytes:
    """Return a damaged file."""
    content = mutate(sound[int(rng.integers(0, len(sound)))], rng)
    if rng.integers(0, 3) == 0:
        at = int(rng.integers(0, len(content) + 1))
        content = content[:at] + SNIPPETS[int(rng.integers(0, len(SNIPPETS)))] + content[at:]
    return content


def fuzz(kind: str, count: int, *, seed: int, keep: Path) -> Outcome:
    """Read so many damaged files of one kind.

    Parameters
    ----------
    kind : str
        One of `kinds`.
    count, seed : int
    keep : Path
        Folder for the files that ended in a fault.
    """
    sound, suffix, attempt = kinds()[kind]
    rng = np.random.default_rng(seed)
    outcome = Outcome(kind)
    previous = signal.signal(signal.SIGPROF, _too_long)
    path = keep / f"current-{kind}{suffix}"
    try:
        for k in range(count):
            content = damaged(sound, rng)
            path.write_bytes(content)
            started = time.perf_counter()
            signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
            try:
                attempt(path, content)
                said = "read"
            except PullbookError as refusal:
                said = "refused" if 10 < len(str(refusal)) < LONGEST_MESSAGE else "refused at too great length"
            except TooLong:
                said = "too slow"
            except Exception as fault:
                said = f"fault: {type(fault).__name__}"
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
            outcome.counts[said] += 1
            outcome.slowest_s = max(outcome.slowest_s, time.perf_counter() - started)
            if said not in ("read", "refused"):
                kept = keep / f"{kind}-{seed}-{k}{suffix}"
                kept.write_bytes(content)
                outcome.faults.append(f"{said}: {kept}")
    finally:
        signal.signal(signal.SIGPROF, previous)
        path.unlink(missing_ok=True)
    return outcome


def _too_long(_: int, __: FrameType | None) -> None:
    raise TooLong


def main() -> None:
    """Fuzz one kind, in a process of its own: ``python -m audit.fuzz KIND COUNT SEED FOLDER``."""
    kind, count, seed, keep = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    outcome = fuzz(kind, count, seed=seed, keep=keep)
    print(outcome)
    print("\n".join(f"  {fault}" for fault in outcome.faults[:10]))
    sys.exit(bool(outcome.faults))


if __name__ == "__main__":
    main()
