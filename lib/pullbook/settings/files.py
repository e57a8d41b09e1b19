"""Where files are, and writing a file so that it is never half there."""

from __future__ import annotations

import contextlib
import errno
import glob
import os
import re
import time
from pathlib import Path
from uuid import uuid4

from pullbook.errors import ExperimentError

LIBRARY = Path(__file__).resolve().parents[1]
RENDERED = "rendered"  # where the results of an experiment go, inside it, by default
RESULTS = "results.json"
NO_ROOM = {errno.ENOSPC, errno.EFBIG, errno.EDQUOT}  # a full disk, a limit on the size of files, a quota
_PART = re.compile(r"\d+(-[0-9a-f]{8})?")  # what `write_whole` adds to a name while it writes
STALE_S = 60.0  # a save takes milliseconds; one this old was killed


def check_place(path: Path) -> None:
    """Refuse a path after ``--out`` that is not a file in an existing folder.

    Raises
    ------
    ExperimentError
        When its folder does not exist, or it is no file itself.
    """
    if not path.parent.is_dir() or (path.exists() and not path.is_file()):
        raise ExperimentError(f"--out {path}: no such folder, or not a file name. Give a file in a folder that exists.")


def sweep(path: Path, *, now_s: float | None = None) -> None:
    """Remove the half-written files that killed saves left beside a file.

    Only what `write_whole` names so, and only if nothing was written to it for a minute: another process may be at it.

    Parameters
    ----------
    path : Path
        The file itself.
    now_s : float, optional
        The time on that disk, which may be another machine's; this machine's where it is not given.
    """
    now_s = time.time() if now_s is None else now_s
    with contextlib.suppress(OSError):
        for left in path.parent.glob(f".{glob.escape(path.name)}-*"):
            with contextlib.suppress(OSError):
                ours = _PART.fullmatch(left.name.removeprefix(f".{path.name}-"))
                if ours and not left.is_dir() and now_s - left.lstat().st_mtime > STALE_S:
                    left.unlink()


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file, a text's line ends as given: all of it, or what was there before.

    Raises
    ------
    ExperimentError
        When it cannot be written, or is a link: what that leads to may be anything.
    """
    if path.is_symlink():
        raise ExperimentError(
            f"{path}: this is a link, and pullbook never writes through links. Put the file itself there."
        )
    part = path.with_name(f".{path.name}-{os.getpid()}-{uuid4().hex[:8]}")
    try:
        with part.open("xb") as stream:  # x: what is there already is not written to, and no link is followed
            stream.write(content.encode() if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())  # or a power cut may leave the new name on an empty file
        sweep(path, now_s=part.stat().st_mtime)
        if path.exists():
            part.chmod(path.stat().st_mode)
        part.replace(path)
    except OSError as error:
        raise ExperimentError(f"{path}: cannot be written ({error.strerror}). Check the folder.") from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
