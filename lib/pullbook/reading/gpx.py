"""A GPX track beside a log: altitude and position, put on the log's own time by the speed that both hold.

The clocks of two devices differ and a log often has no date, so the two are laid over each other where their speeds
agree best. A track that agrees nowhere is not used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pullbook.errors import Finding, LogError
from pullbook.reading.logs import Log, Signal
from pullbook.reading.source import check_ordinary
from pullbook.reading.units import EARTH_RADIUS_M

MAX_BYTES = 50_000_000
LEAST_AGREEMENT = 0.9  # correlation of the speeds
LEAST_OVERLAP_S = 120


@dataclass(frozen=True, eq=False)
class Track:
    """Points of a track, rising in time.

    Attributes
    ----------
    time_s : ndarray of float, shape (n,)
        Seconds since the first point.
    latitude, longitude : ndarray of float, shape (n,)
        [°]
    altitude_m : ndarray of float, shape (n,)
        [m]; NaN where the track has none.
    """

    time_s: np.ndarray
    latitude: np.ndarray
    longitude: np.ndarray
    altitude_m: np.ndarray

    def speed_kmh(self, at_s: np.ndarray) -> np.ndarray:
        """Return the speed over ground between neighbouring points, by great circles on a sphere.

        Parameters
        ----------
        at_s : ndarray of float, shape (n,)
            Seconds since the first point.

        Returns
        -------
        ndarray of float, shape (n,)
            [km/h]; NaN outside the track.
        """
        steps = np.diff(self.time_s)
        metres = _metres(self.latitude, self.longitude)
        middle = self.time_s[:-1] + steps / 2
        speed: np.ndarray = np.interp(at_s, middle, 3.6 * metres / steps, left=np.nan, right=np.nan)
        return speed


def read_track(path: str | Path) -> Track:
    """Read a GPX track with times.

    Parameters
    ----------
    path : path
        A ``.gpx`` file.

    Returns
    -------
    Track

    Raises
    ------
    LogError
        When it is missing, too large or no GPX, or holds fewer than ten points with a time.
    """
    import gpxpy
    from gpxpy.gpx import GPXException

    path = Path(path)
    try:
        check_ordinary(path)
        if path.stat().st_size > MAX_BYTES:
            raise LogError(f"{path.name}: larger than {MAX_BYTES // 1_000_000} MB; export the one drive alone")
        gpx = gpxpy.parse(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise LogError(f"{path.name}: cannot be read ({error.strerror}). Check the name.") from None
    except (GPXException, ValueError, LookupError) as error:
        said = " ".join(str(error).split())[:120]
        raise LogError(f"{path.name}: not a GPX track ({said}). Allowed: GPX 1.0 or 1.1 with times.") from None
    points = {
        point.time.timestamp(): (
            point.latitude,
            point.longitude,
            np.nan if point.elevation is None else point.elevation,
        )
        for track in gpx.tracks
        for segment in track.segments
        for point in segment.points
        if point.time is not None
    }
    if len(points) < 10:
        raise LogError(f"{path.name}: {len(points)} points with a time; at least 10 are needed. Export it with times.")
    stamps = np.array(sorted(points))
    latitude, longitude, altitude = np.array([points[t] for t in stamps], dtype=float).T
    return Track(time_s=stamps - stamps[0], latitude=latitude, longitude=longitude, altitude_m=altitude)


def with_track(log: Log, track: Track) -> Log:
    """Add a track's altitude and position to a log that lacks them, on the log's time.

    Parameters
    ----------
    log : Log
        With ``vehicle_speed``.
    track : Track
        Of the same drive.

    Returns
    -------
    Log
        With a finding that tells the agreement; without the track's channels where the speeds agree nowhere.

    Raises
    ------
    LogError
        When the log has no vehicle speed.
    """
    shift_s, agreement = align(track, log.need("vehicle_speed"))
    if not agreement >= LEAST_AGREEMENT:
        finding = Finding(
            code="track-not-aligned",
            severity="warning",
            message="The GPX track's speed agrees with the log's at no time, so it was not used. Is it of this drive?",
            evidence={"agreement": round(agreement, 3) if np.isfinite(agreement) else None},
        )
        return replace(log, findings=(*log.findings, finding))
    added = {
        channel: _signal(channel, track.time_s + shift_s, values)
        for channel, values in (
            ("latitude", track.latitude),
            ("longitude", track.longitude),
            ("altitude", track.altitude_m),
        )
        if log.get(channel) is None and np.isfinite(values).sum() >= 2
    }
    finding = Finding(
        code="track-aligned",
        severity="note",
        message=f"A GPX track was laid over the log by its speed (correlation {agreement:.2f}).",
        evidence={"agreement": round(agreement, 3)},
    )
    return replace(log, signals={**log.signals, **added}, findings=(*log.findings, finding))


def align(track: Track, speed: Signal) -> tuple[float, float]:
    """Find where the track's speed agrees best with the log's.

    Parameters
    ----------
    track : Track
    speed : Signal
        The log's vehicle speed [km/h].

    Returns
    -------
    shift_s : float
        Log time = track time + shift [s].
    agreement : float
        Correlation of the speeds there, over the seconds that both cover; NaN where they never overlap enough.
    """
    seconds = np.arange(0.0, speed.time_s[-1], 1.0)
    logged = speed.at(seconds)
    ridden = track.speed_kmh(np.arange(0.0, track.time_s[-1], 1.0))
    best, best_shift = float("nan"), 0.0
    for shift in range(LEAST_OVERLAP_S - len(ridden), len(logged) - LEAST_OVERLAP_S + 1):
        ours = logged[max(0, shift) : min(len(logged), shift + len(ridden))]
        theirs = ridden[max(0, -shift) : max(0, -shift) + len(ours)]
        agreement = _correlation(ours, theirs)
        if not agreement <= best and np.isfinite(agreement):
            best, best_shift = agreement, float(shift)
    return best_shift, best


def _correlation(ours: np.ndarray, theirs: np.ndarray) -> float:
    both = np.isfinite(ours) & np.isfinite(theirs)
    if both.sum() < LEAST_OVERLAP_S:
        return float("nan")
    a, b = ours[both] - ours[both].mean(), theirs[both] - theirs[both].mean()
    spread = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / spread if spread > 0 else float("nan")


def _signal(channel: str, time_s: np.ndarray, values: np.ndarray) -> Signal:
    good = np.isfinite(values) & (time_s >= 0)
    times = time_s[good]
    return Signal(
        channel=channel,
        column="GPX track",
        unit="m" if channel == "altitude" else "°",
        time_s=times,
        values=values[good],
        period_s=float(np.median(np.diff(times))) if len(times) > 1 else float("nan"),
        resolution=0.0,
    )


def _metres(latitude: np.ndarray, longitude: np.ndarray) -> np.ndarray:
    """Return the great-circle distance between neighbouring points (haversine)."""
    phi, lam = np.radians(latitude), np.radians(longitude)
    half = np.sin(np.diff(phi) / 2) ** 2 + np.cos(phi[:-1]) * np.cos(phi[1:]) * np.sin(np.diff(lam) / 2) ** 2
    distance: np.ndarray = 2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(half))
    return distance
