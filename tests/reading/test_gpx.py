"""A GPX track beside a log, from a simulated drive whose place is known."""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.errors import LogError
from pullbook.reading.gpx import align, read_track, with_track
from pullbook.reading.logs import read_log
from pullbook.simulate import Cooler, Vehicle, Weather, drive, record, standard_script

LATE_S = 37.0  # the track was started this much before the log


@pytest.fixture(scope="module")
def drive_and_log(tmp_path_factory):
    rng = np.random.default_rng(8)
    script = standard_script(rng=rng, pulls=3)
    trace = drive(vehicle=Vehicle(), cooler=Cooler(), weather=Weather(ambient_c=15.0), script=script, rng=rng)
    path = tmp_path_factory.mktemp("track") / "log.csv"
    path.write_text(record(trace, rng=rng, period_s=0.8, layout="held"), encoding="utf-8")
    return trace, read_log(path)


def gpx(times: np.ndarray, metres: np.ndarray, altitude: np.ndarray | None) -> str:
    """Write a track that runs due north from the equator's meridian: a degree is 111 195 m."""
    points = []
    for k, (t, m) in enumerate(zip(times, metres, strict=True)):
        height = "" if altitude is None else f"<ele>{altitude[k]:.1f}</ele>"
        stamp = f"2026-03-14T{int(t) // 3600 + 9:02d}:{int(t) // 60 % 60:02d}:{t % 60:06.3f}Z"
        points.append(f'<trkpt lat="{m / 111_195.08:.7f}" lon="0.0">{height}<time>{stamp}</time></trkpt>')
    body = "".join(points)
    return f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{body}</trkseg></trk></gpx>'


@pytest.fixture(scope="module")
def track_file(drive_and_log, tmp_path_factory):
    trace, _ = drive_and_log
    metres = np.concatenate([[0], np.cumsum(trace.channels["vehicle_speed"][:-1] / 3.6 * np.diff(trace.time_s))])
    times = np.arange(-LATE_S, trace.time_s[-1], 1.0)
    along = np.interp(times, trace.time_s, metres)
    path = tmp_path_factory.mktemp("gpx") / "drive.gpx"
    path.write_text(gpx(times + LATE_S, along, 200 + along / 100), encoding="utf-8")  # one per cent uphill
    return path


def test_a_track_is_laid_over_the_log_by_its_speed(drive_and_log, track_file) -> None:
    _, log = drive_and_log
    shift, agreement = align(read_track(track_file), log.need("vehicle_speed"))
    assert shift == pytest.approx(-LATE_S, abs=1.5)  # whole seconds, and the log begins a poll late
    assert agreement > 0.99


def test_altitude_and_position_join_the_log(drive_and_log, track_file) -> None:
    _, log = drive_and_log
    joined = with_track(log, read_track(track_file))
    assert "track-aligned" in [f.code for f in joined.findings]
    altitude = joined.need("altitude")
    seconds = np.array([100.0, 300.0])
    speed = log.need("vehicle_speed")
    grid = np.arange(100.0, 300.0, 0.1)
    driven = np.sum(speed.at(grid)) / 3.6 * 0.1
    risen = float(np.diff(altitude.at(seconds))[0])
    assert risen == pytest.approx(driven / 100, rel=0.03)
    assert joined.need("latitude").column == "GPX track"


def test_a_track_of_another_drive_is_not_used(drive_and_log, tmp_path) -> None:
    _, log = drive_and_log
    times = np.arange(0.0, 700.0)
    other = tmp_path / "other.gpx"
    other.write_text(gpx(times, np.cumsum(10 + 8 * np.sin(times / 7)), None))
    joined = with_track(log, read_track(other))
    assert "track-not-aligned" in [f.code for f in joined.findings]
    assert joined.get("altitude") is None


@pytest.mark.parametrize(
    "text",
    ["", "not xml", "<gpx></gpx>", '<gpx version="1.1" creator="t"><trk></trk></gpx>', "<html><body/></html>"],
)
def test_what_is_no_track_is_refused(text, tmp_path) -> None:
    path = tmp_path / "a.gpx"
    path.write_text(text)
    with pytest.raises(LogError, match=r"a\.gpx"):
        read_track(path)


def test_a_missing_track_is_refused(tmp_path) -> None:
    with pytest.raises(LogError, match="Check the name"):
        read_track(tmp_path / "none.gpx")


def test_a_bomb_of_entities_is_refused_in_little_time(tmp_path) -> None:
    levels = "".join(f'<!ENTITY a{k} "{f"&a{k - 1};" * 10}">' for k in range(1, 12))
    path = tmp_path / "bomb.gpx"
    path.write_text(
        f'<!DOCTYPE gpx [<!ENTITY a0 "x">{levels}]><gpx version="1.1" creator="t"><trk><name>&a11;</name></trk></gpx>'
    )
    with pytest.raises(LogError):
        read_track(path)
