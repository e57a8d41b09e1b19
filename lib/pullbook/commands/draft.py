"""The text of a draft: an ``experiment.yaml`` with a comment where a person may want to change something."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from pullbook.commands.guess import Guess, spec_of, us_marks
from pullbook.commands.questions import Answers, Drawn
from pullbook.quantities import US, Shown
from pullbook.reading.logs import settling_line
from pullbook.reading.sensor_place import INLET
from pullbook.settings.experiment import UNDESCRIBED

AT = 31  # the column in which comments begin
HELPS = {
    "metric": "pressure_hpa and wind_ms help too",
    "us": "pressure_hpa: 29.9 inHg and wind_ms: 5 mph help too",
}


def draft_text(
    guess: Guess,
    drives: Sequence[Drawn],
    targets: Sequence[str],
    said: Answers,
    earlier: Sequence[str] = (),
) -> str:
    """Return the text of ``experiment.yaml``.

    Parameters
    ----------
    guess : Guess
        Its protocol.
    drives : sequence of Drawn
    targets : sequence of str
        Where each drive's log lies, from the folder on.
    said : Answers
    earlier : sequence of str
        Earlier experiments of this vehicle, such as ``../fin-wash-2024``.
    """
    protocol, shown = guess.protocol, Shown(said.units)
    cruise = "" if guess.cruise else "no steady stretch found; a first guess"
    pulls = (
        "" if guess.pulls else "no log shows it; a first guess" if guess.written else "no pulls found; a first guess"
    )
    odometer = "odometer_km: 92000 miles" if shown == US else "odometer_km"
    lacking = [*(["date: YYYY-MM-DD"] if not said.date else []), *([odometer] if not said.odometer else [])]
    shade = "57 °F" if shown == US else "14.0"
    found = "speeds found in the logs; " if guess.pulls or guess.cruise else ""
    lines = [
        f"title: {json.dumps(_plain(said.title), ensure_ascii=False)}",
        "question: Did the service help?",
        *([_noted("units: us", "of all that is shown; settings may name theirs")] if said.units == "us" else []),
        "vehicle:",
        _noted(f"  description: {_text(said.vehicle)}", "size, fuel and kind of cooler; no registration"),
        _noted(f"  fuel: {said.fuel}", f"diesel | petrol{f'; {said.fuel_reason}' if said.fuel_reason else ''}"),
        "service:",
        *([f"  date: {said.date}"] if said.date else []),
        _noted(
            f"  what: {_text(said.service)}",
            f"one line; add {' and '.join(lacking)} if you like" if lacking else "one line",
        ),
        *([f"  odometer_km: {_number(said.odometer)}"] if said.odometer else []),
        *(["  sensors:", *(f"    {channel}: {work}" for channel, work in said.work.items())] if said.work else []),
        _noted("protocol:", f"{found}correct them if you drove at others"),
        _speed("cruise_kmh", protocol.cruise_kmh, cruise, shown),
        _speed("pull_from_kmh", protocol.pull_from_kmh, pulls, shown),
        _speed("pull_to_kmh", protocol.pull_to_kmh, pulls, shown),
        *_marks(guess, said),
        _noted(f"outcome: {said.outcome}", _meaning(said.outcome, shown)),
        _noted(f"worthwhile_change: {_number(said.worthwhile)}", _in_unit(said.outcome, shown)),
        *(
            [
                "earlier:                       # this vehicle's days, from the experiments beside this one",
                *(f"  - {_text(name)}" for name in earlier),
            ]
            if earlier
            else []
        ),
        *_channels(drives, said),
        "sessions:",
    ]
    for drive, target in zip(drives, targets, strict=True):
        ambient = said.ambient.get(drive.name)
        lines += [
            f"  - name: {drive.name}",
            f"    phase: {drive.phase}",
            f"    {'log' if drive.log.figures is None else 'figures'}: {json.dumps(target, ensure_ascii=False)}",
            *([f"    date: {drive.day}"] if drive.says_date and drive.day else []),
            *(
                ["    # date: 2026-03-14         # when it was driven"]
                if drive.log.figures is not None and not drive.says_date
                else []
            ),
            _noted(f"    ambient_c: {_number(ambient)}", f"in the shade; {HELPS[said.units]}")
            if ambient is not None
            else _noted(f"    # ambient_c: {shade}", f"in the shade, if you noted it; {HELPS[said.units]}"),
            *([f"    pressure_hpa: {_number(said.pressure[drive.name])}"] if drive.name in said.pressure else []),
            "    # notes: load, people, tyre pressure, fuel, road",
        ]
    return "\n".join(lines) + "\n"


def _marks(guess: Guess, said: Answers) -> list[str]:
    """Name the speeds between which pulls are timed, where they are not the usual ones."""
    if guess.protocol.marks_kmh:
        return [f"  marks_kmh: [{', '.join(f'{mark:g}' for mark in guess.protocol.marks_kmh)}]"]
    marks = us_marks(guess.protocol) if said.units == "us" else ()
    return [f"  marks_kmh: [{', '.join(f'{mark} mph' for mark in marks)}]"] if len(marks) > 1 else []


def _channels(drives: Sequence[Drawn], said: Answers) -> list[str]:
    """Settle where the intake sensor sits."""
    if said.sensor is None:
        return []
    columns = list(dict.fromkeys(s.column for drive in drives if (s := drive.log.get(INLET)) is not None))
    channel = INLET if said.sensor == "before" else "charge_air_temperature"
    where = "before the compressor" if said.sensor == "before" else "after the charge-air cooler"
    return [_noted("channels:", f"the intake sensor sits {where}"), settling_line(channel, columns)]


def _speed(key: str, kmh: float, comment: str, shown: Shown) -> str:
    """Return a line of the protocol; where speeds are shown in mph, its comment gives them too."""
    in_mph = shown.quantity(kmh, "km/h", 0) if shown == US else ""
    return _noted(f"  {key}: {kmh:g}", "; ".join(filter(None, (in_mph, comment))))


def _meaning(outcome: str, shown: Shown) -> str:
    spec = spec_of(outcome)
    label = shown.text(spec.label)
    return label if spec.unit == "1" else f"{label}, in {shown.unit(spec.unit)}"


def _in_unit(outcome: str, shown: Shown) -> str:
    unit = shown.unit(spec_of(outcome).change_unit)
    of = "without a unit" if unit == "1" else f"in the outcome's unit, here {unit}"
    return f"{of}; a smaller change makes no difference to you"


def _noted(line: str, comment: str) -> str:
    return f"{line.ljust(AT - 1)} # {comment}" if comment else line


def _number(text: str) -> str:
    """Return a number as it is, one with a unit in quotes."""
    return text if re.fullmatch(r"-?\d+(\.\d+)?", text) else json.dumps(text, ensure_ascii=False)


def _text(text: str) -> str:
    return text if text == UNDESCRIBED else json.dumps(text, ensure_ascii=False)


def _plain(text: str) -> str:
    return re.sub(r"[^\w .,+-]", " ", text).strip() or "An experiment"
