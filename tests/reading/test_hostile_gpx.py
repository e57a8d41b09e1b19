"""Tracks made to break are refused, and laying one over a log takes n log n steps."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from pullbook.errors import LogError
from pullbook.reading import gpx
from pullbook.reading.gpx import LEAST_OVERLAP_S, Track, align, read_track
from pullbook.reading.logs import Signal

HEAD = '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
TAIL = "</trkseg></trk></gpx>"


def point(k: float, stamp: str = "") -> str:
    time = stamp or (dt.datetime(2026, 3, 14) + dt.timedelta(seconds=k)).isoformat() + "Z"
    return f'<trkpt lat="{k / 100_000:.6f}" lon="0.0"><ele>100</ele><time>{time}</time></trkpt>'


def written(folder: Path, text: str) -> Path:
    path = folder / "drive.gpx"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD + "<a>" * 200_000 + "</a>" * 200_000 + TAIL, "50 deep"),
        (HEAD + "<a>" * 200_000, "50 deep"),
        (HEAD + "".join(map(point, range(60))) + point(0, "2100-01-01T00:00:00Z") + TAIL, "span 2"),
        (HEAD + "".join(point(600.0 * k) for k in range(31 * 144)) + TAIL, "span 31 days"),
        (HEAD + "<trkpt/>" * 200_001 + TAIL, "more than 200,000 points"),
        ('<!DOCTYPE gpx [<!ENTITY a "a"><!ENTITY b "&a;&a;">]>' + HEAD[21:] + "&b;" + TAIL, "document type"),
        (HEAD + " xmlns" * 100_000 + TAIL, "namespaces"),
        (HEAD, "not a GPX track"),
    ],
    ids=["deep", "deep and open", "2100", "month", "points", "entities", "namespaces", "cut off"],
)
def test_a_track_made_to_break_is_refused(tmp_path, text, said):
    with pytest.raises(LogError, match=said) as caught:
        read_track(written(tmp_path, text))
    assert len(str(caught.value)) < 300


def test_a_track_of_a_day_is_fine(tmp_path):
    track = read_track(written(tmp_path, HEAD + "".join(point(60.0 * k) for k in range(1440)) + TAIL))
    assert track.time_s[-1] == 60.0 * 1439


# --- laid over the log -------------------------------------------------------------------------------------------


def signal(kmh: np.ndarray, gaps: np.ndarray) -> Signal:
    time_s = np.arange(float(len(kmh)))[~gaps]
    return Signal(
        channel="vehicle_speed", column="v", unit="km/h", time_s=time_s, values=kmh[~gaps], period_s=1.0, resolution=0.0
    )


def by_every_shift(track: Track, speed: Signal) -> tuple[float, float]:
    """The definition: the correlation at every shift."""
    ours = speed.at(np.arange(0.0, speed.time_s[-1], 1.0))
    theirs = track.speed_kmh(np.arange(0.0, track.time_s[-1], 1.0))
    found = []
    for shift in range(LEAST_OVERLAP_S - len(theirs), len(ours) - LEAST_OVERLAP_S + 1):
        a = ours[max(0, shift) : min(len(ours), shift + len(theirs))]
        found.append((gpx._correlation(a, theirs[max(0, -shift) : max(0, -shift) + len(a)]), shift))
    return max((pair for pair in found if np.isfinite(pair[0])), default=(np.nan, 0.0))


@pytest.mark.parametrize("seed", range(6))
def test_the_best_shift_is_that_of_trying_every_one(seed):
    rng = np.random.default_rng(seed)
    road = 60 + np.cumsum(rng.normal(0, 2, 900))
    gaps = rng.random(700) < 0.02
    if seed == 5:
        road[:] = 60.0  # neither moves: no shift is better than another
    late = int(rng.integers(0, 150))
    metres = np.cumsum(road[late : late + 600] / 3.6)
    still = np.zeros(600)
    track = Track(time_s=np.arange(600.0), latitude=metres / 111_195.08, longitude=still, altitude_m=still)
    speed = signal(road[:700] + rng.normal(0, 0 if seed == 5 else 3, 700), gaps)
    agreement, shift = by_every_shift(track, speed)
    found_shift, found = align(track, speed)
    if seed == 5:
        assert np.isnan(found) or found < 0.9
    else:
        assert (found_shift, found) == (shift, agreement)


def test_laying_a_track_over_a_log_looks_closely_at_few_shifts_however_long_they_are(monkeypatch):
    counted = []
    monkeypatch.setattr(gpx, "_correlation", lambda a, b: counted.append(len(a)) or 0.5)
    for hours in (1, 4):
        counted.clear()
        n = 3600 * hours
        kmh = 60 + 20 * np.sin(np.arange(n) / 37.0)
        still = np.zeros(n)
        track = Track(time_s=np.arange(float(n)), latitude=np.cumsum(kmh) / 4e5, longitude=still, altitude_m=still)
        align(track, signal(kmh, np.zeros(n, dtype=bool)))
        assert len(counted) <= 20


def test_a_log_of_many_days_is_laid_over_in_its_first_week(monkeypatch):
    """The seconds of a log whose clock leaps each day are not made one by one for years."""
    time_s = np.arange(0.0, 400 * 86_399.0, 86_399.0)
    speed = Signal(
        channel="vehicle_speed", column="v", unit="km/h", time_s=time_s, values=np.full(400, 60.0), period_s=86_399.0,
        resolution=0.0,
    )  # fmt: skip
    asked = []
    monkeypatch.setattr(Signal, "at", lambda _, wanted: asked.append(len(wanted)) or np.full(len(wanted), np.nan))
    still = np.zeros(600)
    align(Track(time_s=np.arange(600.0), latitude=still, longitude=still, altitude_m=still), speed)
    assert max(asked) <= gpx.MAX_SPAN_S
