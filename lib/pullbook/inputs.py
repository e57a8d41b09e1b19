"""What a result was made from: one hash over the settings and the logs."""

from __future__ import annotations

import hashlib

from pullbook.errors import ExperimentError, LogError
from pullbook.experiment import Experiment


def inputs_sha256(experiment: Experiment) -> str:
    """Hash the settings and the logs of an experiment.

    Raises
    ------
    ExperimentError
        When two sessions have the same log under two names.
    LogError
        When a log cannot be read.
    """
    total = hashlib.sha256(experiment.model_dump_json().encode())
    seen: dict[str, str] = {}
    for session in experiment.sessions:
        try:
            with experiment.log_path(session).open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            raise LogError(f"{session.log}: cannot be read ({error.strerror}). Check the file.") from None
        if digest in seen:
            raise ExperimentError(
                f"sessions {seen[digest]!r} and {session.name!r} have the same log, byte for byte; each drive counts "
                "once, so remove one"
            )
        seen[digest] = session.name
        total.update(digest.encode())
    return total.hexdigest()
