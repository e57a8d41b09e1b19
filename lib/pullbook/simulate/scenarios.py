"""Whole experiments with known truth."""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path

import numpy as np

from pullbook.simulate.driver import drive
from pullbook.simulate.recorder import LOGGED, LogStyle, log_text
from pullbook.simulate.world import PEAK_TAIL_S, Cooler, Manoeuvre, Phase, Trace, Vehicle, Weather, standard_script


@dataclass(frozen=True, kw_only=True)
class Outing:
    """When one session was driven, and in which air.

    Attributes
    ----------
    start : datetime
    weather : Weather
    """

    start: datetime
    weather: Weather


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """An invented experiment: the truth, and how it is described.

    Attributes
    ----------
    name, title, question, story : str
        Folder name; the texts of the experiment and of its read-me.
    vehicle, cooler_before, cooler_after : Vehicle, Cooler
        What is driven.
    leak_after : float
        Share of the gauge boost lost to a leak after the service.
    service, service_date : str, date
        What was done, and when.
    before, after : tuple of Outing
        A session each.
    reference : Weather
        Where `true_change` is defined.
    outcome : str
        What the experiment asks about. At one inlet temperature a charge temperature and its rise change alike, so
        `true_change` holds for both.
    pulls : int
        A session.
    worthwhile_change : float
        What the person would call a difference [K].
    day_sd_k : float
        Standard deviation of what a day adds to a full-load charge temperature [K]; see `drive`.
    style : LogStyle
        How the logs are written.
    compressed : bool
        Whether they are gzipped.
    cruise_kmh, pull_from_kmh, pull_to_kmh : float
        The protocol [km/h].
    odometer_km : float or None
        At the service.
    also : str
        What else the read-me explains on this sample, in Markdown.
    """

    name: str
    title: str
    question: str
    story: str
    vehicle: Vehicle
    cooler_before: Cooler
    cooler_after: Cooler
    service: str
    service_date: date
    before: tuple[Outing, ...]
    after: tuple[Outing, ...]
    reference: Weather
    worthwhile_change: float
    style: LogStyle
    leak_after: float = 0.0
    outcome: str = "peak_rise"
    pulls: int = 5
    day_sd_k: float = 0.8
    compressed: bool = False
    cruise_kmh: float = 90.0
    pull_from_kmh: float = 40.0
    pull_to_kmh: float = 110.0
    odometer_km: float | None = None
    also: str = ""

    def script(self, rng: np.random.Generator | None) -> tuple[Manoeuvre, ...]:
        """Return the manoeuvres of one session; ``rng`` as for `standard_script`."""
        return standard_script(
            rng=rng,
            pulls=self.pulls,
            cruise_kmh=self.cruise_kmh,
            pull_from_kmh=self.pull_from_kmh,
            pull_to_kmh=self.pull_to_kmh,
        )

    def sessions(self) -> tuple[tuple[str, Phase, Outing], ...]:
        """Return name, phase and outing of every session, in the order driven."""
        before: list[tuple[str, Phase, Outing]] = [(f"before-{n}", "before", o) for n, o in enumerate(self.before, 1)]
        after: list[tuple[str, Phase, Outing]] = [(f"after-{n}", "after", o) for n, o in enumerate(self.after, 1)]
        return (*before, *after)


def drive_session(scenario: Scenario, *, phase: Phase, weather: Weather, rng: np.random.Generator) -> Trace:
    """Drive one session of a scenario, with the scatter of its driver, its road and its day.

    Parameters
    ----------
    scenario : Scenario
    phase : {"before", "after"}
    weather : Weather
    rng : numpy.random.Generator
        Draws all of the scatter.

    Returns
    -------
    Trace
    """
    day_offset_k = scenario.day_sd_k * float(rng.standard_normal())
    return drive(
        vehicle=scenario.vehicle,
        cooler=scenario.cooler_before if phase == "before" else scenario.cooler_after,
        weather=weather,
        script=scenario.script(rng),
        rng=rng,
        day_offset_k=day_offset_k,
        leak=scenario.leak_after if phase == "after" else 0.0,
    )


def true_peak_rises(trace: Trace) -> list[float]:
    """Return the peak rise of every complete pull of a trace [K], from the sensors before steps and polling.

    The largest charge temperature from the start of the pull until 5 s after its end, minus the inlet
    temperature at that moment.
    """
    charge, inlet = trace.channels["charge_air_temperature"], trace.channels["intake_air_temperature"]
    rises = []
    for run in trace.runs:
        if run.kind == "pull" and run.complete:
            first, last = np.searchsorted(trace.time_s, (run.start_s, run.end_s + PEAK_TAIL_S))
            peak = first + int(np.argmax(charge[first : last + 1]))
            rises.append(float(charge[peak] - inlet[peak]))
    return rises


def true_peak_rise(scenario: Scenario, *, cooler: Cooler, leak: float = 0.0) -> float:
    """Return the mean peak rise in the reference weather, without scatter of driver, road, air or day.

    Parameters
    ----------
    scenario : Scenario
    cooler : Cooler
    leak : float
        As for `drive`.

    Returns
    -------
    float
        [K]
    """
    trace = drive(
        vehicle=scenario.vehicle,
        cooler=cooler,
        weather=scenario.reference,
        script=scenario.script(None),
        rng=None,
        leak=leak,
    )
    return float(np.mean(true_peak_rises(trace)))


def true_change(scenario: Scenario) -> float:
    """Return the true change of the mean peak rise, after minus before, at the reference weather [K].

    Examples
    --------
    >>> from pullbook.simulate import SCENARIOS, true_change
    >>> round(true_change(SCENARIOS["fin_wash"]), 1)  # the sample's read-me says the same
    -7.6
    """
    after = true_peak_rise(scenario, cooler=scenario.cooler_after, leak=scenario.leak_after)
    return after - true_peak_rise(scenario, cooler=scenario.cooler_before)


def write_experiment(folder: Path, scenario: Scenario, *, seed: int) -> Path:
    """Write a scenario as an experiment folder: logs, ``experiment.yaml`` and a read-me that tells the truth.

    Parameters
    ----------
    folder : Path
        The experiment's own folder, made if need be; files of the same names are replaced.
    scenario : Scenario
        What to write.
    seed : int
        The same seed gives the same bytes.

    Returns
    -------
    Path
        `folder`.
    """
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    # The name takes part, so that two experiments of one seed do not share their luck.
    root = np.random.default_rng([seed, zlib.crc32(scenario.name.encode())])
    entries: list[str] = []
    sessions = scenario.sessions()
    for (name, phase, outing), rng in zip(sessions, root.spawn(len(sessions)), strict=True):
        trace = drive_session(scenario, phase=phase, weather=outing.weather, rng=rng)
        text = log_text(trace, scenario.style, channels=LOGGED, rng=rng, start=outing.start)
        log = f"logs/{name}.csv" + (".gz" if scenario.compressed else "")
        data = text.encode()
        (folder / log).write_bytes(_gzipped(data) if scenario.compressed else data)
        entries += _session_lines(name, phase, log, outing.weather, rng)
    (folder / "experiment.yaml").write_text(_experiment_text(scenario, entries), encoding="utf-8", newline="\n")
    (folder / "README.md").write_text(_read_me(scenario, seed), encoding="utf-8", newline="\n")
    return folder


def _gzipped(data: bytes) -> bytes:
    """Return gzipped data with a fixed time stamp and system in the header (RFC 1952), so that a seed gives its bytes.

    The system is the tenth byte: which one is written there depends on the version of Python.
    """
    packed = gzip.compress(data, mtime=0)
    return packed[:9] + b"\x03" + packed[10:]


def _session_lines(name: str, phase: Phase, log: str, weather: Weather, rng: np.random.Generator) -> list[str]:
    """Return the session as the person notes it: a thermometer read to half a degree, with its error."""
    read_c = round(2.0 * (weather.ambient_c + 0.3 * float(rng.standard_normal()))) / 2.0
    return [
        f"  - name: {name}",
        f"    phase: {phase}",
        f"    log: {log}",
        f"    ambient_c: {read_c + 0.0:.1f}",
        f"    pressure_hpa: {10.0 * weather.pressure_kpa:.0f}",
        f"    wind_ms: {weather.wind_ms:.1f}",
    ]


def _experiment_text(scenario: Scenario, entries: Sequence[str]) -> str:
    vehicle = scenario.vehicle
    lines = [
        "# Invented data, written by pullbook.simulate. This vehicle does not exist.",
        f"title: {_quoted(scenario.title)}",
        f"question: {_quoted(scenario.question)}",
        "vehicle:",
        f"  description: {_quoted(vehicle.description)}",
        f"  fuel: {vehicle.fuel}",
        f"  mass_kg: {vehicle.mass_kg:.0f}",
        f"  displacement_l: {vehicle.displacement_l:.1f}",
        "service:",
        f"  what: {_quoted(scenario.service)}",
        f"  date: {scenario.service_date.isoformat()}",
        *([f"  odometer_km: {scenario.odometer_km:.0f}"] if scenario.odometer_km is not None else []),
        "protocol:",
        f"  cruise_kmh: {scenario.cruise_kmh:.0f}",
        f"  pull_from_kmh: {scenario.pull_from_kmh:.0f}",
        f"  pull_to_kmh: {scenario.pull_to_kmh:.0f}",
        f"outcome: {scenario.outcome}",
        f"worthwhile_change: {scenario.worthwhile_change:.1f}",
        "sessions:",
        *entries,
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a YAML scalar: a JSON string is one."""
    return json.dumps(text, ensure_ascii=False)


def _read_me(scenario: Scenario, seed: int) -> str:
    before = true_peak_rise(scenario, cooler=scenario.cooler_before)
    change = true_change(scenario)
    said = f"The true change is {_signed(change)} K." if round(change, 1) else "Nothing truly changed."
    truth = (
        f"At {scenario.reference.ambient_c:.1f} °C and {scenario.reference.pressure_kpa:.1f} kPa, without scatter, the "
        f"peak rise is {before:.1f} K before and {before + change:.1f} K after. {said}"
    )
    if scenario.leak_after:
        tight = true_peak_rise(scenario, cooler=scenario.cooler_after) - before
        truth += f" With the hose tight it would be {_signed(tight)} K. The rest is lost boost, and that is no benefit."
    return "\n".join(
        [
            "The data in this folder are invented. Nobody drove this, and the vehicle does not exist.",
            "",
            f"# {scenario.title}",
            "",
            scenario.story,
            "",
            "## The truth",
            "",
            truth,
            f"Days differ: the charge temperature at full load scatters from day to day by {scenario.day_sd_k:.1f} K "
            "(standard deviation).",
            "So the sessions here scatter around the truth, as real ones would.",
            "",
            f"Written by `python -m pullbook.simulate` with seed {seed}.",
            "",
            *([scenario.also] if scenario.also else []),
        ]
    )


def _signed(change_k: float) -> str:
    """Return a change with its sign, a true minus sign, and one decimal."""
    return f"{round(change_k, 1) + 0.0:+.1f}".replace("-", "−")


def _outing(start: str, ambient_c: float, pressure_kpa: float, wind_ms: float) -> Outing:
    weather = Weather(ambient_c=ambient_c, pressure_kpa=pressure_kpa, wind_ms=wind_ms)
    return Outing(start=datetime.fromisoformat(start), weather=weather)


_VAN = Vehicle()

_HATCHBACK = Vehicle(
    description="1.4 L turbo-petrol hatchback, front-mounted charge-air cooler",
    fuel="petrol",
    mass_kg=1340.0,
    rolling_coefficient=0.010,
    drag_area_m2=0.68,
    wheel_radius_m=0.30,
    overall_ratios=(13.5, 7.6, 5.2, 4.0, 3.2),
    pull_gear=3,
    torque_nm=190.0,
    power_kw=92.0,
    drag_torque_nm=22.0,
    displacement_l=1.4,
    volumetric_efficiency=0.92,
    boost_full_kpa=205.0,
    spool_rpm=1900.0,
    shift_pull_rpm=4800.0,
)

_ESTATE = Vehicle(
    description="2.0 L turbo-diesel estate car, front-mounted charge-air cooler",
    mass_kg=1790.0,
    rolling_coefficient=0.010,
    drag_area_m2=0.72,
    wheel_radius_m=0.32,
    overall_ratios=(13.4, 7.2, 4.3, 3.0, 2.4),
    pull_gear=2,
    torque_nm=265.0,
    power_kw=79.0,
    displacement_l=2.0,
    boost_full_kpa=222.0,
    spool_rpm=1850.0,
)

_LEDGER = """\
## The ledger

You keep `ledger.csv` by hand: `date, odometer, item, amount, unit, note`. It lists what was done to the van and how
much the catch can held.

    pullbook ledger sample_runs/fin_wash/ledger.csv --out ledger.html -p capacity_ml=250 -p "service=cooler fins washed"

The page shows how fast the can fills, with its interval, when it will be full, and what speaks for another service. If
you mistype a name after `-p`, you get the list of right ones.
"""

_PLANNING = """\
## How many drives it takes

Before you drive, ask how many days and pulls it takes to show the change you care about. Ask again after the first
evenings, with your own scatter:

    pullbook plan
    pullbook plan --out plan.html
    pullbook plan sample_runs/two_evenings --change 1.5

The first command assumes typical scatter. The second writes a page with a sheet to take along. The third uses the
scatter of this experiment.
"""

_FIN_WASH = Scenario(
    name="fin_wash",
    title="Fin wash on a farm van",
    question="Did washing the cooler's fins lower the charge temperature under load?",
    story="A van works on farm tracks, and mud packs its charge-air cooler. The fins are washed and combed. There "
    "are three sessions before and three after, in similar weather. This service plainly helps.",
    vehicle=_VAN,
    cooler_before=Cooler(eps_inside=0.80, ua_standstill_w_k=15.0, ua_per_kmh_w_k=0.9, heat_capacity_j_k=3300.0),
    cooler_after=Cooler(eps_inside=0.80, ua_standstill_w_k=40.0, ua_per_kmh_w_k=3.0, heat_capacity_j_k=3300.0),
    service="Fins washed and combed",
    service_date=date(2026, 3, 20),
    before=(
        _outing("2026-03-10T18:05:12", 11.0, 100.9, 1.5),
        _outing("2026-03-12T17:48:40", 16.5, 101.4, 2.0),
        _outing("2026-03-17T18:20:03", 9.5, 100.2, 1.0),
    ),
    after=(
        _outing("2026-03-21T17:55:31", 13.0, 100.6, 2.0),
        _outing("2026-03-24T18:11:09", 9.0, 101.1, 1.5),
        _outing("2026-03-27T18:02:55", 17.0, 100.8, 1.0),
    ),
    reference=Weather(ambient_c=13.0),
    worthwhile_change=2.0,
    style=LogStyle(layout="held", time_format="clock"),
    compressed=True,
    also=_LEDGER,
)

_TWO_EVENINGS = Scenario(
    name="two_evenings",
    title="Two evenings with a hatchback",
    question="Did wiping the oil film out of the cooler lower the charge temperature?",
    story="One evening before, one evening after, five pulls each. Many people do just that. The breather's filter "
    "element was changed and the oil film wiped out of the cooler. It helped a little: less than the owner would "
    "call worthwhile, and less than two evenings can show.",
    vehicle=_HATCHBACK,
    cooler_before=Cooler(eps_inside=0.83, ua_standstill_w_k=25.0, ua_per_kmh_w_k=1.8, heat_capacity_j_k=2400.0),
    cooler_after=Cooler(eps_inside=0.845, ua_standstill_w_k=25.0, ua_per_kmh_w_k=1.8, heat_capacity_j_k=2400.0),
    service="Breather filter element changed, oil film wiped out of the cooler",
    service_date=date(2026, 4, 11),
    before=(_outing("2026-04-10T20:14:22", 14.0, 101.2, 1.0),),
    after=(_outing("2026-04-12T20:31:47", 15.0, 100.7, 1.5),),
    reference=Weather(ambient_c=14.5),
    worthwhile_change=2.0,
    style=LogStyle(layout="sparse", delimiter=";", decimal=",", time_format="clock"),
    also=_PLANNING,
)

_NOTHING_DONE = Scenario(
    name="nothing_done",
    title="A placebo: nothing was done",
    question="Does the comparison find a change where there is none?",
    story="Three sessions in a cool spring, three in early summer when it is 12 K warmer, and no service in between. "
    "The warmer air alone raises the charge temperature by about 12 K, and the rise above inlet by about half a "
    "kelvin. An honest comparison calls neither of them a change.",
    vehicle=_ESTATE,
    cooler_before=Cooler(heat_capacity_j_k=3600.0),
    cooler_after=Cooler(heat_capacity_j_k=3600.0),
    service="Nothing at all (a placebo)",
    service_date=date(2026, 5, 2),
    before=(
        _outing("2026-04-21T18:30:00", 8.0, 101.3, 1.5),
        _outing("2026-04-24T18:42:00", 10.0, 100.9, 2.0),
        _outing("2026-04-28T18:15:00", 9.0, 100.4, 1.0),
    ),
    after=(
        _outing("2026-06-02T18:25:00", 21.0, 100.8, 1.0),
        _outing("2026-06-05T18:40:00", 20.0, 101.2, 1.5),
        _outing("2026-06-09T18:33:00", 22.0, 100.6, 2.0),
    ),
    reference=Weather(ambient_c=15.0),
    outcome="peak_charge",
    worthwhile_change=3.0,
    style=LogStyle(layout="sweep", period_s=0.5, time_format="seconds"),
)

_LOOSE_CLAMP = Scenario(
    name="loose_clamp",
    title="A flushed cooler and a loose clamp",
    question="Did flushing the cooler lower the charge temperature under load?",
    story="The cooler was taken out, flushed and refitted, but one hose clamp was left loose. The flush helped a "
    "little. The leak costs about an eighth of the gauge boost, and less boost means less heat. So the charge is "
    "much cooler, for the wrong reason. The comparison must say that first.",
    vehicle=_VAN,
    cooler_before=Cooler(eps_inside=0.83, ua_standstill_w_k=35.0, ua_per_kmh_w_k=2.8),
    cooler_after=Cooler(eps_inside=0.845, ua_standstill_w_k=35.0, ua_per_kmh_w_k=2.8),
    leak_after=0.12,
    service="Cooler removed, flushed and refitted",
    service_date=date(2026, 3, 7),
    before=(
        _outing("2026-03-01T10:02:10", 7.5, 101.0, 2.0),
        _outing("2026-03-03T10:15:44", 10.5, 100.5, 1.5),
        _outing("2026-03-05T10:07:29", 9.0, 100.9, 1.0),
    ),
    after=(
        _outing("2026-03-08T10:11:18", 9.5, 101.3, 1.5),
        _outing("2026-03-10T10:04:36", 8.0, 100.8, 1.0),
        _outing("2026-03-12T10:19:52", 11.0, 100.6, 2.0),
    ),
    reference=Weather(ambient_c=9.0),
    worthwhile_change=2.0,
    style=LogStyle(layout="long", time_format="iso"),
    compressed=True,
)

SCENARIOS: dict[str, Scenario] = {s.name: s for s in (_FIN_WASH, _TWO_EVENINGS, _NOTHING_DONE, _LOOSE_CLAMP)}
"""The four sample experiments."""


def _spring(year: int, odometer_km: float, before: Cooler, *, month: int, warmer_k: float) -> Scenario:
    """Return one of the van's services over the years: the fins washed, two sessions on either side."""
    day = date(year, month, 12)

    def outing(days: int, ambient_c: float, pressure_kpa: float) -> Outing:
        start = datetime(year, month, 12 + days, 18, 5 + days % 7, 12)
        return Outing(start=start, weather=Weather(ambient_c=ambient_c + warmer_k, pressure_kpa=pressure_kpa))

    return replace(
        _FIN_WASH,
        name=f"three_springs/{year}",
        title=f"The fins washed again, {year}",
        question="What did the wash change, and how much of the last one was left?",
        story="One of three services of a farm van. Mud packs its cooler, and every spring the fins are washed. Before "
        "the first wash nobody had ever cleaned them, so that one gains the most.",
        cooler_before=before,
        service="Fins washed",
        service_date=day,
        before=(outing(-5, 11.0, 100.9), outing(-2, 14.0, 101.3)),
        after=(outing(2, 12.5, 100.5), outing(6, 15.0, 100.8)),
        odometer_km=odometer_km,
        also="",
    )


def _packed(ua_standstill_w_k: float, ua_per_kmh_w_k: float) -> Cooler:
    return replace(_FIN_WASH.cooler_before, ua_standstill_w_k=ua_standstill_w_k, ua_per_kmh_w_k=ua_per_kmh_w_k)


THREE_SPRINGS = {
    s.name: s
    for s in (
        _spring(2024, 112_300.0, _FIN_WASH.cooler_before, month=3, warmer_k=0.0),
        _spring(2025, 129_800.0, _packed(18.0, 1.15), month=4, warmer_k=4.0),
        _spring(2026, 151_600.0, _packed(17.0, 1.05), month=3, warmer_k=-1.0),
    )
}
"""One vehicle over three years, a service each spring, for the history."""
