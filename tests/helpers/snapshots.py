"""Whole wordings, kept as text files; ``make snapshots`` writes them anew, and the difference is there to be read."""

from __future__ import annotations

import os
import re
from pathlib import Path

FOLDER = Path(__file__).resolve().parents[1] / "snapshots"
WRITE = "PULLBOOK_WRITE_SNAPSHOTS"


def assert_worded(name: str, text: str) -> None:
    """Compare a text with the one that is kept, numbers aside: those are facts, and other tests hold them."""
    path = FOLDER / f"{name}.txt"
    words = re.sub(r"(?<!\w)[+−-]?\d+(?:[.,]\d+)*|\d+", "#", text).strip() + "\n"
    if os.environ.get(WRITE):
        path.write_text(words, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == words, "other words; if they are meant: make snapshots"
