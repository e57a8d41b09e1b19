"""The pictures of the read-me files, taken anew: ``PYTHONPATH=tests python -m helpers.pictures [answer history lab]``.

The answer is drawn by the library alone. The history's page and the lab are looked at with Chromium.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from helpers.chromium import ARGUMENTS, PATH
from helpers.lab import DRAWN, serving
from helpers.samples import SAMPLES, copy_sample
from helpers.waiting import LONGEST_S
from pullbook import Result, analyse

if TYPE_CHECKING:
    from playwright.sync_api import Page

ANSWER = SAMPLES / "fin_wash" / "answer.png"
HISTORY = SAMPLES / "three_springs" / "history.png"
LAB = SAMPLES / "fin_wash" / "lab.png"


def answer(result: Result) -> bytes:
    """Draw the card of a result, as a run does."""
    from pullbook.report.sharing import card, compose

    return card(result, compose(result))


def take_answer() -> None:
    """Write README's picture, the main sample's card."""
    ANSWER.write_bytes(answer(analyse(SAMPLES / "fin_wash")))


def take_history() -> None:
    """Write the answer of the history's page, with its picture."""
    from pullbook.commands.cli import main

    with tempfile.TemporaryDirectory() as name, page_of(width=960, height=900) as page:
        out = Path(name) / "history.html"
        if status := main(["history", *map(str, sorted((SAMPLES / "three_springs").glob("20*"))), "--out", str(out)]):
            raise SystemExit(status)
        page.goto(out.as_uri())
        box = page.locator(".pb-answer-picture svg:visible").bounding_box()
        assert box is not None
        clip = {"x": 0, "y": 0, "width": 960, "height": box["y"] + box["height"]}
        page.screenshot(path=HISTORY, clip=clip, full_page=True)


def take_lab() -> None:
    """Write the manual's picture: the controls, with a pull left out."""
    with tempfile.TemporaryDirectory() as name, page_of(width=1200, height=960) as page:
        folder = copy_sample("fin_wash", Path(name) / "fin_wash")
        settings = folder / "experiment.yaml"
        text = settings.read_text(encoding="utf-8")
        session = "  - name: before-1\n"
        assert session in text
        left_out = f'{session}    leave_out: {{pull 2: "a lorry ahead"}}\n'
        settings.write_text(text.replace(session, left_out, 1), encoding="utf-8")
        with serving(folder, Path(name)) as address:
            page.goto(address)
            page.wait_for_function(DRAWN)
            page.keyboard.press("Control+b")  # folds the list of files
            page.locator(".pb-controls").first.evaluate("e => e.scrollIntoView()")
            page.wait_for_timeout(3000)  # what was scrolled into view is drawn only then
            page.screenshot(path=LAB)


@contextmanager
def page_of(*, width: int, height: int) -> Iterator[Page]:
    """Open an empty page in Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=PATH, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": width, "height": height})
        page.set_default_timeout(1000 * LONGEST_S)
        yield page
        browser.close()


TAKEN: dict[str, Callable[[], None]] = {"answer": take_answer, "history": take_history, "lab": take_lab}


def main(names: list[str]) -> None:
    """Take the pictures of these names, or all; those that need Chromium are left out where there is none."""
    if unknown := set(names) - TAKEN.keys():
        raise SystemExit(f"no picture {', '.join(sorted(unknown))}; there are {', '.join(TAKEN)}")
    for name in names or TAKEN:
        if name != "answer" and PATH is None:
            print(f"{name}: left out, since there is no Chromium")
            continue
        TAKEN[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
