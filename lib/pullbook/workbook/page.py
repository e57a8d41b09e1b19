"""Turn an executed notebook into one HTML page: no code cells, no network, every figure inside it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook.report.figures import PLOTLY_MIME
from pullbook.report.html import STYLE, escape
from pullbook.settings.share import script_safe

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

    shown = _shown(notebook)
    drawn = any(
        "data-figure" in o.get("data", {}).get("text/html", "") for c in shown.cells for o in c.get("outputs", [])
    )
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
            "page_js": (TEMPLATES / "page_template" / "page.js").read_text(encoding="utf-8") if drawn else "",
            "plotly_js": _plotly_js() if drawn else "",  # 5 MB that a page of words and tables does without
            "contents": _contents(shown),
        },
    )
    return str(body)


def _plotly_js() -> str:
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs())


def _contents(notebook: NotebookNode) -> list[tuple[str, str]]:
    """List the second-level headings with the anchors that the Markdown renderer gives them."""
    found = []
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            for match in re.finditer(r"^## (.+)$", cell.source, flags=re.MULTILINE):
                title = match[1].strip()
                found.append((title, title.replace(" ", "-")))
    return found


def _shown(notebook: NotebookNode) -> NotebookNode:
    """Copy the notebook with figures as HTML and without what only JupyterLab needs."""
    from copy import deepcopy

    shown = deepcopy(notebook)
    shown.cells = [cell for cell in shown.cells if LAB_ONLY not in cell.metadata.get("tags", [])]
    count = 0
    for cell in shown.cells:
        outputs = []
        for output in cell.get("outputs", []):
            if output.output_type == "stream" and output.get("name") == "stderr":
                continue
            if PLOTLY_MIME in output.get("data", {}):
                count += 1
                output.data = {"text/html": _figure_html(output.data[PLOTLY_MIME], f"figure-{count}")}
            outputs.append(output)
        if cell.cell_type == "code":
            cell.outputs = outputs
    return shown


def _figure_html(figure: dict[str, Any], name: str) -> str:
    """Return a figure with its caption; its JSON cannot close the script it stands in."""
    layout = figure.get("layout", {})
    meta = layout.get("meta", {})
    height = int(layout.get("height", 400))
    return (
        f'<figure><div id="{name}" role="img" aria-label="{escape(str(meta.get("description", "")))}" '
        f'style="height:{height}px"></div>'
        f"<figcaption>{escape(str(meta.get('caption', '')))}</figcaption>"
        f'<script type="application/json" data-figure="{name}">{script_safe(figure)}</script></figure>'
    )
