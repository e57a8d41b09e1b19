"""Writing a file so that it is never half there."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from pullbook.errors import ExperimentError


def write_whole(path: Path, text: str) -> None:
    """Write a text file: the whole of it or, whatever happens, what was there before.

    Raises
    ------
    ExperimentError
        When it cannot be written.
    """
    part = path.with_name(f".{path.name}-{os.getpid()}")
    try:
        part.write_text(text, encoding="utf-8")
        with part.open("rb+") as stream:
            os.fsync(stream.fileno())  # or a power cut may leave the new name on an empty file
        part.replace(path)
    except OSError as error:
        raise ExperimentError(f"--out {path}: cannot be written ({error.strerror}); give another path") from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
