"""The experiment folder: what the person asked, about which vehicle, from which logs.

An experiment is data. ``experiment.yaml`` is read with a safe parser, checked in full, and every fault is told in
one message: what was given, what is allowed, and the remedy.
"""

from __future__ import annotations

import datetime as dt
import difflib
import reprlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from pullbook.errors import ExperimentError
from pullbook.outcomes import OUTCOMES, outcome_named

FILE_NAME = "experiment.yaml"
MAX_YAML_BYTES = 262_144
LOG_SUFFIXES = (".csv", ".tsv", ".txt")

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=400)]
Name = Annotated[str, StringConstraints(strip_whitespace=True, pattern=r"^[\w][\w .+-]{0,59}$")]
RunName = Annotated[str, StringConstraints(pattern=r"^(pull|cruise) [1-9]\d{0,3}$")]
Phase = Literal["before", "after"]


class _Settings(BaseModel):
    """Frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Vehicle(_Settings):
    """The vehicle, described without its maker or registration."""

    description: Text = Field(default="not described", description="a line of text")
    fuel: Literal["diesel", "petrol"] = Field(default="diesel", description="diesel or petrol")
    mass_kg: float | None = Field(default=None, ge=200, le=60_000, description="kg with load, 200 to 60000")
    displacement_l: float | None = Field(default=None, ge=0.2, le=30, description="litres, 0.2 to 30")
    compressor_efficiency: float = Field(default=0.70, ge=0.4, le=0.9, description="isentropic efficiency, 0.4 to 0.9")


class Service(_Settings):
    """What was done between the two phases."""

    what: Text = Field(description="a line of text")
    date: dt.date | None = Field(default=None, description="a date, YYYY-MM-DD")
    odometer_km: float | None = Field(default=None, ge=0, le=5e6, description="km, not negative")


class Protocol(_Settings):
    """How the drives were meant to go; runs are looked for accordingly. Speeds in km/h."""

    cruise_kmh: float = Field(default=90, ge=20, le=250, description="steady speed in km/h, 20 to 250")
    pull_from_kmh: float = Field(default=40, ge=0, le=200, description="km/h, 0 to 200")
    pull_to_kmh: float = Field(default=110, ge=20, le=300, description="km/h, above pull_from_kmh by 20 or more")
    marks_kmh: tuple[float, ...] | None = Field(
        default=None,
        min_length=2,
        max_length=12,
        description="rising speeds in km/h to take elapsed times between",
    )
    shift_lift_s: float = Field(
        default=1.5, ge=0, le=5, description="longest lift in s that still counts as a gear change, 0 to 5"
    )
    cruise_min_s: float = Field(default=20, ge=5, le=600, description="shortest cruise in s, 5 to 600")
    cruise_ripple_kmh: float = Field(
        default=2, ge=0.5, le=10, description="allowed ripple about the median in km/h, 0.5 to 10"
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.pull_to_kmh < self.pull_from_kmh + 20:
            raise ValueError(
                f"pull_to_kmh is {self.pull_to_kmh:g} and pull_from_kmh is {self.pull_from_kmh:g}; "
                "pull_to_kmh must be at least 20 km/h higher"
            )
        if self.marks_kmh and list(self.marks_kmh) != sorted(set(self.marks_kmh)):
            raise ValueError("marks_kmh must rise, each speed once")
        return self

    @property
    def marks(self) -> tuple[float, ...]:
        """Speed marks in km/h: those given, else three round ones inside the pull's range."""
        if self.marks_kmh:
            return self.marks_kmh
        low = 10 * -(-(self.pull_from_kmh + 5) // 10)
        high = 10 * ((self.pull_to_kmh - 3) // 10)
        middle = 10 * round((low + high) / 20)
        return tuple(sorted({float(low), float(middle), float(high)}))


class Session(_Settings):
    """One drive, one log."""

    name: Name = Field(description="letters, digits, space, . _ + -, at most 60")
    phase: Phase = Field(description="before or after")
    log: Text = Field(description="a path inside the folder ending in .csv, .tsv or .txt, also .gz")
    date: dt.date | None = Field(default=None, description="a date, YYYY-MM-DD")
    ambient_c: float | None = Field(default=None, ge=-50, le=60, description="°C in the shade, -50 to 60")
    metar: Text | None = Field(default=None, description="one METAR report as text")
    pressure_hpa: float | None = Field(
        default=None, ge=500, le=1100, description="station pressure in hPa, 500 to 1100"
    )
    humidity_pct: float | None = Field(default=None, ge=0, le=100, description="per cent, 0 to 100")
    wind_ms: float | None = Field(default=None, ge=0, le=60, description="m/s, 0 to 60")
    leave_out: dict[RunName, Text] = Field(
        default_factory=dict, description='run and reason, such as {pull 3: "braked for a tractor"}'
    )


class Column(_Settings):
    """The two facts that settle a column which was not recognised."""

    column: Annotated[str, StringConstraints(min_length=1, max_length=400)] = Field(
        description="the column's header as it stands in the log"
    )
    unit: Text | None = Field(default=None, description="such as degC, degF, kPa, psi gauge, km/h")


class Experiment(_Settings):
    """A validated ``experiment.yaml`` and the folder it came from."""

    title: Text = Field(description="a line of text")
    question: Text | None = Field(default=None, description="a line of text")
    vehicle: Vehicle = Field(default_factory=Vehicle, description="description, fuel, mass_kg and so on")
    service: Service = Field(description="what, and if known date and odometer_km")
    protocol: Protocol = Field(default_factory=Protocol, description="cruise_kmh, pull_from_kmh, pull_to_kmh")
    outcome: str = Field(default="peak_rise", description="one of the measures")
    worthwhile_change: float = Field(default=2.0, gt=0, le=1e4, description="above 0, in the outcome's unit")
    day_to_day_sd: float | None = Field(default=None, gt=0, le=1e4, description="above 0, in the outcome's unit")
    sessions: tuple[Session, ...] = Field(min_length=1, max_length=400, description="a list of drives")
    channels: dict[str, Column] = Field(default_factory=dict, description="channel: {column: ..., unit: ...}")
    folder: Path = Field(default=Path(), exclude=True, repr=False)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        faults = [*_repeated("name", (s.name for s in self.sessions))]
        faults += _repeated("log", (str(Path(s.log)) for s in self.sessions))
        if outcome_named(self.outcome) is None:
            near = difflib.get_close_matches(self.outcome, OUTCOMES, n=1)
            hint = f" Did you mean {near[0]}?" if near else ""
            faults.append(
                f"outcome: given {self.outcome!r}; allowed: {', '.join(OUTCOMES)}, "
                f"or elapsed_s with two speeds such as 'elapsed_s 60-90'.{hint}"
            )
        if self.service.date:
            faults += [
                f"sessions: {s.name!r} belongs to 'after' but is dated {s.date}, before the service on "
                f"{self.service.date}; correct one of the dates or the phase"
                for s in self.sessions
                if s.phase == "after" and s.date and s.date < self.service.date
            ]
        if faults:
            raise ValueError("\n".join(faults))
        return self

    @classmethod
    def load(cls, folder: str | Path) -> Experiment:
        """Read and check ``experiment.yaml`` in a folder.

        Parameters
        ----------
        folder : path
            The experiment folder.

        Returns
        -------
        Experiment

        Raises
        ------
        ExperimentError
            With every fault found, each with what was given, what is allowed and the remedy.
        """
        folder = Path(folder)
        data = _read_yaml(folder)
        if "folder" in data:
            raise ExperimentError(f"{FILE_NAME}: unknown key 'folder'; remove it")
        try:
            experiment = cls.model_validate({**data, "folder": folder})
        except ValidationError as error:
            raise ExperimentError(_all_faults(error)) from None
        faults = [fault for s in experiment.sessions if (fault := _log_fault(folder, s))]
        if faults:
            raise ExperimentError(_message(faults))
        return experiment

    def log_path(self, session: Session) -> Path:
        """Return the path of a session's log."""
        return self.folder / session.log

    def in_phase(self, phase: Phase) -> tuple[Session, ...]:
        """Return the sessions of one phase, in the order given."""
        return tuple(s for s in self.sessions if s.phase == phase)


def _read_yaml(folder: Path) -> Mapping[str, Any]:
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    path = folder / FILE_NAME
    if not folder.is_dir():
        raise ExperimentError(f"{folder}: no such folder. Give the folder that holds {FILE_NAME}.")
    if not path.is_file():
        raise ExperimentError(
            f"{folder}: holds no {FILE_NAME}. Make a draft with: pullbook new {folder} --before LOG... --after LOG..."
        )
    if path.stat().st_size > MAX_YAML_BYTES:
        raise ExperimentError(f"{FILE_NAME}: larger than {MAX_YAML_BYTES // 1024} KiB; a few kB are usual")
    try:
        data = YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise ExperimentError(f"{FILE_NAME}: not UTF-8 text; save it as UTF-8") from None
    except (YAMLError, ValueError, RecursionError) as error:
        mark = getattr(error, "problem_mark", None)
        where = f"line {mark.line + 1}: " if mark else ""
        what = getattr(error, "problem", None) or str(error).splitlines()[0]
        raise ExperimentError(f"{FILE_NAME}: {where}not valid YAML ({what}); correct it and try again") from None
    if not isinstance(data, dict) or not all(isinstance(key, str) for key in data):
        raise ExperimentError(f"{FILE_NAME}: must hold keys and values such as 'title: ...'")
    return data


def _log_fault(folder: Path, session: Session) -> str | None:
    """Say what is wrong with where a session's log lies, if anything."""
    where = f"sessions: {session.name!r} log {session.log!r}"
    plain = session.log.removesuffix(".gz")
    if not plain.lower().endswith(LOG_SUFFIXES):
        return f"{where}: allowed are files ending in {', '.join(LOG_SUFFIXES)}, also with .gz"
    path = folder / session.log
    if Path(session.log).is_absolute() or not path.resolve().is_relative_to(folder.resolve()):
        return f"{where}: lies outside the experiment folder; copy it inside and give the path from there"
    if not path.is_file():
        return f"{where}: no such file; check the name, or remove the session"
    return None


def _repeated(what: str, values: Iterable[str]) -> list[str]:
    seen: set[str] = set()
    doubles = sorted({v for v in values if v in seen or seen.add(v)})  # type: ignore[func-returns-value]
    return [
        f"sessions: the {what} {value!r} is given twice; each drive counts once, so remove or rename one"
        for value in doubles
    ]


def _message(faults: list[str]) -> str:
    if len(faults) == 1:
        return f"{FILE_NAME}: {faults[0]}"
    return f"{FILE_NAME} has {len(faults)} faults:\n" + "\n".join(f"  - {fault}" for fault in faults)


def _all_faults(error: ValidationError) -> str:
    faults: list[str] = []
    for item in error.errors(include_url=False):
        location = tuple(part for part in item["loc"] if part != "[key]")
        where = ".".join(str(part + 1) if isinstance(part, int) else part for part in location)
        given = reprlib.repr(item.get("input"))
        if item["type"] == "extra_forbidden":
            allowed = list(_model_at(location[:-1]).model_fields)
            allowed = [name for name in allowed if name != "folder"]
            near = difflib.get_close_matches(str(location[-1]), allowed, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else " Remove it."
            faults.append(f"{where}: unknown key; allowed here: {', '.join(allowed)}.{hint}")
        elif item["type"] == "missing":
            faults.append(f"{where}: missing; allowed: {_description(location)}. Add it.")
        elif item["type"] == "value_error":
            text = str(item["ctx"]["error"])
            faults += [f"{where}: {line}" if where else line for line in text.splitlines()]
        else:
            said = f"allowed: {_description(location)}" if _description(location) else item["msg"]
            faults.append(f"{where}: given {given}; {said}. Correct it.")
    return _message(faults)


def _model_at(location: tuple[str | int, ...]) -> type[BaseModel]:
    """Find the settings class that a fault's location lies in."""
    models: dict[str, type[BaseModel]] = {
        "vehicle": Vehicle,
        "service": Service,
        "protocol": Protocol,
        "sessions": Session,
        "channels": Column,
    }
    return models.get(str(location[0]), Experiment) if location else Experiment


def _description(location: tuple[str | int, ...]) -> str:
    names = [part for part in location if isinstance(part, str)]
    for depth in range(len(names), 0, -1):
        model = _model_at(tuple(names[: depth - 1]))
        field = model.model_fields.get(names[depth - 1])
        if field is not None and field.description:
            return field.description
    return ""
