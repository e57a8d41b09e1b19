"""The samples, copies of them, and what is looked for in what is made from them."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pullbook.analysis.result import Result
    from pullbook.report.figures import Picture

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"


SAMPLE_NAMES = ("fin_wash", "two_evenings", "nothing_done", "loose_clamp")


# What a hostile or careless person writes where text is shown. None of it may become markup.
HOSTILE = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\"> **bold** `code` ${x}"


def copy_sample(name: str, folder: Path) -> Path:
    """Copy a sample's inputs; what was rendered there stays behind."""
    return Path(shutil.copytree(SAMPLES / name, folder, ignore=shutil.ignore_patterns("rendered*", ".*")))


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder, hidden ones included, with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def overlays(result: Result) -> list[Picture]:
    """Return the pictures of the pulls laid over each other that a result has."""
    from pullbook.report import figures

    drawn = (figures.charge_over_time(result), figures.pressure_over_time(result), figures.rise_over_speed(result))
    return [picture for picture in drawn if picture is not None]
