"""What a result was made from: one hash over the settings and the logs, one over the program."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from pullbook.errors import ExperimentError, LogError
from pullbook.settings.experiment import Experiment
from pullbook.settings.files import LIBRARY


def inputs_sha256(experiment: Experiment) -> str:
    """Hash the settings, the logs and the tracks of an experiment and of the earlier ones; units shown change nothing.

    Parameters
    ----------
    experiment : Experiment

    Returns
    -------
    str
        64 hex digits.

    Raises
    ------
    ExperimentError
        When two sessions have the same log under two names, an earlier experiment's included.
    LogError
        When a log cannot be read.
    """
    total = hashlib.sha256()
    earlier = experiment.load_earlier()
    logs = named_logs(experiment)
    for name, one in zip(experiment.earlier, earlier, strict=True):
        logs |= named_logs(one, f"{name}: ")
    for digest in log_digests(logs):
        total.update(digest.encode())
    for one in (experiment, *earlier):
        total.update(one.model_dump_json(exclude={"units"}).encode())
        for track in (session.track for session in one.sessions if session.track):
            total.update(_digest(one.folder / track).encode())
    return total.hexdigest()


def named_logs(experiment: Experiment, prefix: str = "") -> dict[str, Path]:
    """Return the paths of all logs by their session's name, numbered where one drive left several.

    Parameters
    ----------
    experiment : Experiment
    prefix : str
        Put before each name.
    """
    found = {}
    for session in experiment.sessions:
        paths = experiment.log_paths(session)
        for k, path in enumerate(paths, start=1):
            found[f"{prefix}{session.name}{f', log {k}' if len(paths) > 1 else ''}"] = path
    return found


def log_digests(paths: Mapping[str, Path]) -> list[str]:
    """Hash logs.

    Parameters
    ----------
    paths : mapping of str to Path
        By the name of their session.

    Returns
    -------
    list of str
        64 hex digits each, in the order given.

    Raises
    ------
    ExperimentError
        When two of them are the same, byte for byte.
    LogError
        When a log cannot be read.
    """
    seen: dict[str, str] = {}
    for name, path in paths.items():
        digest = _digest(path)
        if digest in seen:
            raise ExperimentError(
                f"sessions {seen[digest]} and {name!r} ({path.name}) have the same log, byte for byte. Each drive "
                "counts once: remove one."
            )
        seen[digest] = f"{name!r} ({path.name})"
    return list(seen)


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise LogError(f"{path.name}: cannot be read ({error.strerror}). Check the file.") from None


def program_sha256(library: Path = LIBRARY, *others: Path) -> str:
    """Hash what makes a result besides its inputs.

    Parameters
    ----------
    library : Path
        The library's folder, with its page template.
    *others : Path
        Further files.

    Returns
    -------
    str
        64 hex digits.
    """
    parts = sorted(p for p in library.rglob("*") if p.suffix in {".py", ".css", ".js", ".j2", ".json"})
    total = hashlib.sha256()
    for path in (*parts, *others):
        total.update(hashlib.sha256(path.read_bytes()).digest())
    return total.hexdigest()
