"""The page: one file that asks nothing of the network, and no text in it that became markup."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from pathlib import Path

import nbformat
import pandas as pd
import pytest

from helpers.pages import Read, unpacked
from helpers.samples import HOSTILE
from pullbook.report.figures import PLOTLY_MIME
from pullbook.report.glossary import WORDS
from pullbook.settings.share import unpack
from pullbook.workbook.page import render_page


def html_of(run) -> str:
    return (run.folder / "workbook.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(rendered) -> Read:
    return Read(html_of(rendered))


@pytest.fixture(scope="module")
def hostile_page(hostile) -> Read:
    return Read(html_of(hostile))


def small_notebook(*outputs: nbformat.NotebookNode, source: str = "") -> nbformat.NotebookNode:
    cell = nbformat.v4.new_code_cell("secret_code()", outputs=list(outputs))
    return nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell(source), cell])


def figure_output(**figure: object) -> nbformat.NotebookNode:
    return nbformat.v4.new_output("display_data", data={PLOTLY_MIME: figure, "text/plain": "a figure"})


# --- one file, offline -------------------------------------------------------------------------------------------


def test_nothing_outside_the_file_is_asked_for(page):
    asks = ("src", "href", "data", "poster", "srcset", "action", "xlink:href")
    links = [value for _, attributes in page.elements for name, value in attributes.items() if name in asks]
    assert links
    assert [link for link in links if not str(link).startswith("#")] == []
    assert not page.all("link")
    assert not page.all("iframe")
    assert not page.all("base")


def test_the_styles_ask_for_nothing(rendered):
    html = unpacked(html_of(rendered))
    assert "@import" not in html
    assert "url(" not in html
    assert "http://" not in html.replace("http://www.w3.org/", "")
    assert "https://" not in html


def test_the_page_itself_forbids_the_network_and_every_script_but_its_own(page):
    (policy,) = [m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none';")
    assert "http" not in policy
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    own = base64.b64encode(hashlib.sha256(page.scripts[-1].encode()).digest()).decode()
    assert rules["script-src"] == f"'sha256-{own}' blob:"  # the library, once unpacked, is a blob
    assert not [a for _, a in page.elements if any(name.startswith("on") for name in a)]


def test_the_page_is_small_enough_to_send(rendered):
    assert len(html_of(rendered).encode()) < 2_400_000


def test_what_can_be_read_without_scripts_comes_first(rendered):
    html = html_of(rendered)
    assert html.index("<svg") < html.index("</main>") < html.index("<script")
    assert html.index("pb-verdict") < html.index("pb-sentence") < html.index("<svg") < html.index("<nav")


def test_it_says_how_it_is_to_be_read(page):
    assert page.all("html") == [{"lang": "en"}]
    assert {"charset": "utf-8"} in page.all("meta")
    assert any(m.get("name") == "viewport" for m in page.all("meta"))
    assert len(page.all("title")) == len(page.all("main")) == len(page.all("h1")) == 1


def test_there_is_no_code_on_it(rendered, page):
    notebook = nbformat.read(rendered.folder / "workbook.ipynb", as_version=4)
    lines = [line for c in notebook.cells if c.cell_type == "code" for line in c.source.splitlines() if len(line) > 12]
    assert lines
    assert [line for line in lines if line.strip() in page.text] == []


def test_every_link_in_the_contents_leads_somewhere(page):
    links = [a["href"] for a in page.all("a") if a.get("class") not in ("anchor-link", "pb-skip")]
    words = [link for link in links if link.startswith("#word-")]
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(links) - len(words) == len(page.all("h2")) >= 7
    assert words == list(dict.fromkeys(words))  # each once
    assert set(words) == {f"#{word.anchor}" for word in WORDS}
    assert {link.removeprefix("#") for link in links} <= set(ids)
    assert len(ids) == len(set(ids))


def pictures_of(page: Read) -> list[dict]:
    """Return what a page holds for its pictures."""
    (packed,) = [text for a, text in zip(page.all("script"), page.scripts, strict=True) if a.get("id") == "pictures"]
    return json.loads(unpack(packed))


def test_every_picture_has_its_numbers_a_caption_and_words_for_those_who_cannot_see_it(page):
    stored = pictures_of(page)
    labels = [a["aria-label"] or "" for a in page.all("div") if a.get("role") == "img"]
    assert len(stored) == len(labels) == len(page.all("figure")) == len(page.all("figcaption")) >= 6
    assert [a["id"] for a in page.all("figure")] == [f"picture-{k + 1}" for k in range(len(stored))]
    assert all(len(label) > 20 for label in labels)
    assert "numbers" in stored[0]  # the answering picture needs no script
    for picture in stored[1:]:
        meta = picture["plot"]["layout"]["meta"]
        columns = meta["columns"] if "columns" in meta else meta["numbers"]["columns"]
        assert len(set(columns)) == len(columns) >= 2


def test_the_page_tells_what_the_results_tell(rendered, page):
    found = json.loads((rendered.folder / "results.json").read_text(encoding="utf-8"))
    sentence = found["comparison"]["sentence"].partition(": ")[2]
    assert sentence[1:] in page.text.replace("\N{NO-BREAK SPACE}", " ")
    assert found["inputs_sha256"][:16] in page.text


# --- text is text ------------------------------------------------------------------------------------------------


def test_hostile_text_is_shown_as_it_was_written(hostile_page):
    text = hostile_page.text
    # Title, question, vehicle, service, reason of the run left out, the column read and the column not recognised.
    assert text.count(HOSTILE) >= 7
    assert f"CAC {HOSTILE}" in text
    assert "Oddity <script>document.title=" in text  # its quotes escaped, as it stands in YAML


def test_hostile_text_makes_no_element(page, hostile_page):
    kinds = {tag for tag, _ in page.elements} | {"pre"}  # a finding on an unknown column shows YAML to copy
    assert {tag for tag, _ in hostile_page.elements} <= kinds
    assert not hostile_page.all("img")
    assert not [a for _, a in hostile_page.elements if any(name.startswith("on") for name in a)]
    assert len(hostile_page.scripts) == 3  # data, the drawing library and the few lines that call it
    assert "title='taken'" not in hostile_page.scripts[-1]


def test_a_title_cannot_leave_the_head():
    read = Read(render_page(small_notebook(), title="</title><script>x</script>"))
    assert "</title><script>x</script>" in read.text
    assert read.scripts == []  # no figure, so nothing to draw with


def test_a_page_without_a_figure_does_not_carry_what_draws_them():
    assert len(render_page(small_notebook(), title="x")) < 20_000
    assert "script-src 'none'" in render_page(small_notebook(), title="x")
    assert len(render_page(small_notebook(figure_output(data=[], layout={})), title="x")) > 1_000_000


@pytest.mark.parametrize("text", ["</script><script>x()</script>", "</script x>", "<!--<script>", "a&lt;b", "\u2028"])
def test_the_json_of_a_figure_cannot_close_its_script(text):
    figure = {"data": [{"name": text}], "layout": {"meta": {"caption": text, "description": f'"{text}'}}}
    html = render_page(small_notebook(figure_output(**figure)), title="x")
    read = Read(html)
    assert len(read.scripts) == 3
    assert pictures_of(read) == [{"plot": figure}]
    assert re.fullmatch(r"[A-Za-z0-9+/=]+", read.scripts[0])  # nothing that an HTML reader could take for the end of it
    assert [a["aria-label"] for a in read.all("div") if a.get("role") == "img"] == [f'"{text}']


def test_a_figure_that_is_not_a_number_is_refused_rather_than_drawn_wrong():
    with pytest.raises(ValueError, match="not JSON compliant"):
        render_page(small_notebook(figure_output(data=[{"y": [float("nan")]}], layout={})), title="x")


def test_plain_text_is_escaped_and_what_the_kernel_muttered_is_left_out():
    outputs = [
        nbformat.v4.new_output("execute_result", data={"text/plain": "<b>plain</b>"}),
        nbformat.v4.new_output("stream", name="stdout", text="<b>printed</b>"),
        nbformat.v4.new_output("stream", name="stderr", text="a warning of the machinery"),
    ]
    read = Read(render_page(small_notebook(*outputs), title="x"))
    assert "<b>plain</b> <b>printed</b>" in read.text
    assert "machinery" not in read.text
    assert "secret_code" not in read.text


def test_what_only_jupyterlab_needs_is_left_out():
    notebook = small_notebook(source="## Seen")
    notebook.cells.append(nbformat.v4.new_markdown_cell("## Hidden", metadata={"tags": ["lab-only"]}))
    read = Read(render_page(notebook, title="x"))
    assert "Seen" in read.text
    assert "Hidden" not in read.text


def test_rendering_leaves_the_notebook_as_it_is():
    notebook = small_notebook(figure_output(data=[], layout={}))
    before = nbformat.writes(notebook)
    render_page(notebook, title="x")
    assert nbformat.writes(notebook) == before


def test_every_ink_of_the_figures_has_one_for_the_dark():
    script = (Path(__file__).parents[2] / "lib/pullbook/workbook/page_template/page.js").read_text(encoding="utf-8")
    source = (Path(__file__).parents[2] / "lib/pullbook/report/figures.py").read_text(encoding="utf-8")
    inks = set(re.findall(r'"(#[0-9A-Fa-f]{3,6})"', source)) - {"#7f7f7f", "#009E73"}  # legible on both papers
    assert inks
    assert inks <= set(re.findall(r'"(#[0-9A-Fa-f]{3,6})":', script))


def test_a_dataframe_is_a_folded_table_of_the_page():
    frame = pd.DataFrame({"rise <K>": [1.5, 2.5]}, index=["before-1", "after-1"])
    output = nbformat.v4.new_output("execute_result", data={"text/html": frame._repr_html_(), "text/plain": ""})
    html = render_page(small_notebook(output), title="x")
    read = Read(html)
    assert len(read.all("details")) == len(read.all("table")) == 1
    assert "Table: rise <K> (2 rows)" in read.text
    assert len(read.all("style")) == 2  # the page's two: pandas' own would be the whole page's
    assert "<th></th>" not in html


def test_what_is_packed_is_found_again(rendered):
    assert '"columns":' in unpacked(html_of(rendered))
