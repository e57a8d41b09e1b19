"""The workbook in JupyterLab, in a browser: runs lit, left out, laid over, marked by mouse and by keyboard; saved."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from plotly.utils import PlotlyJSONEncoder
from statsmodels.regression.linear_model import GLS

from helpers.lab import DRAWN, serving
from helpers.samples import copy_sample
from helpers.waiting import LONGEST_S
from pullbook import Result, analyse
from pullbook.report import figures, sections
from pullbook.text import typeset
from pullbook.workbook import frames, regression
from pullbook.workbook.choices import Choices
from pullbook.workbook.widgets import shown

sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright: make test installs it")

LONGEST_MS = 1000 * LONGEST_S
FOCUSED = """() => document.activeElement.ariaLabel
    || (document.activeElement.closest('label, .widget-text, .widget-dropdown') || document.activeElement).innerText"""


@dataclass
class Lab:
    """A running JupyterLab with its notebook executed, and the experiment that it shows."""

    page: sync_api.Page
    folder: Path
    asked_outside: list[str]
    told_kernel: list[str]
    errors: list[str]

    @property
    def board(self) -> sync_api.Locator:
        return self.page.locator(".pb-board")

    def band(self, run: str, session: str = "before-1") -> sync_api.Locator:
        return self.page.locator(f'.pb-band[data-pb-run="{session}/{run}"]')

    def focused(self) -> str:
        return str(self.page.evaluate("document.activeElement.dataset.pbRun || document.activeElement.name"))

    @property
    def controls(self) -> sync_api.Locator:
        return self.page.locator(".pb-controls").first

    def yaml(self) -> str:
        return (self.folder / "experiment.yaml").read_text(encoding="utf-8")

    def expect_answer(self, text: str) -> None:
        """Wait until a part of the workbook says a text."""
        sync_api.expect(self.page.locator(".pb-part", has_text=text).first).to_be_attached()

    def tab_to(self, label: str) -> None:
        """Press Tab until the control of a label has the focus."""
        for _ in range(80):
            self.page.keyboard.press("Tab")
            if (self.page.evaluate(FOCUSED) or "").strip().startswith(label):
                return
        raise AssertionError(f"the keyboard does not reach {label!r}")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("lab")


@pytest.fixture(scope="module")
def lab(home: Path, browser: sync_api.Browser) -> Iterator[Lab]:
    folder = copy_sample("two_evenings", home / "runs" / "two_evenings")
    copy_sample("nothing_done", home / "runs" / "nothing_done")
    with serving(folder, home) as address:
        context = browser.new_context(viewport={"width": 1400, "height": 1000})
        asked_outside: list[str] = []
        context.on("request", lambda request: None if "127.0.0.1" in request.url or "localhost" in request.url
                   or request.url.startswith(("data:", "blob:")) else asked_outside.append(request.url))  # fmt: skip
        page = context.new_page()
        told_kernel: list[str] = []
        errors: list[str] = []
        page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("websocket", lambda ws: ws.on("framesent", lambda sent: told_kernel.append(str(sent)[:300])))
        page.set_default_timeout(LONGEST_MS)
        sync_api.expect.set_options(timeout=LONGEST_MS)
        page.goto(address)
        page.locator(".pb-controls").first.wait_for(state="attached")  # it has run by itself
        page.wait_for_function(DRAWN)
        yield Lab(page, folder, asked_outside, told_kernel, errors)
        context.close()


@pytest.fixture
def untouched(lab: Lab) -> Lab:
    """The lab with nothing chosen that is not saved."""
    back = lab.controls.get_by_role("button", name="Back to what is saved")
    if back.is_enabled():
        back.click()
    sync_api.expect(lab.controls.get_by_role("button", name="Save to experiment.yaml")).to_be_disabled()
    return lab


def test_a_run_pressed_on_the_board_is_left_out_and_figures_follow_and_pressed_again_it_counts(untouched):
    lab = untouched
    lab.expect_answer("5 pulls in 1 session before, 5 in 1 after.")
    lab.band("pull 2").click()
    lab.expect_answer("4 pulls in 1 session before, 5 in 1 after. You left out 1.")
    sync_api.expect(lab.controls.locator(".ytick text", has_text="with nothing left out")).to_be_visible()
    sync_api.expect(lab.band("pull 2")).to_have_attribute("aria-pressed", "false")
    # The sections below follow as well.
    sync_api.expect(lab.page.locator("tr", has_text="before-1").filter(has_text="4 of 5")).to_be_attached()
    lab.band("pull 2").click()
    lab.expect_answer("5 pulls in 1 session before, 5 in 1 after.")


def test_a_run_without_a_reason_is_not_saved_and_words_beside_it_say_so(untouched):
    lab, text = untouched, untouched.yaml()
    lab.band("pull 3").click()
    sync_api.expect(lab.board.get_by_role("alert")).to_contain_text("Give a reason before you save")
    lab.controls.get_by_role("button", name="Save to experiment.yaml").click()
    sync_api.expect(lab.controls.get_by_role("alert").last).to_contain_text(
        "give a reason for leaving out pull 3 of before-1"
    )
    assert lab.yaml() == text


def test_a_run_is_lit_wherever_it_is_shown_and_the_kernel_is_asked_nothing(untouched):
    lab = untouched
    lab.page.wait_for_timeout(300)
    said = len(lab.told_kernel)
    lab.band("pull 2").hover()
    row = lab.page.locator('.dataframe tr[data-pb-run="before-1/pull 2"]').first
    sync_api.expect(row).to_have_class("pb-lit")
    lit = lab.page.locator(".pb-part:not(.pb-controls *) .pb-light .pb-core")
    sync_api.expect(lit).to_have_count(4)  # the drives, charge and pressure over time, the rise over speed
    sync_api.expect(lab.page.locator(".pb-answer-picture .pb-wide .pb-lit")).to_have_count(2)  # hollow and filled
    row.locator("td").first.click()
    lab.page.mouse.move(5, 5)
    sync_api.expect(row).to_have_class("pb-lit")  # kept, since it was pressed
    sync_api.expect(lab.board.get_by_label("Run", exact=True)).to_have_value("before-1/pull 2")
    lab.page.keyboard.press("Escape")
    sync_api.expect(lab.page.locator(".pb-lit")).to_have_count(0)
    assert [sent for sent in lab.told_kernel[said:] if "comm_msg" in sent] == []


def test_any_two_pulls_are_laid_over_each_other_and_a_run_is_zoomed_to(untouched):
    lab = untouched
    lab.board.get_by_label("Run", exact=True).select_option("before-1/pull 2")
    lab.board.get_by_label("laid over").select_option("after-1/pull 4")
    laid = lab.board.locator(".pb-laid")
    sync_api.expect(laid).to_have_attribute("aria-label", "before-1, pull 2 and after-1, pull 4 on time since full "
                                            "load: speed, charge temperature, manifold pressure.")  # fmt: skip
    names = laid.evaluate("e => e.data.map(d => [d.name, d.x[0] >= -3.01, d.y.length > 20])")
    assert names == [["before-1, pull 2", True, True], ["after-1, pull 4", True, True]] * 3
    whole = lab.band("pull 2").bounding_box()["width"]
    lab.board.get_by_role("button", name="Zoom to it").click()
    assert lab.band("pull 2").bounding_box()["width"] > 5 * whole
    sync_api.expect(lab.band("pull 5")).to_be_hidden()
    lab.board.get_by_role("button", name="Whole drives").click()
    sync_api.expect(lab.band("pull 5")).to_be_visible()
    lab.board.get_by_label("laid over").select_option("")


def drag_along(lab: Lab, session: str, start_s: float, end_s: float) -> None:
    """Drag the pointer over a stretch of a drive, between two times since its log began."""
    strip = lab.board.get_by_role("group", name=f"Runs of {session},")
    strip.scroll_into_view_if_needed()
    box = strip.bounding_box()
    assert box is not None
    wide = box["width"] / max(float(drive.log.duration_s) for drive in analyse(lab.folder).drives)
    lab.page.mouse.move(box["x"] + start_s * wide, box["y"] + 4)
    lab.page.mouse.down()
    lab.page.mouse.move(box["x"] + end_s * wide, box["y"] + 4, steps=4)
    lab.page.mouse.up()


def test_a_missed_pull_is_marked_by_dragging_and_a_gear_is_chosen_and_all_is_taken_back(untouched):
    lab, text = untouched, untouched.yaml()
    drag_along(lab, "before-1", 8.0, 40.0)
    starts, ends = lab.board.get_by_label("Starts at"), lab.board.get_by_label("ends at")
    assert float(starts.input_value()) == pytest.approx(8.0, abs=2.0)  # a pixel is a second or so
    assert float(ends.input_value()) == pytest.approx(40.0, abs=2.0)
    starts.fill("0:08")
    ends.fill("0:40")
    lab.board.get_by_role("button", name="Mark it by hand").click()
    sync_api.expect(lab.board.get_by_role("alert")).to_contain_text("Give a reason")
    lab.board.get_by_label("Why it counts").fill("left the lights gently")
    lab.page.keyboard.press("Enter")
    sync_api.expect(lab.controls).to_contain_text("before-1, 8-40 s marked by hand: left the lights gently")
    lab.band("pull 1").focus()
    sync_api.expect(lab.board).to_contain_text("By itself it had not counted: no full load")
    gear = lab.board.get_by_label("Gear")  # it was driven in another
    usual = gear.locator("option", has_text="10 pulls")
    gear.select_option(usual.get_attribute("value"))
    sync_api.expect(lab.board).to_contain_text("Left: 5 pulls before, 5 after.")
    sync_api.expect(lab.band("pull 1")).to_have_attribute("aria-pressed", "false")
    sync_api.expect(lab.controls).to_contain_text("before-1, pull 1 left out: another gear than the one chosen")
    gear.select_option("")
    sync_api.expect(lab.band("pull 1")).to_have_attribute("aria-pressed", "true")
    lab.controls.get_by_role("button", name="Save to experiment.yaml").click()
    sync_api.expect(lab.controls).to_contain_text("Saved.")
    added = '    marked_pulls: {"8-40": left the lights gently}\n'
    assert added in lab.yaml()
    lab.band("pull 1").click()
    sync_api.expect(lab.controls).to_contain_text("before-1, no longer marked by hand")
    lab.controls.get_by_role("button", name="Save to experiment.yaml").click()
    sync_api.expect(lab.controls).to_contain_text("Saved.")
    assert lab.yaml() == text
    lab.board.get_by_text("A pull is missing?").click()


def test_a_setting_that_is_not_allowed_is_told_beside_it(untouched):
    lab = untouched
    box = lab.controls.get_by_label("Pulls to [km/h]")
    box.fill("50")
    box.press("Enter")
    sync_api.expect(lab.controls.get_by_role("alert")).to_contain_text("at least 20 km/h higher")
    box.fill("quick")
    box.press("Enter")
    sync_api.expect(lab.controls.get_by_role("alert")).to_contain_text("given 'quick'. Allowed: a number")
    box.fill("100")
    box.press("Enter")
    sync_api.expect(lab.controls.get_by_role("alert")).to_have_count(0)
    sync_api.expect(lab.controls).to_contain_text("Pulls to [km/h]: 100")
    lab.expect_answer("5 pulls in 1 session before, 5 in 1 after.")


def test_by_keyboard_alone_a_run_is_left_out_with_a_reason_and_saved_and_a_rerun_agrees(untouched):
    lab = untouched
    text = lab.yaml()
    lab.board.get_by_role("checkbox", name="before-1").focus()
    lab.tab_to("before-1, ")
    lab.page.keyboard.press("Home")
    for _ in range(4):
        lab.page.keyboard.press("ArrowRight")
    assert lab.focused() == "before-1/pull 4"
    lab.page.keyboard.press("ArrowDown")
    assert lab.focused().startswith("after-1/")
    lab.page.keyboard.press("ArrowUp")
    assert lab.focused() == "before-1/pull 4"
    lab.page.keyboard.press("Space")
    lab.expect_answer("You left out 1.")
    sync_api.expect(lab.board.get_by_label("Why leave out pull 4?")).to_be_focused()
    lab.page.keyboard.type("fog & <dogs>")
    lab.page.keyboard.press("Enter")
    assert lab.focused() == "before-1/pull 4"
    sync_api.expect(lab.controls).to_contain_text("before-1, pull 4 left out: fog & <dogs>")
    lab.tab_to("Save to experiment.yaml")
    lab.page.keyboard.press("Enter")
    sync_api.expect(lab.controls).to_contain_text("Saved.")
    added = '    leave_out: {pull 4: "fog & <dogs>"}\n'
    assert added in lab.yaml()
    assert lab.yaml().replace(added, "") == text
    again = lab.page.evaluate(AS_THE_BROWSER_HAS_IT, sections.answer(analyse(lab.folder)).html)
    assert again in lab.controls.locator(".pb-stays").inner_html()


def test_another_experiment_is_opened_and_a_wrong_folder_is_told(untouched):
    lab = untouched
    other = lab.controls.get_by_label("Another folder")
    other.fill("/nowhere/at/all")
    other.press("Enter")
    sync_api.expect(lab.controls.get_by_role("alert").first).to_contain_text("no such folder")
    other.fill(str(lab.folder.with_name("nothing_done")))
    other.press("Enter")
    sync_api.expect(lab.controls.locator(".pb-answer h1")).not_to_have_text("Two evenings with a hatchback")
    lab.controls.get_by_label("Experiment", exact=True).select_option("two_evenings")
    sync_api.expect(lab.controls.locator(".pb-answer h1")).to_have_text("Two evenings with a hatchback")


PICTURES = (
    figures.drives, figures.charge_over_time, figures.pressure_over_time,
    figures.rise_over_speed, figures.against_inlet, figures.other_routes, figures.budget,
)  # fmt: skip
TABLES = (
    sections.answer, figures.answer, sections.meaning, sections.drives, sections.findings, sections.left_out,
    sections.channels, sections.cruises, sections.phases, sections.pulls, sections.secondary_outcomes, sections.routes,
    sections.checks, sections.budget, sections.like_for_like, sections.conclusion,
)  # fmt: skip


def fitted(result: Result) -> object:
    rows = regression.rows(result.comparison)
    weighed = GLS(rows["figure"], rows.drop(columns="figure"), regression.covariance(result.comparison))
    return weighed.fit(cov_type="fixed scale")


FOLLOWERS = {
    "cruises": lambda result: frames.runs(result, "cruise"),
    "pulls": lambda result: frames.runs(result, "pull"),
    "sessions": frames.sessions,
    "rows": lambda result: regression.rows(result.comparison),
    "fit": fitted,
    "budget": frames.budget,
}
SHOWN = """() => ({
    pictures: Array.from(document.querySelectorAll('.pb-part:not(.pb-controls *) .pb-picture'),
        e => [JSON.stringify(e.data), e.nextSibling.textContent]),
    chosen: Array.from(document.querySelectorAll('.pb-controls .pb-picture'), e => JSON.stringify(e.data)),
    words: Array.from(document.querySelectorAll('.pb-part:not(.pb-controls *)'),
        e => e.innerHTML.replace(/ class="(pb-lit)?"/g, '')), // what is lit is not the picture's
})"""
AS_THE_BROWSER_HAS_IT = "html => { const e = document.createElement('div'); e.innerHTML = html; return e.innerHTML }"


def data_of(picture: figures.Picture) -> list[object]:
    plain = json.dumps(picture.figure.to_plotly_json(), cls=PlotlyJSONEncoder)
    return json.loads(plain)["data"]


def expect_everything(lab: Lab, choices: Choices) -> None:
    """Wait until every picture and table shows what the choices give, worked out here anew."""
    result = choices.result
    assert result is not None
    pictures = [p for p in (draw(result) for draw in PICTURES) if p is not None]
    chosen = [figures.with_and_without(result, choices.saved_result.comparison)]
    told = [*(tell(result) for tell in TABLES), *(shown(follow(result)) for follow in FOLLOWERS.values())]
    words = [lab.page.evaluate(AS_THE_BROWSER_HAS_IT, part.html) for part in told if part]

    def wrong() -> list[str]:
        now = lab.page.evaluate(SHOWN)
        found = [[json.loads(data), caption] for data, caption in now["pictures"]]
        wanted = [[data_of(p), typeset(p.figure.layout.meta["caption"])] for p in pictures]
        out = [f"{len(found)} pictures, not {len(wanted)}"] if len(found) != len(wanted) else []
        out += [f"picture {k}" for k, (a, b) in enumerate(zip(found, wanted, strict=False)) if a != b]
        held = [json.loads(data) for data in now["chosen"]]
        out += [f"chosen {k}" for k, (a, b) in enumerate(zip(held, map(data_of, chosen), strict=False)) if a != b]
        return out + [html[:200] for html in words if html not in now["words"]]

    end = time.monotonic() + LONGEST_S / 3
    while left := wrong():
        assert time.monotonic() < end, left
        lab.page.wait_for_timeout(100)


def test_every_picture_and_table_shows_the_choice_whatever_is_changed(untouched):
    lab = untouched
    choices = Choices(lab.folder)
    expect_everything(lab, choices)
    lab.band("pull 1").click()
    choices.leave_out("before-1", "pull 1", "")
    expect_everything(lab, choices)
    lab.controls.get_by_label("What you ask").select_option("Peak charge temperature [°C]")
    sync_api.expect(lab.controls.locator(".pb-answer")).to_contain_text("matters to you [K]")
    sync_api.expect(lab.page.locator(".pb-part:not(.pb-controls *) .pb-picture")).to_have_count(0)  # without a verdict
    box = lab.controls.get_by_label("Change that matters to you [K]")
    box.fill("1.5")
    box.press("Enter")
    choices.set(("outcome",), "peak_charge")
    choices.set(("worthwhile_change",), 1.5)
    expect_everything(lab, choices)
    sync_api.expect(lab.controls.locator(".pb-question").first).to_contain_text("peak charge temperature")
    box = lab.controls.get_by_label("Pulls to [km/h]")
    box.fill("100")
    box.press("Enter")
    choices.set(("protocol", "pull_to_kmh"), 100.0)
    expect_everything(lab, choices)
    lab.controls.get_by_label("Experiment", exact=True).select_option("nothing_done")
    expect_everything(lab, Choices(lab.folder.with_name("nothing_done")))
    lab.controls.get_by_label("Experiment", exact=True).select_option("two_evenings")
    expect_everything(lab, choices)


def test_followed_frames_are_headed_with_their_units(untouched):
    headings = untouched.page.locator("table.dataframe th").all_inner_texts()
    assert {"peak_rise [K]", "start_speed [km/h]", "mean_coolant [°C]", "inlet_c [°C]", "figure [K]"} <= set(headings)
    assert any(heading.startswith("standard_uncertainty [") for heading in headings)


def test_the_theme_of_the_lab_is_the_pictures(untouched):
    lab = untouched
    ink = "document.querySelector('.pb-part .pb-picture .xtitle').style.fill"
    light = lab.page.evaluate(ink)
    lab.page.evaluate("document.body.dataset.jpThemeLight = 'false'")
    lab.page.wait_for_function(f"{ink} !== {light!r}")
    lab.page.evaluate("document.body.dataset.jpThemeLight = 'true'")
    lab.page.wait_for_function(f"{ink} === {light!r}")


def test_a_narrow_window_holds_the_controls(untouched):
    lab = untouched
    lab.page.set_viewport_size({"width": 800, "height": 900})
    wide = """() => { const box = document.querySelector('.pb-controls');
        return box.scrollWidth <= box.clientWidth + 1
            && box.getBoundingClientRect().right <= box.closest('.jp-Notebook').getBoundingClientRect().right }"""
    lab.page.wait_for_function(wide)
    lab.page.set_viewport_size({"width": 1400, "height": 1000})


def test_the_controls_are_accessible(untouched):
    found = Axe().run(untouched.page, context=".pb-controls").response["violations"]
    assert [(v["id"], [n["html"][:200] for n in v["nodes"]]) for v in found] == []


def test_every_control_has_a_name(lab):
    nameless = lab.controls.evaluate(
        "root => Array.from(root.querySelectorAll('input, select, button, textarea')).filter(e => e.offsetParent && "
        "!(e.textContent.trim() || e.title || e.ariaLabel || Array.from(e.labels || []).some(l => l.innerText.trim())))"
        ".map(e => e.outerHTML)"
    )
    assert nameless == []


def test_nothing_is_asked_of_the_network_and_the_console_is_clean(lab):
    assert lab.asked_outside == []
    assert lab.errors == []
    assert lab.page.get_by_text("Jupyter news").count() == 0


def test_after_a_restart_of_the_kernel_the_controls_say_what_to_do(lab):
    # The last test of this module: afterwards nothing answers any more.
    lab.page.get_by_text("Kernel", exact=True).first.click()
    lab.page.locator(".lm-Menu-item", has_text="Restart Kernel…").click()
    lab.page.locator(".jp-Dialog .jp-mod-accept").click()
    sync_api.expect(lab.page.locator(".pb-kernel").first).to_contain_text("Restart Kernel and Run All Cells")
