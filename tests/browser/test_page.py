"""The page in a browser without a network: everything is drawn, nothing overflows, nothing is complained about."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import nbformat
import pytest

from helpers.samples import SAMPLES
from pullbook.commands.cli import main
from pullbook.report.figures import PLOTLY_MIME
from pullbook.workbook.page import render_page
from pullbook.workbook.run import Rendered

axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe: make test installs it")
sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright: make test installs it")

SCREENS = {"phone": (390, 844), "desk": (1280, 800)}
OVERFLOWING = """() => Array.from(document.querySelectorAll('main *'))
    .filter(e => !e.closest('.pb-scroll') && !e.closest('svg') && e.getBoundingClientRect().right > innerWidth + 1)
    .map(e => e.tagName + '.' + e.className)"""
# Text of a figure that reaches past its picture is cut off there.
CUT_OFF = """() => Array.from(document.querySelectorAll('figure')).flatMap(figure => {
    const shown = Array.from(figure.querySelectorAll('svg')).find(svg => svg.getBoundingClientRect().width);
    if (!shown) return [];  // in a fold
    const box = shown.getBoundingClientRect();
    return Array.from(figure.querySelectorAll('svg text')).filter(text => {
        const r = text.getBoundingClientRect();
        return r.width && (r.left < box.left - 1 || r.right > box.right + 1 || r.bottom > box.bottom + 1);
    }).map(text => text.textContent);
})"""
PLOTS = """() => Array.from(document.querySelectorAll('figure:has(.pb-plot)')).map(figure => {
    const svg = figure.querySelector('.main-svg').getBoundingClientRect();
    const area = figure.querySelector('.nsewdrag').getBoundingClientRect();
    return {left: svg.left, right: svg.right, width: area.width, height: area.height,
            marks: figure.querySelectorAll('.overplot .trace path, .overplot .trace rect').length};
})"""

DRAWN = "() => !document.getElementById('library') || document.documentElement.dataset.drawn === 'all'"


@dataclass
class Opened:
    """A page, and everything that it complained about or asked for."""

    page: sync_api.Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def show(browser: sync_api.Browser) -> Iterator[Callable[..., Opened]]:
    contexts, kept = [], {}

    def open_page(run: Rendered, screen: str, scheme: str = "light", *, altered: bool = False) -> Opened:
        """Open a page; one that no test alters is opened once."""
        key = (run.folder, screen, scheme)
        if altered or key not in kept:
            opened = opened_anew(run, screen, scheme)
            if altered:
                return opened
            kept[key] = opened
        return kept[key]

    def opened_anew(run: Rendered, screen: str, scheme: str) -> Opened:
        width, height = SCREENS[screen]
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme, offline=True)
        contexts.append(context)
        context.route(re.compile("^(?!file:|data:|blob:)"), lambda route: route.abort())
        opened = Opened(context.new_page())
        opened.page.on("console", lambda message: opened.complaints.append(f"{message.type}: {message.text}"))
        opened.page.on("pageerror", lambda error: opened.complaints.append(str(error)))
        opened.page.on("dialog", lambda dialog: opened.complaints.append(f"dialog: {dialog.message}"))
        opened.page.on("request", lambda request: opened.requests.append(request.url))
        opened.page.goto((Path(run.folder) / "workbook.html").as_uri(), wait_until="load")
        opened.page.wait_for_function(DRAWN)
        return opened

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture(scope="module", params=SCREENS)
def opened(request: pytest.FixtureRequest, show: Callable[..., Opened], rendered: Rendered) -> Opened:
    return show(rendered, request.param)


def test_only_the_file_itself_is_asked_for_and_nothing_is_complained_about(opened):
    assert [url for url in opened.requests if not url.startswith(("data:", "blob:"))] == [opened.page.url.split("#")[0]]
    assert opened.complaints == []


def test_every_figure_is_drawn_within_the_page(opened):
    width = opened.page.evaluate("innerWidth")
    plots = opened.page.evaluate(PLOTS)
    assert len(plots) == opened.page.locator("figure").count() - 1 >= 6  # all but the answering picture
    for plot in plots:
        assert plot["left"] >= 0
        assert plot["right"] <= width
        assert plot["width"] > 150  # of 390 px: names of routes and sessions need the rest
        assert plot["height"] > 40
        assert plot["marks"] > 0


def test_the_page_does_not_scroll_sideways(opened):
    assert opened.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert opened.page.evaluate(OVERFLOWING) == []


def test_no_words_of_a_figure_are_cut_off(opened):
    assert opened.page.evaluate(CUT_OFF) == []


def test_the_first_screen_holds_verdict_sentence_and_picture(opened):
    assert opened.page.locator(".pb-verdict").first.inner_text() == "Improved"
    screen = opened.page.viewport_size["height"]
    drawn = opened.page.locator(".pb-answer-picture svg:visible")
    assert drawn.count() == 1
    for shown in (opened.page.locator(".pb-verdict").first, opened.page.locator(".pb-sentence").first, drawn):
        box = shown.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= screen


def test_the_page_is_short_enough_to_be_read(show, rendered):
    page = show(rendered, "desk").page
    assert page.evaluate("document.documentElement.scrollHeight") <= 6000
    words = "Array.from(document.querySelectorAll('main > *'), e => e.innerText).join(' ').split(/\\s+/).length"
    assert page.evaluate(words) <= 1500


def test_without_scripts_the_answering_picture_and_all_tables_are_there(browser, rendered):
    context = browser.new_context(java_script_enabled=False, offline=True, viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.goto((Path(rendered.folder) / "workbook.html").as_uri())
    assert page.locator(".pb-answer-picture svg:visible").count() == 1
    assert page.locator("table").count() >= 12
    assert page.locator(".pb-plot:visible").count() == 0
    context.close()


@pytest.mark.parametrize("screen", SCREENS)
def test_no_script_of_somebody_elses_may_run(show, rendered, screen):
    page = show(rendered, screen, altered=True).page
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=\"document.title=1\">')")
    page.evaluate(
        "s => document.body.appendChild(Object.assign(document.createElement('script'), {text: s}))", "document.title=2"
    )
    page.wait_for_timeout(50)
    assert page.title() not in ("1", "2")


def assert_accessible(page: sync_api.Page) -> None:
    """Refuse what axe-core finds."""
    found = axe.Axe().run(page).response["violations"]
    assert [(v["id"], [node["html"][:90] for node in v["nodes"]]) for v in found] == []


def test_axe_finds_nothing(opened):
    assert_accessible(opened.page)


def test_no_name_of_a_session_is_broken_in_a_table(opened):
    opened.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    heights = opened.page.evaluate(
        "() => Array.from(document.querySelectorAll('td')).filter(c => /^(before|after)-\\d$/.test(c.textContent))"
        ".map(c => { const r = document.createRange(); r.selectNodeContents(c);"
        " return r.getBoundingClientRect().height; })"
    )
    opened.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = false; })")
    assert len(heights) > 30
    assert max(heights) < 40  # one line of text with its padding is about 30 px


def test_the_contents_lead_to_their_headings(opened):
    link = opened.page.locator("nav a", has_text="Was it like for like?")
    link.click()
    assert opened.page.locator("h2", has_text="Was it like for like?").bounding_box()["y"] < 100
    opened.page.evaluate("scrollTo(0, 0)")


def test_a_long_title_of_an_axis_is_broken_on_a_phone(show, tmp_path):
    title = {"text": "standard uncertainty of the change, all told [kg/m³] (left is better)"}
    figure = {"data": [{"x": [1, 2], "y": ["a name as long as a route's", "b"], "type": "bar", "orientation": "h"}],
              "layout": {"height": 300, "meta": {"columns": ["a", "b"]}, "font": {"size": 13},
                         "margin": {"l": 64, "r": 16, "t": 16, "b": 56},
                         "xaxis": {"title": title, "automargin": True}, "yaxis": {"automargin": True}}}  # fmt: skip
    output = nbformat.v4.new_output("display_data", data={PLOTLY_MIME: figure})
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("", outputs=[output])])
    (tmp_path / "workbook.html").write_text(render_page(notebook, title="x"), encoding="utf-8")
    opened = show(Rendered(tmp_path, "", "", (), True), "phone")
    assert opened.complaints == []
    assert opened.page.evaluate(CUT_OFF) == []
    assert len(opened.page.locator(".xtitle tspan").all()) == 2


def luminance(rgb: str) -> float:
    """Relative luminance (WCAG 2.2) of a colour as a browser states it."""
    channels = [int(part) / 255 for part in re.findall(r"\d+", rgb)[:3]]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_on_either_paper(show, rendered, scheme):
    opened = show(rendered, "desk", scheme)
    paper = luminance(opened.page.evaluate("getComputedStyle(document.body).backgroundColor"))
    assert (paper < 0.05) == (scheme == "dark")
    inks = opened.page.evaluate(
        "() => Array.from(document.querySelectorAll('p, td, th, li, a, h2, figcaption'),"
        "                 e => getComputedStyle(e).color)"
        ".concat(Array.from(document.querySelectorAll('svg text'), e => getComputedStyle(e).fill))"
    )
    plain = {ink for ink in inks if ink != "rgb(255, 255, 255)" or scheme == "dark"}  # white is for words inside bars
    assert len(plain) >= 3
    for ink in plain:
        light, dark = sorted((luminance(ink), paper), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, ink  # WCAG 2.2, 1.4.3: text


def test_a_change_of_scheme_changes_the_inks_of_the_figures(show, rendered):
    page = show(rendered, "desk", altered=True).page
    ink = "() => getComputedStyle(document.querySelector('.xtick text')).fill"
    light = page.evaluate(ink)
    assert luminance(light) < 0.1
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(f"before => ({ink})() !== before", arg=light)
    assert luminance(page.evaluate(ink)) > 0.5


def test_on_paper_the_tables_fit_and_there_is_no_button(show, rendered):
    page = show(rendered, "desk", altered=True).page
    assert page.locator(".pb-numbers").first.is_visible()
    page.emulate_media(media="print")
    assert not page.locator(".pb-numbers").first.is_visible()
    page.set_viewport_size({"width": 703, "height": 990})  # A4 with 12 mm margins at 96 px to the inch
    # The figures are drawn anew once the window has told that it is narrower.
    page.wait_for_function("() => document.querySelector('.main-svg').getBoundingClientRect().right <= 703")
    assert page.evaluate("document.documentElement.scrollWidth") <= 703


def test_a_window_that_changes_its_width_redraws_the_figures(show, rendered):
    page = show(rendered, "desk", altered=True).page
    page.set_viewport_size({"width": 390, "height": 844})
    page.wait_for_function("() => document.querySelector('.main-svg').getBoundingClientRect().right <= 390")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(CUT_OFF) == []


def test_on_paper_the_figures_fit_and_are_dark_on_white(show, rendered):
    page = show(rendered, "desk", "dark", altered=True).page
    page.evaluate("dispatchEvent(new Event('beforeprint'))")  # comes while the page still has the window's width
    assert luminance(page.evaluate("() => getComputedStyle(document.querySelector('.xtick text')).fill")) < 0.1
    assert all(plot["right"] - plot["left"] < 703 for plot in page.evaluate(PLOTS))
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible()
    page.emulate_media(media="screen")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    columns = page.evaluate("Array.from(document.querySelectorAll('.pb-plot'), plot => plot.clientWidth)")
    assert [round(plot["right"] - plot["left"]) for plot in page.evaluate(PLOTS)] == columns


@pytest.mark.parametrize("screen", SCREENS)
def test_hostile_text_runs_nothing_and_fits(show, hostile, screen):
    opened = show(hostile, screen)
    assert opened.page.title() != "taken"
    assert opened.complaints == []
    assert opened.page.locator("main img").count() == 0
    assert opened.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert "<script>" in opened.page.locator("h1").inner_text()


# --- the numbers behind each picture -----------------------------------------------------------------------------


def numbers_behind(opened: Opened, k: int) -> list[list[str]]:
    """Press a figure's button and read the file that comes, its headings first."""
    with opened.page.expect_download() as coming:
        opened.page.locator(".pb-numbers").nth(k).click()
    download = coming.value
    assert re.fullmatch(rf"[\w-]+-picture-{k + 1}\.csv", download.suggested_filename)
    text = Path(download.path()).read_bytes().decode("utf-8-sig")  # marked, so that a spreadsheet reads the degree sign
    head, *rows = list(csv.reader(io.StringIO(text)))
    assert len(set(head)) == len(head) >= 2
    assert {len(row) for row in rows} == {len(head)}
    return [head, *rows]


def test_each_picture_offers_its_numbers_under_a_name_of_its_own(show, rendered):
    opened = show(rendered, "phone")
    count = opened.page.locator("figure").count()
    names = opened.page.locator(".pb-numbers").evaluate_all("buttons => buttons.map(button => button.ariaLabel)")
    assert len(set(names)) == len(names) == count >= 7
    for k in range(count):
        assert len(numbers_behind(opened, k)) > 2
    assert opened.complaints == []
    assert [url for url in opened.requests if not url.startswith(("data:", "blob:"))] == [opened.page.url.split("#")[0]]


def test_the_numbers_are_those_that_are_drawn_rounded_as_shown(show, rendered):
    opened = show(rendered, "desk")
    found = json.loads((rendered.folder / "results.json").read_text(encoding="utf-8"))
    head, *runs = numbers_behind(opened, 0)
    assert head[:3] == ["session", "phase", "pull"]
    told = {(session, int(number)): float(rise) for session, _, number, rise, _ in runs}
    assert told == {(p["session"], p["number"]): round(p["peak_rise"], 1) for p in found["pulls"] if p["included"]}
    head, *drives = numbers_behind(opened, 1)
    assert head[-2:] == ["time since the log began [s]", "value"]
    assert {("before-1", "speed", "km/h"), ("after-3", "charge temperature", "°C")} <= {
        tuple(row[:3]) for row in drives
    }
    overlaid = numbers_behind(opened, 2)[1:]
    assert {("before-1", "pull 1"), ("after-3", "pull 5"), ("after-3", "mean")} <= {tuple(row[:2]) for row in overlaid}
    captions = opened.page.locator("figcaption").all_inner_texts()
    k = next(k for k, caption in enumerate(captions) if "other ways" in caption)
    route, *change = numbers_behind(opened, k)[1]
    assert route == "this result"
    assert [float(told) for told in change] == [round(found["comparison"][n], 1) for n in ("change", "low", "high")]


def test_text_that_a_spreadsheet_would_take_for_a_formula_is_defused(show, tmp_path):
    figure = {"data": [{"x": [-1.5], "y": ["=1+1"], "meta": {"rows": [['@a "b", c', "-2"]]}}],
              "layout": {"height": 300, "font": {"size": 13}, "margin": {},
                         "meta": {"columns": ["a", "b", "c", "d"]}}}  # fmt: skip
    output = nbformat.v4.new_output("display_data", data={PLOTLY_MIME: figure})
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("", outputs=[output])])
    (tmp_path / "workbook.html").write_text(render_page(notebook, title="../x y"), encoding="utf-8")
    _, row = numbers_behind(show(Rendered(tmp_path, "", "", (), True), "desk"), 0)
    assert row == ['\'@a "b", c', "'-2", "-1.5", "'=1+1"]


# --- the other pages ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=["history", "ledger", "plan"])
def other_page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    out = tmp_path_factory.mktemp(request.param) / "workbook.html"
    springs = SAMPLES / "three_springs"
    known = ["-p", f"ledger={springs / 'ledger.csv'}", "-p", "item=fins washed", "--quiet"]
    given = {
        "history": [str(springs), *known],
        "ledger": [str(SAMPLES / "fin_wash" / "ledger.csv"), "--quiet"],
        "plan": [],
    }
    assert main([request.param, *given[request.param], "--out", str(out)]) == 0
    return Rendered(out.parent, "", "", (), True)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", SCREENS)
def test_another_page_is_drawn_whole_and_legible(show, other_page, screen, scheme):
    opened = show(other_page, screen, scheme)
    page = opened.page
    assert opened.complaints == []
    assert [url for url in opened.requests if not url.startswith(("data:", "blob:"))] == [page.url]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(OVERFLOWING) == []
    assert page.locator("h1").count() == 1
    assert page.locator("#library").count() == 0  # its picture is there without a script
    assert (other_page.folder / "workbook.html").stat().st_size < 100_000
    picture = page.locator(".pb-answer-picture svg:visible")
    assert page.locator("figure").count() == picture.count() == 1
    box = picture.bounding_box()
    assert box["y"] + box["height"] <= page.viewport_size["height"]  # on the first screen
    assert page.evaluate(CUT_OFF) == []
    assert len(numbers_behind(opened, 0)) > 1
    assert_accessible(page)
    paper = luminance(page.evaluate("getComputedStyle(document.body).backgroundColor"))
    inks = "() => Array.from(document.querySelectorAll('p, td, th, li, a, h1, button'), e => getComputedStyle(e).color)"
    for ink in set(page.evaluate(inks)):
        light, dark = sorted((luminance(ink), paper), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, ink  # WCAG 2.2, 1.4.3: text
