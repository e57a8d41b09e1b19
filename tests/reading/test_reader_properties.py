"""Whatever the bytes: a log, or a refusal that says what was found, what is allowed and the remedy."""

import gzip
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pullbook import PullbookError, read_log
from pullbook.reading.logs import Log
from pullbook.simulate import Cooler, Cruise, Idle, Pull, Vehicle, Weather, drive, record

REMEDY = re.compile(
    r"Allowed|Export|Copy|Give|Check|Cut|Name|Sort|Log fewer|Rename|Was the logger|Install|Add|allowed", re.IGNORECASE
)


@cache
def seeds() -> tuple[bytes, ...]:
    """Return small logs of every layout and of raw answers."""
    trace = drive(
        vehicle=Vehicle(),
        cooler=Cooler(),
        weather=Weather(ambient_c=15.0),
        script=(Idle(duration_s=5), Cruise(speed_kmh=60, duration_s=20), Pull(from_kmh=40, to_kmh=90)),
        rng=None,
    )
    styles = [
        {"layout": layout, "time_format": form, "delimiter": delimiter, "decimal": decimal, "imperial": imperial}
        for layout, form, delimiter, decimal, imperial in [
            ("held", "clock", ",", ".", False),
            ("sweep", "seconds", ";", ",", True),
            ("sparse", "iso", "\t", ".", False),
            ("long", "milliseconds", "|", ".", True),
        ]
    ]
    logs = [record(trace, rng=np.random.default_rng(1), **style).encode() for style in styles]
    logs.append(logs[0].decode().encode("utf-16"))
    logs.append("".join(f"{k * 0.2:.1f} 7E8 03 41 0D {k % 99:02X}\n" for k in range(200)).encode())
    logs.append(gzip.compress(logs[1]))
    return tuple(logs)


CELLS = (
    b"--",
    b"N/A",
    b"1e308",
    b"-1e308",
    b"inf",
    b"nan",
    b"99999999999999999999",
    b"\xff\xfe",
    b"\0",
    b'"',
    b"\xc2\xb0C",
    b"1970-01-01T00:00:00",
    b"24:61:61",
    b"",
    b"-40",
    b"0x41",
    b"1.2.3",
    b"true",
)


def mutate(content: bytes, rng: np.random.Generator) -> bytes:
    """Damage a file as transfers, crashes, loggers and hostile hands do, once to four times over."""
    for _ in range(rng.integers(1, 5)):
        kind = rng.integers(0, 10)
        at, to = sorted(int(k) for k in rng.integers(0, len(content) + 1, 2))
        lines = content.split(b"\n")
        row, other = (int(k) for k in rng.integers(0, len(lines), 2))
        if kind == 0:  # bits flip
            damaged = bytearray(content)
            for k in rng.integers(0, max(1, len(content)), rng.integers(1, 30)):
                if damaged:
                    damaged[k % len(damaged)] ^= 1 << int(rng.integers(0, 8))
            content = bytes(damaged)
        elif kind == 1:  # cut off
            content = content[:at]
        elif kind == 2:  # a part is missing
            content = content[:at] + content[min(to, at + 3000) :]
        elif kind == 3:  # a part comes twice
            content = content[:to] + content[at:to][:5000] + content[to:]
        elif kind == 4:  # junk in between
            content = content[:at] + rng.bytes(int(rng.integers(1, 300))) + content[at:]
        elif kind == 5:  # a cell is something else
            cells = re.split(rb"([,;\t|])", lines[row])
            cells[int(rng.integers(0, len(cells)))] = CELLS[int(rng.integers(0, len(CELLS)))]
            lines[row] = b"".join(cells)
            content = b"\n".join(lines)
        elif kind == 6:  # lines change places
            lines[row], lines[other] = lines[other], lines[row]
            content = b"\n".join(lines)
        elif kind == 7:  # a line comes many times
            lines[row:row] = [lines[other]] * int(rng.integers(1, 400))
            content = b"\n".join(lines)
        elif kind == 8:  # one sign for another
            old, new = (b',;\t|.:\n "-0'[k : k + 1] for k in rng.integers(0, 11, 2))
            content = content.replace(old, new, int(rng.integers(1, 2000)))
        else:  # a line is shortened or joined to the next
            joined = lines.pop(other) if len(lines) > 1 else b""
            row %= len(lines)
            lines[row] = lines[row][: int(rng.integers(0, len(lines[row]) + 1))] + joined
            content = b"\n".join(lines)
    return content


def outcome(path: Path) -> str:
    """Read a file as a person's would be; return what came of it. Anything but a log or a good refusal raises."""
    try:
        log = read_log(path)
    except PullbookError as refusal:
        message = str(refusal)
        assert message.startswith(path.name), message
        assert REMEDY.search(message), message
        assert len(message) < 6000
        result = "refused"
    else:
        assert_sound(log)
        result = "read"
    return result


def assert_sound(log: Log) -> None:
    assert log.signals
    assert np.isfinite(log.duration_s)
    for signal in log.signals.values():
        assert signal.time_s.shape == signal.values.shape
        assert len(signal.time_s) > 0
        assert np.isfinite(signal.values).all()
        assert (np.diff(signal.time_s) > 0).all()
        assert signal.time_s[0] >= 0
        assert signal.time_s[-1] <= log.duration_s + 1e-6
        assert np.isfinite(signal.resolution)
    assert all(finding.message and finding.code for finding in log.findings)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("mutated")


def test_the_seeds_themselves_are_read(folder: Path) -> None:
    for content in seeds():
        (folder / "seed.csv").write_bytes(content)
        assert outcome(folder / "seed.csv") == "read"


@pytest.mark.parametrize("seed", range(6))
def test_mutated_files(folder: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    path = folder / "log.csv"
    results = []
    for _ in range(60):
        path.write_bytes(mutate(seeds()[int(rng.integers(0, len(seeds())))], rng))
        results.append(outcome(path))
    # Most damage is survived: a reader that refused everything would pass otherwise.
    assert results.count("read") > 0.4 * len(results)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=600))
def test_any_bytes(folder: Path, content: bytes) -> None:
    path = folder / "bytes.csv"
    path.write_bytes(content)
    outcome(path)


cell = st.one_of(
    st.floats(-1e3, 1e3).map("{:.3g}".format),
    st.sampled_from(["", "--", "N/A", "82 C", "x", '"', "12:30:00", "2026-03-14", "1,5", "nan", "∞", "-40"]),
)


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    headers=st.lists(
        st.sampled_from(["Time", "Speed [km/h]", "RPM", "IAT (°C)", "Boost", "", "Ladelufttemperatur", "x"]),
        min_size=1,
        max_size=6,
    ),
    rows=st.lists(st.lists(cell, max_size=7), max_size=25),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    newline=st.sampled_from(["\n", "\r\n", "\r", "\n\n"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]),
)
def test_any_table(
    folder: Path, headers: list[str], rows: list[list[str]], delimiter: str, newline: str, encoding: str
) -> None:
    path = folder / "table.csv"
    path.write_bytes(newline.join(delimiter.join(row) for row in [headers, *rows]).encode(encoding))
    outcome(path)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.integers(0, 24), min_size=20, max_size=60),  # no step is one that no car makes, and set aside
    step_ms=st.integers(20, 3000),
    start_s=st.integers(0, 86_399),
    delimiter_decimal=st.sampled_from([(",", "."), (";", ","), ("\t", ","), ("|", ".")]),
    form=st.sampled_from(["seconds", "milliseconds", "clock", "iso"]),
)
def test_what_is_written_is_read(
    folder: Path, values: list[int], step_ms: int, start_s: int, delimiter_decimal: tuple[str, str], form: str
) -> None:
    delimiter, decimal = delimiter_decimal
    # A sawtooth on every row, so that no two rows hold the same and each is a measurement of its own.
    tenths = [10 * value + k % 7 for k, value in enumerate(values)]
    milliseconds = [1000 * start_s + step_ms * k for k in range(len(values))]
    lines = [f"Time{delimiter}Engine speed [rpm]{delimiter}Vehicle speed [km/h]"]
    for k, (at, value) in enumerate(zip(milliseconds, tenths, strict=True)):
        lines.append(
            delimiter.join([stamp(at, form, decimal), str(1000 + k), f"{value / 10:.1f}".replace(".", decimal)])
        )
    path = folder / "written.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    speed = read_log(path).need("vehicle_speed")
    expected_s = (np.array(milliseconds) - milliseconds[0]) / 1000
    assert len(speed.values) == len(values)
    np.testing.assert_allclose(speed.values, np.array(tenths) / 10, atol=1e-9)
    np.testing.assert_allclose(speed.time_s, expected_s, atol=1e-6)


def stamp(at_ms: int, form: str, decimal: str) -> str:
    if form == "seconds":
        return f"{at_ms / 1000:.3f}".replace(".", decimal)
    if form == "milliseconds":
        # Without a unit in the header, whole steps of 10 or more are milliseconds.
        return str(at_ms)
    day, at = divmod(at_ms, 86_400_000)
    clock = f"{at // 3_600_000:02d}:{at // 60_000 % 60:02d}:{at // 1000 % 60:02d}.{at % 1000:03d}"
    return clock if form == "clock" else f"2026-03-{14 + day}T{clock}"


def test_hostile_sizes_are_refused(folder: Path) -> None:
    sparse = folder / "sparse.csv"
    with sparse.open("wb") as stream:
        stream.truncate(2_000_000_000)
    line = folder / "line.csv"
    line.write_bytes(b"Time,Speed\n1,2\n2,3\n" + b"1," * 50_000_000)
    for name, content in [("zeros", b"\0" * 10_000), ("ones", b"1," * 5000), ("lines", b"\n" * 10_000)]:
        packed = gzip.compress(content * 1000) * 110  # unpacks to 1.1 GB
        (folder / f"{name}.csv.gz").write_bytes(packed)
    for path in [sparse, line, *folder.glob("*.csv.gz")]:
        assert outcome(path) == "refused"
        path.unlink()
