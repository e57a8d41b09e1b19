"""The experiment folder: what the person asked, about which vehicle, from which logs.

An experiment is data. ``experiment.yaml`` is read with a safe parser, checked in full, and every fault is named in
one message: what was given, what is allowed, and the remedy.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import reprlib
import shlex
import stat
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)

from pullbook.days import one_day
from pullbook.errors import ExperimentError, fault_lines
from pullbook.quantities import Shown, System, odometer_typed, typed
from pullbook.settings.outcomes import Outcome, in_kmh, nearest_outcome, outcome_named, outcomes_in_words

FILE_NAME = "experiment.yaml"
MAX_YAML_BYTES = 262_144
MAX_MERGED = 20_000
MOST_BESIDE = 200  # folders that are looked into
MOST_LOGS = 40  # of one drive
_MERGE = "tag:yaml.org,2002:merge"
LOG_SUFFIXES = (".csv", ".tsv", ".txt", ".parquet")
FIGURES_SUFFIXES = (".csv", ".tsv", ".txt")
TRACK_SUFFIXES = (".gpx",)

# No control characters: these texts reach terminals, and a path with a null byte is no path.
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=400, pattern=r"^\P{Cc}*$")]
Name = Annotated[str, StringConstraints(strip_whitespace=True, pattern=r"^[\w][\w .+-]{0,59}$")]


def _may_name(unit: str) -> BeforeValidator:
    """Let a number be typed with a unit: ``45 mph`` where km/h are held."""
    return BeforeValidator(lambda given: typed(given, unit))


Day = Annotated[dt.date, BeforeValidator(one_day)]
Speed = Annotated[float, _may_name("km/h")]
Celsius = Annotated[float, _may_name("°C")]
Metres = Annotated[float, _may_name("m")]
Odometer = Annotated[float, BeforeValidator(odometer_typed)]
Kilograms = Annotated[float, _may_name("kg")]
Litres = Annotated[float, _may_name("L")]
Hectopascals = Annotated[float, _may_name("hPa")]
Wind = Annotated[float, _may_name("m/s")]
Seconds = Annotated[float, _may_name("s")]
Millilitres = Annotated[float, _may_name("ml")]
Percent = Annotated[float, _may_name("%")]


def fuel_meant(given: Any) -> Any:
    """Take a fuel in capitals too, and what petrol is called elsewhere; what is no text passes, to be judged."""
    word = given.strip().lower() if isinstance(given, str) else given
    return "petrol" if word in ("gas", "gasoline", "benzin") else word


def _one_or_several(given: Any) -> Any:
    """Take one path, or a list of them."""
    paths = given if isinstance(given, (list, tuple)) else [given]
    if not 1 <= len(paths) <= MOST_LOGS:
        raise ValueError(f"given a list of {len(paths)}; allowed: one path, or a list of 1 to {MOST_LOGS}")
    try:
        checked = tuple(_PATH.validate_python(path, strict=True) for path in paths)
    except ValidationError:
        raise ValueError(f"given {_given(given)}") from None
    return checked[0] if len(checked) == 1 else checked


_PATH: TypeAdapter[str] = TypeAdapter(Text)
Logs = Annotated[str | tuple[str, ...], BeforeValidator(_one_or_several)]
Mark = Annotated[float, Field(ge=0, le=400), _may_name("km/h")]
RunName = Annotated[str, StringConstraints(pattern=r"^(pull|cruise) [1-9]\d{0,3}$")]
Stretch = Annotated[str, StringConstraints(pattern=r"^\d{1,6}(\.\d{1,3})?-\d{1,6}(\.\d{1,3})?$")]
LEAST_MARKED_S = 3.0
Phase = Literal["before", "after"]
PHASES: tuple[Phase, Phase] = ("before", "after")


class _Settings(BaseModel):
    """Frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Vehicle(_Settings):
    """The vehicle, described without its maker or registration."""

    description: Text = Field(default="not described", description="a line of text")
    fuel: Annotated[Literal["diesel", "petrol"], BeforeValidator(fuel_meant)] = Field(
        default="diesel", description="diesel or petrol"
    )
    mass_kg: Kilograms | None = Field(default=None, ge=200, le=60_000, description="kg with load, 200 to 60000")
    displacement_l: Litres | None = Field(default=None, ge=0.2, le=30, description="litres, 0.2 to 30")
    compressor_efficiency: float = Field(default=0.70, ge=0.4, le=0.9, description="isentropic efficiency, 0.4 to 0.9")


Sensor = Literal[
    "vehicle_speed", "engine_speed", "intake_air_temperature", "charge_air_temperature",
    "compressor_outlet_temperature", "engine_coolant_temperature", "ambient_air_temperature", "engine_oil_temperature",
    "exhaust_gas_temperature", "intake_manifold_pressure", "barometric_pressure", "air_mass_flow",
]  # fmt: skip


SensorWork = Literal["refitted", "cleaned", "replaced"]


class Notes(_Settings):
    """What was found during the service: for the page, and for you in a few years. No figure rests on it."""

    photos: tuple[Text, ...] = Field(default=(), max_length=60, description="a list of the photos' names")
    came_out: Text | None = Field(default=None, description="a line of text, such as 'black, oily'")
    collected_ml: Millilitres | None = Field(default=None, ge=0, le=100_000, description="ml, not negative")
    drying_h: float | None = Field(default=None, ge=0, le=10_000, description="hours, not negative")
    parts_replaced: tuple[Text, ...] = Field(default=(), max_length=60, description="a list of parts")
    remarks: Text | None = Field(default=None, description="a line of text")


class Service(_Settings):
    """What was done between the two phases."""

    what: Text = Field(description="a line of text")
    date: Day | None = Field(default=None, description="a date, such as 2026-03-20, 20.3.2026 or 20 March 2026")
    odometer_km: Odometer | None = Field(default=None, ge=0, le=5e6, description="km, not negative")
    sensors: dict[Sensor, SensorWork] = Field(
        default_factory=dict, description="channel: refitted, cleaned or replaced"
    )
    notes: Notes | None = Field(
        default=None, description="photos, came_out, collected_ml, drying_h, parts_replaced, remarks"
    )

    def disturbed(self, channel: str) -> str | None:
        """Return what was done to a sensor that may have changed its reading: cleaned, replaced; None for neither."""
        done = {str(name): what for name, what in self.sensors.items()}.get(channel)
        return done if done != "refitted" else None


class Protocol(_Settings):
    """How the drives were meant to go; runs are looked for accordingly. Speeds in km/h."""

    cruise_kmh: Speed = Field(default=90, ge=20, le=250, description="steady speed in km/h, 20 to 250")
    pull_from_kmh: Speed = Field(default=40, ge=0, le=200, description="km/h, 0 to 200")
    pull_to_kmh: Speed = Field(default=110, ge=20, le=300, description="km/h, above pull_from_kmh by 20 or more")
    marks_kmh: tuple[Mark, ...] | None = Field(
        default=None,
        min_length=2,
        max_length=12,
        description="2 to 12 rising speeds, 0 to 400 km/h, to time between",
    )
    shift_lift_s: Seconds = Field(
        default=1.5, ge=0, le=5, description="longest lift in s that still counts as a gear change, 0 to 5"
    )
    cruise_min_s: Seconds = Field(default=20, ge=5, le=600, description="shortest cruise in s, 5 to 600")
    cruise_ripple_kmh: Speed = Field(
        default=2, ge=0.5, le=10, description="largest swing either side of the median in km/h, 0.5 to 10"
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.pull_to_kmh < self.pull_from_kmh + 20:
            raise ValueError(
                f"pull_to_kmh is {self.pull_to_kmh:g} and pull_from_kmh is {self.pull_from_kmh:g}. "
                "pull_to_kmh must be at least 20 km/h higher"
            )
        if self.marks_kmh and list(self.marks_kmh) != sorted(set(self.marks_kmh)):
            raise ValueError("marks_kmh must rise, with each speed once")
        return self

    @property
    def usual_pull_s(self) -> float:
        """How long a pull takes a brisk loaded van, which gains 4 km/h a second (common practice, no source)."""
        return (self.pull_to_kmh - self.pull_from_kmh) / 4.0

    @property
    def marks(self) -> tuple[float, ...]:
        """Speed marks [km/h]: those given, else round ones inside the pull's range, tens, or fives if it is narrow.

        The narrowest range, 20 km/h less 5 at its start and 3 at its end, holds two multiples of five.
        """
        if self.marks_kmh:
            return self.marks_kmh
        for step in (10, 5):
            low = step * -(-(self.pull_from_kmh + 5) // step)
            high = step * ((self.pull_to_kmh - 3) // step)
            if low < high:
                break
        middle = step * round((low + high) / 2 / step)
        return tuple(sorted({float(low), float(middle), float(high)}))


@dataclass(frozen=True)
class Marked:
    """A pull that a person marked by hand.

    Attributes
    ----------
    start_s, end_s : float
        Seconds since the log's first stamp.
    reason : str
        Why it counts.
    """

    start_s: float
    end_s: float
    reason: str


def stretch_named(start_s: float, end_s: float) -> str:
    """Return what a stretch of a log is called in the settings, such as ``312.5-327``, from its ends [s]."""
    return "-".join(f"{end:.1f}".removesuffix(".0") for end in (start_s, end_s))


def ends_of(stretch: str) -> tuple[float, float]:
    """Return start and end [s] of a stretch by its name."""
    start, end = stretch.split("-")
    return float(start), float(end)


def _marks(given: Mapping[str, str]) -> list[Marked]:
    """Return pulls marked by hand, rising in time, from their names and reasons."""
    found = [Marked(*ends_of(name), reason) for name, reason in given.items()]
    return sorted(found, key=lambda mark: mark.start_s)


class Session(_Settings):
    """One drive, one log."""

    name: Name = Field(description="letters, digits, space, . _ + -, at most 60")
    phase: Phase = Field(description="before or after")
    log: Logs | None = Field(
        default=None,
        description="a path inside the folder ending in .csv, .tsv, .txt (also .gz) or .parquet; a list of them where "
        "one drive left several logs",
    )
    figures: Text | None = Field(
        default=None,
        description="in place of a log, a table with a row a run, inside the folder, ending in .csv, .tsv or .txt",
    )
    date: Day | None = Field(default=None, description="a date, such as 2026-03-20, 20.3.2026 or 20 March 2026")
    track: Text | None = Field(default=None, description="a GPX track of the same drive, inside the folder")
    ambient_c: Celsius | None = Field(default=None, ge=-50, le=60, description="°C in the shade, -50 to 60")
    metar: Text | None = Field(default=None, description="one METAR report as text")
    pressure_hpa: Hectopascals | None = Field(
        default=None, ge=500, le=1100, description="station pressure in hPa, 500 to 1100"
    )
    humidity_pct: Percent | None = Field(default=None, ge=0, le=100, description="per cent, 0 to 100")
    wind_ms: Wind | None = Field(default=None, ge=0, le=60, description="m/s, 0 to 60")
    altitude_m: Metres | None = Field(default=None, ge=-500, le=5000, description="m above the sea, -500 to 5000")
    notes: Text | None = Field(
        default=None, description="a line of text: load, people, tyre pressure, fuel, road and what else was noted"
    )
    leave_out: dict[RunName, Text] = Field(
        default_factory=dict, description='run and reason, such as {pull 3: "braked for a tractor"}'
    )

    marked_pulls: dict[Stretch, Text] = Field(
        default_factory=dict,
        description="start-end in seconds since the log began, at least 3 s apart and none over another, and the "
        'reason, such as {312.5-327: "the pedal\'s sensor stuck"}',
    )

    @field_validator("marked_pulls")
    @classmethod
    def _apart(cls, given: dict[str, str]) -> dict[str, str]:
        last_s = -LEAST_MARKED_S
        for mark in _marks(given):
            said = f"given {stretch_named(mark.start_s, mark.end_s)!r}"
            if mark.end_s - mark.start_s < LEAST_MARKED_S:
                raise ValueError(f"{said}. A pull has to end at least {LEAST_MARKED_S:g} s after it starts")
            if mark.start_s < last_s:
                raise ValueError(f"{said}. It begins before the one marked before it has ended")
            last_s = mark.end_s
        return given

    @property
    def marks(self) -> tuple[Marked, ...]:
        """The pulls marked by hand, rising in time."""
        return tuple(_marks(self.marked_pulls))

    @property
    def logs(self) -> tuple[str, ...]:
        """The paths of its logs, one or several, or of its figures."""
        if self.figures is not None:
            return (self.figures,)
        return (self.log,) if isinstance(self.log, str) else self.log or ()


ColumnName = Annotated[str, StringConstraints(min_length=1, max_length=400)]


class Column(_Settings):
    """The two facts that settle a column which was not recognised."""

    column: ColumnName | Annotated[tuple[ColumnName, ...], Field(min_length=1, max_length=20)] = Field(
        description="the column's header exactly as in the log, or a list if your logs name it differently"
    )
    unit: Text | None = Field(default=None, description="such as degC, degF, kPa, psi gauge, km/h")

    @property
    def columns(self) -> tuple[str, ...]:
        """The headers, one or several."""
        return (self.column,) if isinstance(self.column, str) else self.column


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
    earlier: tuple[Text, ...] = Field(
        default=(), max_length=20, description="folders of earlier experiments of this vehicle, beside this one"
    )
    planned_sessions: int | None = Field(
        default=None, ge=1, le=60, description="sessions a side decided on before the first drive, 1 to 60"
    )
    units: System = Field(default="metric", description="metric or us: the units of all that is shown")
    sessions: tuple[Session, ...] = Field(min_length=1, max_length=400, description="a list of 1 to 400 drives")
    channels: dict[str, Column] = Field(default_factory=dict, description="channel: {column: ..., unit: ...}")
    folder: Path = Field(default=Path(), exclude=True, repr=False)

    @field_validator("outcome")
    @classmethod
    def _known(cls, outcome: str) -> str:
        outcome = in_kmh(outcome)
        if outcome_named(outcome) is None:
            speeds = re.search(r"(\d{1,3})\D+(\d{1,3})", outcome)
            near = f"'elapsed_s {speeds[1]}-{speeds[2]}'" if speeds else nearest_outcome(outcome)
            hint = f" Did you mean {near}?" if near else ""
            raise ValueError(f"given {_given(outcome)}; allowed: {outcomes_in_words()}.{hint}")
        return outcome

    @field_validator("worthwhile_change", "day_to_day_sd", mode="before")
    @classmethod
    def _in_unit_of_change(cls, given: Any, info: ValidationInfo) -> Any:
        outcome = outcome_named(info.data.get("outcome", ""))
        return typed(given, outcome.change_unit if outcome else "K")

    @property
    def shown(self) -> Shown:
        """The units of all that is shown."""
        return Shown(self.units)

    @property
    def outcome_spec(self) -> Outcome:
        """The figure that the question is about."""
        outcome = outcome_named(self.outcome)
        assert outcome is not None  # the name was checked
        return outcome

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        faults = _inconsistent([vars(s) for s in self.sessions], self.service.date)
        unit = self.outcome_spec.change_unit
        if "worthwhile_change" not in self.model_fields_set and unit != "K":
            faults.append(
                f"worthwhile_change is missing. Its default is 2 K, but {self.outcome} "
                f"{'has no unit' if unit == '1' else f'is in {unit}'}. Give the change that would matter to you"
            )
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
        return cls.from_settings(parse_settings(read_settings(folder)), folder)

    @classmethod
    def from_settings(cls, settings: Mapping[str, Any], folder: Path) -> Experiment:
        """Check settings as they stand in ``experiment.yaml``.

        Parameters
        ----------
        settings : mapping
            Plain values, as `parse_settings` returns them.
        folder : Path
            The experiment folder.

        Returns
        -------
        Experiment

        Raises
        ------
        ExperimentError
            As `load`.
        """
        if "folder" in settings:
            raise ExperimentError(f"{FILE_NAME}: unknown key 'folder'. Remove it.")
        sessions = settings.get("sessions")
        entries = [entry for entry in sessions if isinstance(entry, dict)] if isinstance(sessions, list) else []
        files = (("log", LOG_SUFFIXES), ("figures", FIGURES_SUFFIXES), ("track", TRACK_SUFFIXES))
        faults = [
            fault
            for entry in entries
            for key, kinds in files
            for path in _paths(entry, key)
            if (fault := _file_fault(folder, entry, key, path, kinds))
        ]
        faults += [fault for k, entry in enumerate(entries) if (fault := _source_fault(k, entry))]
        faults += _earlier_faults(folder, settings.get("earlier"))
        try:
            experiment = cls.model_validate({**settings, "folder": folder})
        except ValidationError as error:
            service = settings.get("service")
            serviced = service.get("date") if isinstance(service, dict) else None
            # Told in any case, also when single settings are at fault and the sessions were not compared.
            faults = [*_faults(error, sessions), *_inconsistent(entries, serviced), *faults]
        if faults:
            raise ExperimentError(_message(_one_a_cause(faults)))
        return experiment

    def load_earlier(self) -> tuple[Experiment, ...]:
        """Read the experiments that ``earlier`` names; what those name as theirs is not followed.

        Raises
        ------
        ExperimentError
            When one of them is refused.
        """
        found = []
        for name in self.earlier:
            folder = (self.folder / name).resolve()
            try:
                settings = {k: v for k, v in parse_settings(read_settings(folder)).items() if k != "earlier"}
                found.append(Experiment.from_settings(settings, folder))
            except ExperimentError as refusal:
                raise ExperimentError(f"earlier: {_given(name)}: {refusal}") from None
        return tuple(found)

    def log_paths(self, session: Session) -> tuple[Path, ...]:
        """Return the paths of a session's logs, in the order given."""
        return tuple(self.folder / log for log in session.logs)

    def keep_from(self, path: Path) -> None:
        """Refuse a path to write to that is ``experiment.yaml`` or one of the logs.

        Raises
        ------
        ExperimentError
            When it is one.
        """
        tracks = [self.folder / session.track for session in self.sessions if session.track]
        inputs = [self.folder / FILE_NAME, *(p for s in self.sessions for p in self.log_paths(s)), *tracks]
        if path.resolve() in {own.resolve() for own in inputs}:
            raise ExperimentError(
                f"{path}: this file belongs to the experiment and would be overwritten. Give another --out."
            )

    def in_phase(self, phase: Phase) -> tuple[Session, ...]:
        """Return the sessions of one phase, in the order given."""
        return tuple(s for s in self.sessions if s.phase == phase)


UNDESCRIBED = "not described"


def described(text: str) -> bool:
    """Say whether a person has written what a draft leaves open."""
    return text.strip().lower().rstrip(".") != UNDESCRIBED


def undescribed(folder: str | Path) -> list[str]:
    """Return what an experiment does not describe yet: vehicle, service, neither or both."""
    experiment = Experiment.load(folder)
    texts = {"vehicle": experiment.vehicle.description, "service": experiment.service.what}
    return [what for what, text in texts.items() if not described(text)]


def folders_beside(folder: Path) -> list[Path]:
    """Return the folders beside one that hold an experiment; links and unreadable folders are passed over."""
    found, home = [], folder.resolve()
    with suppress(OSError):
        for path in islice(sorted(home.parent.iterdir()), MOST_BESIDE):
            with suppress(OSError):
                settings = path / FILE_NAME
                if path != home and settings.is_file() and not path.is_symlink() and not settings.is_symlink():
                    found.append(path)
    return found


def experiments_beside(folder: Path) -> list[Experiment]:
    """Read the experiments in the folders beside one; what is refused is passed over."""
    found = []
    for path in folders_beside(folder):
        with suppress(ExperimentError):
            found.append(Experiment.load(path))
    return found


def accepted(model: type[BaseModel], key: str, given: object) -> Any:
    """Check a single setting as ``experiment.yaml`` would.

    Parameters
    ----------
    model : type
        The part of the settings it belongs to, such as `Session`.
    key : str
    given : object
        As typed, perhaps with a unit.

    Returns
    -------
    object
        The value as held inside.

    Raises
    ------
    ValueError
        Says what was given and what is allowed.
    """
    field = model.model_fields[key]
    annotation: Any = field.annotation
    try:
        return vars(create_model("Single", value=(annotation, field))(value=given))["value"]
    except ValidationError as error:
        own = [str(e["ctx"]["error"]) for e in error.errors() if e["type"] == "value_error"]
        raise ValueError(own[0] if own else f"given {_given(given)}; allowed: {field.description}") from None


def read_settings(folder: Path) -> str:
    """Return the text of ``experiment.yaml``, line ends as they are.

    Raises
    ------
    ExperimentError
        When it is missing, too large, or no UTF-8 text.
    """
    path = folder / FILE_NAME
    if folder.is_file():
        raise ExperimentError(
            f"{folder}: that is a file. Give the folder that holds {FILE_NAME}. To make one from logs: "
            "pullbook new my-van --before LOG... --after LOG..."
        )
    if not folder.is_dir():
        raise ExperimentError(f"{folder}: no such folder. Give the folder that holds {FILE_NAME}.")
    if not path.is_file():
        raise ExperimentError(
            f"{folder}: no {FILE_NAME} here. Make a draft with: pullbook new {shlex.quote(str(folder))} "
            "--before LOG... --after LOG..."
        )
    if path.stat().st_size > MAX_YAML_BYTES:
        raise ExperimentError(
            f"{FILE_NAME}: larger than {MAX_YAML_BYTES // 1024} KiB. A few KiB are normal. Is this the right file?"
        )
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            return stream.read()
    except OSError as error:
        raise ExperimentError(f"{path}: cannot be read ({error.strerror}). Check the file.") from None
    except UnicodeDecodeError:
        raise ExperimentError(f"{FILE_NAME}: not UTF-8 text. Save it as UTF-8.") from None


def parse_settings(text: str) -> dict[str, Any]:
    """Return the plain values of ``experiment.yaml``; no object is ever constructed from it.

    Raises
    ------
    ExperimentError
        When it is not valid YAML, or no keys and values.
    """
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    text = text.removeprefix("\ufeff")
    try:
        if "<<" in text or "merge" in text:
            _check_merges(YAML(typ="safe", pure=True).compose(text))
        data = YAML(typ="safe", pure=True).load(text)
    except RecursionError:
        raise ExperimentError(f"{FILE_NAME}: nested too deeply. Lists and keys go three levels deep.") from None
    except ExperimentError:
        raise
    # A damaged value under a tag, such as `!!int ""`, makes the parser raise almost anything.
    except (YAMLError, ValueError, LookupError, TypeError, AttributeError, AssertionError, ArithmeticError) as error:
        mark = getattr(error, "problem_mark", None)
        where = f"line {mark.line + 1}: " if mark else ""
        what = " ".join(str(getattr(error, "problem", None) or error).split())[:200]
        if "constructor for the tag" in what:
            what = "a tag with !. Allowed are plain texts, numbers, lists and keys"
        raise ExperimentError(f"{FILE_NAME}: {where}not valid YAML ({what}). Correct it and try again.") from None
    if not isinstance(data, dict) or not all(isinstance(key, str) for key in data):
        raise ExperimentError(f"{FILE_NAME}: no keys and values found. Start it with a line such as 'title: ...'")
    return data


def _check_merges(node: Any) -> None:
    """Refuse merge keys (``<<``) that would write out more than `MAX_MERGED` keys: doubled often, they never end."""
    merged: dict[int, int] = {}  # by node, how many keys it has once all is merged
    total = 0

    def keys(node: Any) -> int:
        nonlocal total
        if id(node) not in merged:
            merged[id(node)] = MAX_MERGED  # what merges itself has no end
            if isinstance(node.value, str) or node.value is None:
                count = 0
            elif node.value and not isinstance(node.value[0], tuple):
                count = sum(map(keys, node.value))
            else:
                count = 0
                for name, value in node.value:
                    inside = keys(value)
                    merges = name.value == "<<" or name.tag == _MERGE
                    count += inside if merges else 1
                    total += inside if merges else 0
            merged[id(node)] = count
            if max(count, total) > MAX_MERGED:
                raise ExperimentError(
                    f"{FILE_NAME}: its merge keys (<<) expand to more than {MAX_MERGED:,} keys. Write the settings out."
                )
        return merged[id(node)]

    keys(node)


def _inconsistent(sessions: Sequence[Mapping[str, Any]], serviced: object) -> list[str]:
    """Report sessions that are given twice or dated in the wrong phase; wrong types are reported elsewhere."""
    names = [s["name"].strip() for s in sessions if isinstance(s.get("name"), str)]
    # A session that was checked holds a list of logs as a tuple, one that was only read as a list.
    faults = _repeated("name", names)
    for key in ("log", "figures"):
        faults += _repeated(key, [str(Path(path.strip())) for session in sessions for path in _paths(session, key)])
    if type(serviced) is not dt.date:
        return faults
    for session in sessions:
        phase, day = session.get("phase"), session.get("date")
        if type(day) is not dt.date:
            continue
        if (phase == "after" and day < serviced) or (phase == "before" and day > serviced):
            faults.append(
                f"sessions: {_given(session.get('name'))} belongs to {phase!r} but is dated {day}. The service was on "
                f"{serviced}. Correct a date or the phase."
            )
    return faults


def _paths(session: Mapping[str, Any], key: str) -> list[str]:
    """Return the files that a session names, one or several; other types are reported elsewhere."""
    given = session.get(key)
    several = given[:MOST_LOGS] if isinstance(given, (list, tuple)) and key == "log" else [given]
    return [path for path in several if isinstance(path, str)]


def _file_fault(folder: Path, session: Mapping[str, Any], key: str, log: str, suffixes: tuple[str, ...]) -> str | None:
    """Report what is wrong with a file's place; names that are not printable are reported elsewhere."""
    if not log.isprintable():
        return None
    log = log.strip()
    where = f"sessions: {_given(session.get('name'))} {key} {_given(log)}"
    packed = key == "log" and log.lower().endswith(".gz")
    if not (log.lower().removesuffix(".gz") if packed else log.lower()).endswith(suffixes):
        also = ", also with .gz" if key == "log" else ". Save the table as CSV" if key == "figures" else ""
        return f"{where}: allowed are files ending in {', '.join(suffixes)}{also}"
    path = folder / log
    inside = False
    kind = None
    try:
        inside = not Path(log).is_absolute() and path.resolve().is_relative_to(folder.resolve())
        kind = path.stat().st_mode  # is_file() calls links that go round absent
    except (FileNotFoundError, NotADirectoryError):
        pass
    except (OSError, RuntimeError) as error:  # a name too long, no permission, links that go round
        return f"{where}: cannot be reached ({_given(str(error))}). Check the path."
    if not inside:
        return f"{where}: outside the experiment folder. Copy it inside and give the path from there."
    if kind is None:
        return f"{where}: no such file. Check the name, or remove the session."
    if not stat.S_ISREG(kind):
        what = "a folder" if stat.S_ISDIR(kind) else "a pipe or a device"
        return f"{where}: that is {what}, and a file is needed. Correct the path, or put the file itself there."
    return None


def _source_fault(place: int, session: Mapping[str, Any]) -> str | None:
    """Say that a session names neither a log nor figures, or both."""
    given = [key for key in ("log", "figures") if session.get(key) is not None]
    if len(given) == 1:
        return None
    where = _where(("sessions", place, "log"), [*[None] * place, session])
    if given:
        return f"{where}: given beside figures. A drive has one of the two. Keep log, which shows more."
    log, figures = (Session.model_fields[key].description for key in ("log", "figures"))
    return f"{where}: missing. Add it: {log}. Or figures: {figures}."


def _earlier_faults(folder: Path, names: object) -> list[str]:
    """Say which earlier experiments do not lie in folders of their own beside this one; links are resolved first."""
    if not isinstance(names, list):
        return []
    home, seen, faults = folder.resolve(), set(), []
    for name in names:
        if not isinstance(name, str) or not name.isprintable():
            continue  # reported elsewhere
        said = f"earlier: {_given(name)}"
        try:
            path = (folder / name.strip()).resolve()
            there = (path / FILE_NAME).is_file()
            outside = path.parent != home.parent or (there and (path / FILE_NAME).resolve().parent != path)
        except (OSError, RuntimeError) as error:
            faults.append(f"{said}: cannot be reached ({_given(str(error))}); check the path")
            continue
        if path == home:
            faults.append(f"{said}: is this experiment itself; name earlier ones only")
        elif Path(name.strip()).is_absolute() or outside:
            faults.append(
                f"{said}: allowed are folders beside this one, such as ../{path.name}; a link that leads "
                "elsewhere is not followed, so copy the folder there"
            )
        elif not there:
            faults.append(f"{said}: holds no {FILE_NAME}; correct the name, or remove the line")
        elif path in seen:
            faults.append(f"{said}: is given twice; remove one")
        seen.add(path)
    return faults


def _repeated(what: str, values: Sequence[str]) -> list[str]:
    return [
        f"sessions: the {what} {_given(value)} is given {count} times. Each drive counts once: remove or rename one."
        for value, count in Counter(values).items()
        if count > 1
    ]


def _message(faults: list[str]) -> str:
    if len(faults) == 1:
        return f"{FILE_NAME}: {faults[0]}"
    return "\n".join([f"{FILE_NAME} has {len(faults)} faults:", *fault_lines(faults)])


def _one_a_cause(faults: Sequence[str]) -> list[str]:
    """Join the faults that differ only in the session they were found in."""
    sessions: dict[str, list[str]] = {}
    for fault in faults:
        match = _OF_SESSION.match(fault)
        name, cause = (match[1], fault[match.end() :]) if match else ("", fault)
        if name not in sessions.setdefault(cause, []):
            sessions[cause].append(name)
    joined = []
    for cause, names in sessions.items():
        if names == [""]:
            joined.append(cause)
        else:
            joined.append(f"session{'s' if len(names) > 1 else ''} {', '.join(names)}, {cause}")
    return joined


_OF_SESSION = re.compile(r"session ('(?:[^'\\]|\\.)*'|\d+ of the list), ")


def _where(location: tuple[str | int, ...], sessions: object) -> str:
    """Say where a setting stands: sessions by their name, items of a list by their number."""
    if len(location) > 1 and location[0] == "sessions" and isinstance(location[1], int):
        place = location[1]
        entry = sessions[place] if isinstance(sessions, list) and place < len(sessions) else None
        name = entry.get("name") if isinstance(entry, dict) else None
        called = _given(name) if isinstance(name, str) and name.isprintable() else f"{place + 1} of the list"
        return f"session {called}, {_where(location[2:], None)}".removesuffix(", ")
    words = [f"item {part + 1}" if isinstance(part, int) else part for part in location]
    return ".".join(words).replace(".item", ", item")


def _faults(error: ValidationError, sessions: object) -> list[str]:
    faults: list[str] = []
    items = error.errors(include_url=False)
    # A list whose items are at fault is reported as too short as well, which helps nobody.
    around = {item["loc"][:depth] for item in items for depth in range(1, len(item["loc"]))}
    for item in items:
        if item["loc"] in around:
            continue
        location = tuple(part for part in item["loc"] if part != "[key]")
        where = _where(location, sessions)
        given = _given(item.get("input"))
        if item["type"] == "extra_forbidden":
            allowed = list(_model_at(location[:-1]).model_fields)
            allowed = [name for name in allowed if name != "folder"]
            near = difflib.get_close_matches(str(location[-1]), allowed, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else " Remove it."
            faults.append(f"{where}: unknown key. Allowed here: {', '.join(allowed)}.{hint}")
        elif item["type"] == "missing":
            faults.append(f"{where}: missing. Add it: {_description(location)}.")
        elif item["type"] == "value_error":
            text = str(item["ctx"]["error"])
            if text.startswith("given") and "allowed:" not in text:  # a number with a unit that does not fit
                text += f"; allowed: {_description(location)}"
            faults += [f"{where}: {line}" if where else line for line in text.splitlines()]
        else:
            said = f"Allowed: {_description(location)}" if _description(location) else item["msg"]
            faults.append(f"{where}: given {given}. {said}.")
    return faults


def _given(value: object) -> str:
    """Show a value that was given; briefly, for aliases can make a short file very deep."""
    brief = reprlib.Repr()
    brief.maxlevel, brief.maxlist, brief.maxdict, brief.maxstring = 2, 3, 3, 80
    try:
        return brief.repr(value)
    except ValueError:  # Python writes out no whole number of more than 4,300 digits
        return "a number with thousands of digits"


def _model_at(location: tuple[str | int, ...]) -> type[BaseModel]:
    """Find the settings class that a fault's location lies in."""
    models: dict[str, type[BaseModel]] = {
        "vehicle": Vehicle,
        "service": Service,
        "protocol": Protocol,
        "sessions": Session,
        "channels": Column,
    }
    if tuple(location[:2]) == ("service", "notes"):
        return Notes
    return models.get(str(location[0]), Experiment) if location else Experiment


def _description(location: tuple[str | int, ...]) -> str:
    names = [part for part in location if isinstance(part, str)]
    for depth in range(len(names), 0, -1):
        model = _model_at(tuple(names[: depth - 1]))
        field = model.model_fields.get(names[depth - 1])
        if field is not None and field.description:
            return field.description
    return ""
