"""Turn an executed notebook into one HTML page: no code cells, no network, every figure inside it.

What can be read without a script comes first: words, tables and the answering picture. The data of the interactive
pictures and the library that draws them come last, packed, and are unpacked by the browser once the page is shown.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook.report.drawing import NUMBERS_MIME
from pullbook.report.figures import PLOTLY_MIME
from pullbook.report.glossary import linked
from pullbook.report.html import STYLE, escape, numbers_table, unbroken
from pullbook.settings.share import pack, packed_library

if TYPE_CHECKING:
    from nbformat import NotebookNode

TEMPLATES = Path(__file__).parent

LAB_ONLY = "lab-only"


def render_page(notebook: NotebookNode, *, title: str) -> str:
    """Render an executed notebook.

    Parameters
    ----------
    notebook : NotebookNode
        Executed; plotly figures as their JSON mime type.
    title : str
        Title of the page; escaped here.

    Returns
    -------
    str
        A complete HTML document.
    """
    from nbconvert.exporters import HTMLExporter

    shown, pictures = _shown(notebook)
    plotted = any("plot" in picture for picture in pictures)
    files = (TEMPLATES / "light.js", TEMPLATES / "page_template" / "page.js") if pictures else ()
    script = "".join(path.read_text(encoding="utf-8") for path in files)
    exporter = HTMLExporter(  # type: ignore[no-untyped-call]
        template_name="page_template",
        extra_template_basedirs=[str(TEMPLATES)],
        preprocessors=[],
    )
    body, _ = exporter.from_notebook_node(
        shown,
        resources={
            "page_title": title,
            "page_css": STYLE.read_text(encoding="utf-8")
            + (TEMPLATES / "page_template" / "page.css").read_text(encoding="utf-8"),
            "page_js": script,
            "page_js_hash": base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii"),
            "pictures": pack(json.dumps(pictures, allow_nan=False, separators=(",", ":"))) if pictures else "",
            "library": packed_library() if plotted else "",  # a page of words and tables does without
            "contents": _contents(shown),
        },
    )
    head, main, rest = str(body).partition('<main id="main"')
    inside, end, scripts = rest.partition("</main>")
    return head + main + linked(unbroken(inside)) + end + scripts


def _contents(notebook: NotebookNode) -> list[tuple[str, str]]:
    """List the second-level headings with the anchors that the Markdown renderer gives them."""
    found = []
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            for match in re.finditer(r"^## (.+)$", cell.source, flags=re.MULTILINE):
                title = match[1].strip()
                found.append((title, title.replace(" ", "-")))
    return found


def _shown(notebook: NotebookNode) -> tuple[NotebookNode, list[dict[str, Any]]]:
    """Copy the notebook with pictures as HTML and without what only JupyterLab needs.

    Returns
    -------
    NotebookNode, list of dict
        The copy, and for each picture in its order what a script draws and the numbers behind it.
    """
    from copy import deepcopy

    shown = deepcopy(notebook)
    shown.cells = [cell for cell in shown.cells if LAB_ONLY not in cell.metadata.get("tags", [])]
    pictures: list[dict[str, Any]] = []
    for cell in shown.cells:
        if cell.cell_type == "code":
            cell.outputs = _side_by_side(list(_outputs(cell.outputs, pictures)))
    return shown, pictures


def _outputs(outputs: list[NotebookNode], pictures: list[dict[str, Any]]) -> Iterator[NotebookNode]:
    for output in outputs:
        if output.output_type == "stream" and output.get("name") == "stderr":
            continue
        data = output.get("data", {})
        if PLOTLY_MIME in data:
            figure = data[PLOTLY_MIME]
            pictures.append({"plot": figure})
            output.data = {"text/html": _plot_html(figure, len(pictures))}
        elif NUMBERS_MIME in data:
            pictures.append({"numbers": data[NUMBERS_MIME]})
            output.data = {"text/html": _numbered(str(data["text/html"]), len(pictures))}
        elif 'class="dataframe"' in data.get("text/html", ""):
            output.data = {"text/html": numbers_table(str(data["text/html"]))}
        yield output


def _side_by_side(outputs: list[NotebookNode]) -> list[NotebookNode]:
    """Put plots that follow each other in one cell beside each other, where the page is wide enough."""
    placed: list[NotebookNode] = []
    for plots, group in groupby(outputs, key=lambda o: 'class="pb-plot"' in o.get("data", {}).get("text/html", "")):
        members = list(group)
        if plots and len(members) > 1:
            joined = "".join(member.data["text/html"] for member in members)
            members[0].data = {"text/html": f'<div class="pb-row">{joined}</div>'}
            members = members[:1]
        placed += members
    return placed


def _plot_html(figure: Mapping[str, Any], number: int) -> str:
    """Return the place of a figure that a script draws, with its caption."""
    layout = figure.get("layout", {})
    meta = layout.get("meta", {})
    height = int(layout.get("height", 400))
    return _numbered(
        f'<figure><div class="pb-plot" role="img" aria-label="{escape(str(meta.get("description", "")))}" '
        f'style="height:{height}px"></div><figcaption>{escape(str(meta.get("caption", "")))}</figcaption></figure>',
        number,
    )


def _numbered(figure: str, number: int) -> str:
    """Number a figure and its caption: its button says which numbers it gives."""
    figure = figure.replace("<figure", f'<figure id="picture-{number}"', 1)
    return figure.replace("<figcaption>", f"<figcaption><b>Picture {number}.</b> ", 1)
