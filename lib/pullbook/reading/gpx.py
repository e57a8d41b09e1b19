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
MAX_POINTS = 200_000
MAX_SPAN_S = 7 * 86_400.0
MAX_DEPTH = 50  # elements inside one another; a track has six, and some makers' extensions a few more
MAX_NAMESPACES = 64
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
            raise LogError(f"{path.name}: larger than {MAX_BYTES // 1_000_000} MB. Export this one drive on its own.")
        text = path.read_text(encoding="utf-8-sig")
        _check_size(text, path.name)
        gpx = gpxpy.parse(text)
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
        raise LogError(f"{path.name}: {len(points)} points have a time, and 10 are needed. Export it with times.")
    stamps = np.array(sorted(points))
    if stamps[-1] - stamps[0] > MAX_SPAN_S:
        raise LogError(
            f"{path.name}: its times span {(stamps[-1] - stamps[0]) / 86_400:.0f} days. The limit is "
            f"{MAX_SPAN_S / 86_400:.0f} days. Export this one drive on its own, or delete points with a wrong time."
        )
    latitude, longitude, altitude = np.array([points[t] for t in stamps], dtype=float).T
    return Track(time_s=stamps - stamps[0], latitude=latitude, longitude=longitude, altitude_m=altitude)


def _check_size(text: str, name: str) -> None:
    """Refuse what would exhaust the XML parser's stack or time, by a look along the text, without building a tree.

    Raises
    ------
    LogError
    """
    from xml.parsers import expat

    depth = points = 0

    def started(element: str, _: object) -> None:
        nonlocal depth, points
        depth += 1
        points += element.endswith("trkpt")
        if depth > MAX_DEPTH:
            raise LogError(f"{name}: elements nested more than {MAX_DEPTH} deep. No track needs that. Export it again.")
        if points > MAX_POINTS:
            raise LogError(f"{name}: more than {MAX_POINTS:,} points. Export this one drive on its own.")

    def ended(_: str) -> None:
        nonlocal depth
        depth -= 1

    def declared(*_: object) -> None:
        raise LogError(f"{name}: it declares a document type. No track needs one. Export it again.")

    if text.count("xmlns") > MAX_NAMESPACES:
        raise LogError(f"{name}: more than {MAX_NAMESPACES} XML namespaces. Export it again.")
    parser = expat.ParserCreate("utf-8")  # as it is encoded below
    parser.StartElementHandler, parser.EndElementHandler = started, ended
    parser.StartDoctypeDeclHandler = declared
    try:
        parser.Parse(text.encode("utf-8", "replace"), True)
    except expat.ExpatError as error:
        raise LogError(f"{name}: not a GPX track ({error}). Allowed: GPX 1.0 or 1.1 with times.") from None


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
            message="The GPX track's speed never matches the log's, so the track was not used. Is it from this drive?",
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
        message=f"The GPX track was lined up with the log by speed (correlation {agreement:.2f}).",
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
    logged = speed.at(np.arange(0.0, min(speed.time_s[-1], MAX_SPAN_S), 1.0))
    ridden = track.speed_kmh(np.arange(0.0, min(track.time_s[-1], MAX_SPAN_S), 1.0))
    shifts = np.arange(LEAST_OVERLAP_S - len(ridden), len(logged) - LEAST_OVERLAP_S + 1)
    best, best_shift = float("nan"), 0.0
    # All at once they are known but for rounding; which of the likeliest is best, and how good, is worked out anew.
    for shift in sorted(_likeliest(logged, ridden, shifts)):
        ours = logged[max(0, shift) : min(len(logged), shift + len(ridden))]
        theirs = ridden[max(0, -shift) : max(0, -shift) + len(ours)]
        agreement = _correlation(ours, theirs)
        if not agreement <= best and np.isfinite(agreement):
            best, best_shift = agreement, float(shift)
    return best_shift, best


def _likeliest(ours: np.ndarray, theirs: np.ndarray, shifts: np.ndarray, *, most: int = 20) -> list[int]:
    """Return the shifts at which two series correlate best, by Fourier transforms: n log n instead of n squared steps.

    Where a value is missing it counts in neither series; the sums over what both hold are correlations themselves.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    if not shifts.size:
        return []
    size = next_fast_len(len(ours) + len(theirs), real=True)
    held = [np.isfinite(series) for series in (ours, theirs)]
    if not (held[0].any() and held[1].any()):
        return []
    centred = [np.where(h, s - s[h].mean(), 0.0) for h, s in zip(held, (ours, theirs), strict=True)]
    (one, a, aa), (two, b, bb) = (
        [rfft(part, size) for part in (h.astype(float), s, s * s)] for h, s in zip(held, centred, strict=True)
    )

    def summed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        found: np.ndarray = irfft(x * np.conj(y), size)[shifts]  # a negative shift counts from the end
        return found

    n = np.round(summed(one, two))
    enough = n >= LEAST_OVERLAP_S
    n = np.maximum(n, 1.0)
    left, right = summed(a, two), summed(one, b)
    spread = (summed(aa, two) - left * left / n) * (summed(one, bb) - right * right / n)
    enough &= spread > 1e-9 * n * n  # both move, by more than rounding
    agreement = np.full(len(shifts), -np.inf)
    shared = summed(a, b) - left * right / n
    agreement[enough] = shared[enough] / np.sqrt(spread[enough])
    best = np.argsort(-agreement, kind="stable")[:most]
    return [int(shift) for shift in shifts[best[np.isfinite(agreement[best])]]]


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
