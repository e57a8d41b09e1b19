"""Files that belong together change together: all of them are the new ones, or none.

The new files are gathered in a stage, a folder on the same disk. A manifest there, `MANIFEST`, is the point of no
return: until it is written nothing has changed, and from then on the stage holds everything that is needed to finish,
so `finish` can be called again after any interruption, by another process too. The manifest moves last. It holds the
hash of each file and what they were made from; files are believed only while it agrees with all of them.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Collection, Mapping
from io import BufferedReader
from pathlib import Path
from typing import Any

from pullbook.settings.files import write_whole

MANIFEST = "made_by.json"
MOST_SAID = 1_000_000  # bytes; one takes a thousand


def manifest(files: Mapping[str, bytes], made_from: Mapping[str, Any]) -> str:
    """Return the text of a manifest.

    Parameters
    ----------
    files : mapping of str to bytes
        Content by name.
    made_from : mapping
        What they were made from: plain JSON types.
    """
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    return json.dumps({"made_from": made_from, "files": digests}, indent=1) + "\n"


def made_whole(folder: Path, names: Collection[str], made_from: Mapping[str, Any]) -> bool:
    """Say whether a folder holds these files, untouched since they were made together, from just this.

    Parameters
    ----------
    folder : Path
    names : collection of str
        The files that have to be there.
    made_from : mapping
        As for `manifest`.
    """
    try:
        said = _said(folder)
        return (
            said["made_from"] == json.loads(json.dumps(made_from))
            and said["files"].keys() == set(names)
            and all(_digest(folder / name) == said["files"][name] for name in names)
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return False


def commit(stage: Path, target: Path, names: Collection[str], made_from: Mapping[str, Any]) -> None:
    """Put the files of a stage in place of those in a folder, which may hold others.

    An interruption, such as Ctrl-C, either leaves everything as it was or comes too late to change anything.

    Parameters
    ----------
    stage : Path
        On the target's disk; holds all the files.
    target : Path
        Made if need be.
    names : collection of str
    made_from : mapping
        As for `manifest`.
    """
    text = manifest({name: (stage / name).read_bytes() for name in names}, made_from)
    target.mkdir(parents=True, exist_ok=True)
    try:
        write_whole(stage / MANIFEST, text)
        finish(stage, target, names)
    except KeyboardInterrupt:
        if not (stage / MANIFEST).is_file():
            raise
        finish(stage, target, names)


def finish(stage: Path, target: Path, names: Collection[str]) -> None:
    """Move what is left of a committed stage; do nothing for a stage that was not committed or is not sound.

    Parameters
    ----------
    stage, target : Path
    names : collection of str
        The files that may be moved.
    """
    try:
        digests = _said(stage)["files"]
        left = [name for name in names if os.path.lexists(stage / name)]
        lies_in = {name: stage if name in left else target for name in names}
        sound = digests == {name: _digest(folder / name) for name, folder in lies_in.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return
    if not sound:
        return
    target.mkdir(parents=True, exist_ok=True)
    for name in left:
        (stage / name).replace(target / name)
    (stage / MANIFEST).replace(target / MANIFEST)


def _said(folder: Path) -> Any:
    """Return what a manifest says."""
    with _plain_file(folder / MANIFEST) as stream:
        return json.loads(stream.read(MOST_SAID))


def _digest(path: Path) -> str:
    with _plain_file(path) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _plain_file(path: Path) -> BufferedReader:
    """Open a file that is no link, whose target may change at any time, and no pipe, which nobody may ever write to."""
    if not stat.S_ISREG(path.lstat().st_mode):
        raise OSError
    return path.open("rb")
