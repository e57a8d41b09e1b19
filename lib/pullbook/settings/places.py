"""Where results go: never through a link in somebody's experiment, nor through one that nobody named."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from pullbook.errors import ExperimentError
from pullbook.settings.experiment import FILE_NAME

LEDGER = "ledger.csv"  # in a vehicle's folder
MOST_LINKS = 40  # on one path; as many as Linux follows


def place_for(given: str | Path | None, default: Path) -> Path:
    """Return the real path to write to.

    Parameters
    ----------
    given : path or None
        What the person typed. It may lead through links of their own, but through none that lies in an experiment:
        that is data, and may be somebody else's.
    default : Path
        Where it goes if nothing was typed. Its last part must be no link at all: nobody chose where that leads.

    Returns
    -------
    Path

    Raises
    ------
    ExperimentError
        When such a link is on the way.
    """
    if given is None or Path(given) == default:
        check_no_link(default)
        return default.parent.resolve() / default.name
    for link in _links_on(Path(given)):
        folder = link.parent
        if any((above / FILE_NAME).is_file() for above in (folder, *folder.parents)):
            raise ExperimentError(
                f"--out {given}: {link} is a link inside an experiment, and pullbook never writes through those. Give "
                "the real path."
            )
    return Path(given).resolve()


def check_no_link(path: Path, *, below: Path | None = None) -> None:
    """Refuse a path to write to that is a link, or leads through one.

    Parameters
    ----------
    path : Path
    below : Path, optional
        Look at every part of the path below this folder, not at the last alone.

    Raises
    ------
    ExperimentError
        When there is a link.
    """
    parts = [path] if below is None else [path, *(above for above in path.parents if above.is_relative_to(below))][:-1]
    for part in parts:
        if part.is_symlink():
            raise ExperimentError(
                f"{part}: this is a link that you did not name, and pullbook never writes through those. Remove it, or "
                "put the file or folder itself there."
            )


def ledger_of(folders: Sequence[str | Path]) -> str:
    """Return the path of the ledger in a vehicle's folder, beside its experiments; empty where there is none.

    Parameters
    ----------
    folders : sequence of path
        Of experiments, or one that holds them.
    """
    homes = dict.fromkeys(
        folder.parent if (folder / FILE_NAME).is_file() else folder for folder in (Path(f).resolve() for f in folders)
    )
    found = [home / LEDGER for home in homes if (home / LEDGER).is_file()]
    return str(found[0]) if len(found) == 1 else ""


def _links_on(path: Path) -> Iterator[Path]:
    """Yield every link that opening a path would follow, those that links lead to included."""
    here = Path.cwd()
    todo = list(reversed(path.parts))
    found = 0
    while todo:
        part = todo.pop()
        if part == os.curdir:
            continue
        here = here.parent if part == os.pardir else here / part  # an absolute part begins anew
        if here.is_symlink():
            found += 1
            if found > MOST_LINKS:
                raise ExperimentError(f"--out {path}: its links go round in a circle. Give the real path.")
            yield here.parent.resolve() / here.name
            todo += reversed(here.readlink().parts)
            here = here.parent
