"""Matplotlib as it is used here: no settings from where a person stands, and nothing of theirs changed."""

from __future__ import annotations

import os
import re
import subprocess
import sys

from pullbook.report import canvas

DRAW = """
import os, sys
from pullbook.report import canvas
def draw(figure, inks):
    figure.text(0.5, 0.5, "x", color=inks["ink"])
before = os.getcwd()
sys.stdout.buffer.write(canvas.to_png(draw, width=90, height=60, inks={"ink": "#000000"}))
assert os.getcwd() == before
assert "matplotlib.pyplot" not in sys.modules
"""


def test_a_settings_file_in_the_working_folder_is_not_read(tmp_path):
    os.mkfifo(tmp_path / "matplotlibrc")  # whoever opens it waits for ever
    home = tmp_path / "home"
    home.mkdir()
    (home / "matplotlibrc").write_text("text.color: red\nfont.size: 40\nbackend: nonsense\n", encoding="utf-8")
    drawn = [
        subprocess.run(
            [sys.executable, "-c", DRAW],
            cwd=folder,
            env=os.environ | extra,
            capture_output=True,
            timeout=120,
            check=True,
        )
        for folder, extra in ((tmp_path, {"MPLCONFIGDIR": str(home)}), (home.parent.parent, {}))
    ]
    assert drawn[0].stdout == drawn[1].stdout
    assert [d.stderr for d in drawn] == [b"", b""]


def test_coordinates_are_rounded_and_figures_in_words_are_not():
    def draw(figure, inks):
        figure.text(0.123456, 0.5, "−0.03 s", color=inks["ink"])

    svg = canvas.to_svg(draw, width=90, height=60, inks={"ink": "#000000"}, key="a")
    assert ">−0.03 s<" in svg
    assert not re.search(r"<[^>]*\d\.\d\d", svg)


def test_starting_pays_for_no_drawing():
    code = "import sys, pullbook.report.figures, pullbook.report.sharing; assert 'matplotlib' not in sys.modules"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
