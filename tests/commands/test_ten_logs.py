"""Ten logs of different shape, all invented: from `new` to the answer, with the number of edits each needs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from helpers.odd_logs import clock, moments, rounded, speed_and_charge, write
from pullbook.analysis.result import analyse
from pullbook.commands.new import draft_experiment
from pullbook.commands.questions import Given

BEFORE, AFTER = ("before-1", "before-2"), ("after-1", "after-2")
DAYS = {"before-1": (3, 5), "before-2": (3, 9), "after-1": (3, 20), "after-2": (3, 27)}  # month and day
FAHRENHEIT = {"scale": 1.8, "offset": 32.0}


def seconds(_, now: Mapping[str, float]) -> str:
    return f"{now['t']:.2f}"


def commas(columns: dict[str, Callable]) -> dict[str, Callable]:
    """Write numbers as a spreadsheet of a country with decimal commas does."""
    return {header: lambda k, now, cell=cell: str(cell(k, now)).replace(".", ",") for header, cell in columns.items()}


def begins(name: str, pattern: str) -> Callable:
    """Return a column that writes the clock of a session's day at ten past eight."""
    start = dt.datetime(2026, *DAYS[name], 8, 10)
    return lambda _, now: clock(now["t"], pattern, start)


def plain(path: Path, name: str, **drive) -> Path:
    return write(path, {"Time (s)": seconds, **speed_and_charge()}, **drive)


def minute_counter_first(path: Path, name: str, **drive) -> Path:
    columns = {"Time since trouble codes cleared": lambda _, now: 4711 + int(now["t"] // 60), "Tiem": seconds}
    return write(path, {**columns, **speed_and_charge()}, **drive)


def imperial(path: Path, name: str, **drive) -> Path:
    columns = {
        "time_us": lambda _, now: round(1.2e9 + 1e6 * now["t"]),
        "Speed (mph)": rounded("vehicle_speed", 1.0, 1 / 1.609344),
        "Pedal (%)": rounded("accelerator_position", 0.4),
        "IAT (°F)": rounded("intake_air_temperature", 1.0, **FAHRENHEIT),
        "Charge air temp (°F)": rounded("charge_air_temperature", 1.0, **FAHRENHEIT),
        "Coolant temp": lambda *_: 89,  # in °C, and says nothing of it
        "Boost (psi)": rounded("intake_manifold_pressure", 0.1, 1 / 6.894757, -14.62),
    }
    return write(path, columns, **drive)


def behind_the_cooler(path: Path, name: str, **drive) -> Path:
    columns = {
        "Time (ms)": lambda _, now: round(1.05e9 + 1000 * now["t"]),
        "Speed (km/h)": rounded("vehicle_speed"),
        "Pedal (%)": rounded("accelerator_position", 0.4),
        "IAT (°C)": rounded("charge_air_temperature"),
        "MAP (kPa)": rounded("intake_manifold_pressure"),
    }
    return write(path, columns, **drive)


def down_under(path: Path, name: str, **drive) -> Path:
    return write(path, {"Timestamp": begins(name, "%Y-%m-%dT%H:%M:%S.%f+10:00"), **speed_and_charge()}, **drive)


def slashed(path: Path, name: str, **drive) -> Path:
    return write(path, {"Date and time": begins(name, "%m/%d/%Y %I:%M:%S %p"), **speed_and_charge()}, **drive)


def misspelt(path: Path, name: str, **drive) -> Path:
    columns = speed_and_charge()
    columns["Chrge ar tmp B [°C]"] = columns.pop("Charge air temperature [°C]")
    extra = {"SOC [%]": lambda k, _: 80 - k // 200, "Charge sensor [V]": rounded("charge_air_temperature", 0.02, 0.03)}
    return write(path, {"EngineRunTime": seconds, **columns, **extra}, **drive)


def hours_lost(path: Path, name: str, **drive) -> Path:
    """Nasty: saved by a spreadsheet that shows MM:SS,f, over the full hour, in cells with decimal commas."""
    start = dt.datetime(2026, *DAYS[name], 8, 57, 30)
    columns = {"Zeit": lambda _, now: clock(now["t"], "%M:%S.%f", start)[:7], **speed_and_charge()}
    return write(path, commas(columns), delimiter=";", **drive)


def twice_started(path: Path, name: str, **drive) -> Path:
    """Nasty: UTF-16 with a preamble, a header that comes again, a row number first, and averages at the end."""
    columns = {"#": lambda k, _: k + 1, "Elapsd": seconds, **speed_and_charge()}
    write(path, columns, delimiter="\t", **drive)
    lines = path.read_text(encoding="utf-8").splitlines()
    half = len(lines) // 2
    lines = ["Recorded for nobody", "", *lines[:half], lines[0], *lines[half:], "", "Average\t\t61,2", "Max\t\t113"]
    path.write_bytes("\r\n".join(lines).encode("utf-16"))
    return path


def one_signal_a_row(path: Path, name: str, **drive) -> Path:
    """Nasty: a row a signal, one signal's block after the other, German, ISO 8859-1, days of a spreadsheet as time."""
    signals = {
        "Fahrgeschwindigkeit": (rounded("vehicle_speed"), "km/h"),
        "Gaspedalstellung": (rounded("accelerator_position", 0.4), "%"),
        "Ansauglufttemperatur": (rounded("intake_air_temperature"), "°C"),
        "Ladelufttemperatur": (rounded("charge_air_temperature"), "°C"),
        "Ladedruck": (rounded("intake_manifold_pressure", 10.0, 10.0), "mbar"),
    }
    zero = (dt.date(2026, *DAYS[name]) - dt.date(1899, 12, 30)).days + 8 / 24
    rows = ["Zeit;Signal;Wert;Einheit"]
    for signal, (cell, unit) in signals.items():
        for k, now in enumerate(moments(**drive)):
            stamp = f"{zero + now['t'] / 86_400:.9f};{signal};{cell(k, now)}".replace(".", ",")
            rows.append(f"{stamp};{unit}")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes("\n".join(rows).encode("iso-8859-1"))
    return path


@dataclass(frozen=True)
class Shape:
    """How a log is written, and what has to be edited by hand after `new`: what is replaced, and by what."""

    write: Callable[..., Path]
    edits: tuple[tuple[str, str], ...] = ()


SERVICED = ("  what: not described", "  date: 2026-03-20\n  what: not described")
NOTED = tuple((f"- name: {name}\n", f"- name: {name}\n    ambient_c: 15.0\n") for name in (*BEFORE, *AFTER))
TEN = (
    Shape(plain),
    Shape(minute_counter_first),
    Shape(imperial),
    Shape(
        behind_the_cooler,
        (*NOTED, ("sessions:", 'channels:\n  charge_air_temperature: {column: "IAT (°C)"}\nsessions:')),
    ),
    Shape(down_under, (SERVICED,)),
    Shape(slashed, (SERVICED,)),
    Shape(
        misspelt, (("sessions:", 'channels:\n  charge_air_temperature: {column: "Chrge ar tmp B [°C]"}\nsessions:'),)
    ),
    Shape(hours_lost),
    Shape(twice_started),
    Shape(one_signal_a_row),
)


def drafted(shape: Shape, home: Path) -> tuple[Path, list[str]]:
    """Write four drives, the cooler fouled in the first two, draft their experiment and make the edits."""
    logs = {
        name: shape.write(home / f"{name}.csv", name, fouled=name in BEFORE, seed=k, pulls=3)
        for k, name in enumerate((*BEFORE, *AFTER))
    }
    folder = home / "an experiment"
    said = draft_experiment(folder, before=[logs[name] for name in BEFORE], after=[logs[name] for name in AFTER])
    settings = folder / "experiment.yaml"
    for old, new in shape.edits:
        text = settings.read_text(encoding="utf-8")
        assert text.count(old) == 1
        settings.write_text(text.replace(old, new), encoding="utf-8")
    return folder, said


@pytest.mark.parametrize("shape", TEN, ids=lambda shape: shape.write.__name__)
def test_from_new_to_the_answer(tmp_path: Path, shape: Shape) -> None:
    folder, said = drafted(shape, tmp_path)
    told = "\n".join(said)
    for _, new in shape.edits:  # the lines to paste were on the screen
        for line in new.splitlines():
            if "column:" in line:
                assert line in told
    assert not [line for line in said if "column:" in line and ("SOC" in line or "[V]" in line)]
    result = analyse(folder)
    pulls = result.measures.query("kind == 'pull' and included")
    assert pulls.groupby("session").size().to_dict() == dict.fromkeys((*BEFORE, *AFTER), 3)
    assert result.comparison.high < 0  # cooler, truly; by how much depends on the outcome that was proposed
    assert all(
        drive.log.duration_s
        == pytest.approx(moments(fouled=drive.session.phase == "before", seed=k, pulls=3)[-1]["t"], abs=1.0)
        for k, drive in enumerate(result.drives)
    )
    if "2026" in told:
        assert {name: (day.month, day.day) for name, day in ((d.session.name, d.driven) for d in result.drives)} == DAYS


def test_a_sensor_behind_the_cooler_needs_no_edit_with_options(tmp_path: Path) -> None:
    logs = [
        behind_the_cooler(tmp_path / f"{name}.csv", name, fouled=name in BEFORE, seed=k, pulls=3)
        for k, name in enumerate((*BEFORE, *AFTER))
    ]
    noted = Given(ambient=dict.fromkeys((*BEFORE, *AFTER), "15"))
    draft_experiment(tmp_path / "van", before=logs[:2], after=logs[2:], given=noted, propose=True)
    assert analyse(tmp_path / "van").comparison.high < 0  # K: the fouled cooler was cleaned


def test_the_edits_are_counted() -> None:
    counts = {shape.write.__name__: len(shape.edits) for shape in TEN}
    assert sum(count == 0 for count in counts.values()) == 6
    assert max(counts.values()) == counts["behind_the_cooler"] == 5
