"""What the browser shows of a workbook in JupyterLab: its parts, each in its place, redrawn when they change.

A picture as a widget of its own carries the whole drawing library; an output that is updated keeps its first picture.
So one small widget holds the library once and draws every part of the workbook where its place stands.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

from pullbook.report.drawing import Drawing
from pullbook.report.figures import Picture
from pullbook.report.html import Fragment, escape
from pullbook.text import typeset
from pullbook.workbook.board import Board, Line

SCRIPTS = [Path(__file__).with_name(name) for name in ("light.js", "board.js", "screen.js")]
GONE = (
    "The kernel has stopped, so these controls do nothing, and unsaved choices are lost. Choose Run, "
    "Restart Kernel and Run All Cells."
)
NOT_CONNECTED = "Not connected to a kernel. Choose Run, Run All Cells."


class Screen:
    """The parts of one workbook in the browser.

    Parameters
    ----------
    act : callable
        Does what was done on the board of drives, as board.js says it.

    Attributes
    ----------
    widget : anywidget.AnyWidget
        Draws; it has to be part of what a cell shows.
    """

    def __init__(self, act: Callable[[dict[str, Any]], None]) -> None:
        import anywidget
        import traitlets
        from plotly.offline import get_plotlyjs

        self._book = uuid4().hex[:12]
        self._parts: dict[str, dict[str, str]] = {}
        self._lines: list[Line] = []
        self._act = act

        class Sheet(anywidget.AnyWidget):
            _esm = f"const PLOTLY = {json.dumps(get_plotlyjs())};\n" + "\n".join(
                path.read_text(encoding="utf-8") for path in SCRIPTS
            )
            book = traitlets.Unicode(self._book).tag(sync=True)
            gone = traitlets.Unicode(GONE).tag(sync=True)

        self.widget = Sheet()
        self.widget.on_msg(lambda _, message, __: self._told(message))

    def new_place(self, value: object) -> tuple[str, Fragment]:
        """Return the name of a new place and its HTML, to be shown once; ``value`` as for `put`."""
        name = f"{self._book}-{len(self._parts) + 1}"
        self.put(name, value)
        return name, Fragment(f'<div class="pb-part" data-pb-part="{name}">{escape(NOT_CONNECTED)}</div>')

    def kernel_notice(self) -> Fragment:
        """Return the HTML in which the browser says that the kernel has gone."""
        return Fragment(f'<div class="pb-kernel" data-pb-kernel="{self._book}"></div>')

    def put(self, name: str, value: object) -> None:
        """Show a value in a place; what stands there already is not drawn again.

        Parameters
        ----------
        name : str
            From `new_place`.
        value : Picture, Drawing, Board or object with ``_repr_html_``
        """
        part = _part_of(value)
        if part != self._parts.get(name):
            self._parts[name] = part
            self._send({name: part})

    def draw_lines(self, lines: list[Line]) -> None:
        """Hand the browser the signals that the board draws, in place of those that it has."""
        self._lines = lines
        self._send_lines()

    def _told(self, message: dict[str, Any]) -> None:
        if message.get("ask") == "all":
            self._send_lines()
            self._send(self._parts)
        elif "act" in message:
            self._act(message)

    def _send(self, parts: dict[str, dict[str, str]]) -> None:
        self.widget.send({"parts": parts})

    def _send_lines(self) -> None:
        names = [f"{line.session}/{line.channel}" for line in self._lines]
        buffers = [part.tobytes() for line in self._lines for part in (line.time_s, line.values)]
        self.widget.send({"lines": names}, buffers)


def _part_of(value: object) -> dict[str, str]:
    if isinstance(value, Picture):
        from plotly.utils import PlotlyJSONEncoder

        caption = typeset(str(value.figure.layout.meta["caption"]))
        return {"figure": json.dumps(value.figure.to_plotly_json(), cls=PlotlyJSONEncoder), "caption": caption}
    if isinstance(value, Board):
        return {"board": value.json}
    html = value.html if isinstance(value, Fragment | Drawing) else value._repr_html_()  # type: ignore[attr-defined]
    return {"html": str(html)}
