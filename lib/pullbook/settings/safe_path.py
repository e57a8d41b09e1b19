"""Keep Python from importing out of a folder of data, in this process and in every process that it starts."""

from __future__ import annotations

import os
import sys
import sysconfig
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pullbook.settings.files import LIBRARY


def forget_working_folder() -> None:
    """Take the working folder off this process's module path.

    ``python -m`` and an interactive Python put it there, and so does an empty or relative part of ``PYTHONPATH``. What
    was imported earlier stays; a ``sitecustomize`` in such a part runs before any line of ours can.
    """
    sys.path[:] = [entry for entry in sys.path if _may_stay(entry)]


@contextmanager
def safe_children() -> Iterator[None]:
    """Start processes inside this: none of them imports from its working folder.

    ``PYTHONSAFEPATH`` keeps Python from adding it, ``PYTHONPATH`` loses what would mean it, and so does the module path
    that `multiprocessing` hands on. All three are put back afterwards.
    """
    before = {name: os.environ.get(name) for name in ("PYTHONSAFEPATH", "PYTHONPATH")}
    path = list(sys.path)
    try:
        os.environ["PYTHONSAFEPATH"] = "1"
        if before["PYTHONPATH"] is not None:
            kept = [entry for entry in before["PYTHONPATH"].split(os.pathsep) if _may_stay(entry)]
            os.environ["PYTHONPATH"] = os.pathsep.join(kept)
            if not kept:
                del os.environ["PYTHONPATH"]
        forget_working_folder()
        yield
    finally:
        sys.path[:] = path
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _may_stay(entry: str) -> bool:
    """Tell whether a part of the module path may stay: not the folder that the person happens to be in."""
    if not Path(entry).is_absolute():
        return False
    try:
        here = Path.cwd().resolve()
    except OSError:  # it was deleted meanwhile
        return True
    return Path(entry).resolve() != here or here in _INSTALLED


_INSTALLED = {
    LIBRARY.parent.resolve(),
    *(Path(sysconfig.get_path(kind)).resolve() for kind in ("stdlib", "platstdlib", "purelib", "platlib")),
}
