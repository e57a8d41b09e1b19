"""Every picture, of every sample and of poorer logs: captions, words, units on the axes, and only finite numbers."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from helpers.samples import SAMPLE_NAMES, copy_sample, overlays
from pullbook import analyse
from pullbook.analysis.result import Result
from pullbook.report import figures
from pullbook.report.figures import PLOTLY_MIME, Picture

ALONE = (
    figures.other_routes,
    figures.drives,
    figures.pulls_overlaid,
    figures.against_inlet,
    figures.budget,
)


def without_pressure(folder: Path) -> None:
    for log in (folder / "logs").glob("*.csv"):
        rows = [line.split(";") for line in log.read_text(encoding="utf-8").splitlines()]
        k = next(k for k, cell in enumerate(rows[0]) if "pressure" in cell.lower())
        log.write_text("\n".join(";".join(row[:k] + row[k + 1 :]) for row in rows), encoding="utf-8")


def with_left_out(folder: Path) -> None:
    settings = folder / "experiment.yaml"
    text = settings.read_text(encoding="utf-8")
    entry = "    log: logs/before-1.csv\n"
    settings.write_text(
        text.replace(entry, entry + "    leave_out: {pull 2: braked for a tractor}\n"), encoding="utf-8"
    )


def of_the_cruises(folder: Path) -> None:
    settings = folder / "experiment.yaml"
    settings.write_text(settings.read_text(encoding="utf-8").replace("peak_rise", "mean_rise"), encoding="utf-8")


POORER = {"no pressure": without_pressure, "a pull left out": with_left_out, "asked of cruises": of_the_cruises}


@pytest.fixture(scope="module")
def results(result_of, tmp_path_factory) -> dict[str, Result]:
    found = {name: result_of(name) for name in SAMPLE_NAMES}
    for k, (name, change) in enumerate(POORER.items()):
        folder = copy_sample("two_evenings", tmp_path_factory.mktemp("poorer") / str(k))
        change(folder)
        found[name] = analyse(folder)
    return found


@pytest.fixture(params=[*SAMPLE_NAMES, *POORER])
def result(request: pytest.FixtureRequest, results: dict[str, Result]) -> Result:
    return results[request.param]


def all_pictures(result: Result) -> list[Picture]:
    saved = dataclasses.replace(
        result.comparison, sentence="", estimate=dataclasses.replace(result.comparison.estimate, change=0.0)
    )
    return [*(draw(result) for draw in ALONE), *overlays(result), figures.with_and_without(result, saved)]


def stored(picture: Picture) -> dict[str, Any]:
    """Return a figure as a notebook stores it: through JSON, where NaN has no place."""
    return json.loads(json.dumps(picture._repr_mimebundle_()[PLOTLY_MIME], allow_nan=False))


def numbers(value: object) -> Iterator[float]:
    if isinstance(value, dict):
        for item in value.values():
            yield from numbers(item)
    elif isinstance(value, list):
        for item in value:
            yield from numbers(item)
    elif isinstance(value, int | float):
        yield value


def axes(figure: dict[str, Any], side: str) -> list[dict[str, Any]]:
    return [axis for name, axis in figure["layout"].items() if name.startswith(f"{side}axis")]


def test_every_picture_has_a_caption_and_words(result):
    for picture in all_pictures(result):
        meta = stored(picture)["layout"]["meta"]
        assert len(meta["caption"]) > 20
        assert len(meta["description"]) > 20
        assert not {"nan", "+nan", "inf", "-inf", "None"} & set(f"{meta['caption']} {meta['description']}".split())


def test_every_picture_holds_finite_numbers_and_a_plot(result):
    for picture in all_pictures(result):
        figure = stored(picture)
        assert figure["data"]
        assert all(any(value is not None for value in trace["x"]) for trace in figure["data"])
        assert all(math.isfinite(number) for number in numbers(figure))
        assert figure["layout"]["height"] >= 150


def test_axes_carry_units(result):
    for picture in all_pictures(result):
        figure = stored(picture)
        titles = [axis.get("title", {}).get("text", "") for side in "xy" for axis in axes(figure, side)]
        assert any(title.endswith("]") or "] (" in title for title in titles)
        # An axis of numbers has its unit in brackets; one of names has none.
        assert [title for title in titles if title and title != "session" and "[" not in title] == []


def test_the_other_routes_begin_with_the_result_and_name_each_once(result):
    names = [trace["name"] for trace in stored(figures.other_routes(result))["data"]]
    assert names[0] == "this result"
    assert len(names) == len(set(names)) >= 3


def test_what_was_left_out_is_a_route_and_is_outlined(results):
    names = [trace["name"] for trace in stored(figures.other_routes(results["a pull left out"]))["data"]]
    assert "counting what you left out" in names
    shapes = stored(figures.drives(results["a pull left out"]))["layout"]["shapes"]
    assert sum(shape["line"].get("dash") == "dot" for shape in shapes) == 1
    assert not any(s["line"].get("dash") for s in stored(figures.drives(results["two_evenings"]))["layout"]["shapes"])


def test_without_pressure_there_is_one_overlay_less(results):
    def captions(name: str) -> list[str]:
        return [stored(picture)["layout"]["meta"]["caption"] for picture in overlays(results[name])]

    full, poorer = captions("two_evenings"), captions("no pressure")
    assert len(poorer) == len(full) - 1
    assert any("pressure" in caption for caption in full)
    assert not any("pressure" in caption for caption in poorer)


def test_the_budget_is_the_comparisons_own(result):
    (bar,) = stored(figures.budget(result))["data"]
    c = result.comparison
    assert math.hypot(*bar["x"]) == pytest.approx(math.hypot(*(line.standard_uncertainty for line in c.budget)))
    assert bar["x"][-1] == pytest.approx(max(line.standard_uncertainty for line in c.budget))
    assert len(set(bar["y"])) == min(len(c.budget), figures.MOST_BARS + 1)


def test_the_numbers_behind_a_picture_have_units_and_no_place_on_the_paper(result):
    for picture in all_pictures(result):
        figure = stored(picture)
        meta = figure["layout"]["meta"]
        if "columns" in meta:
            columns = meta["columns"]
            named = [trace for trace in figure["data"] if "rows" in trace.get("meta", {})]
            assert named
            for trace in named:
                parts = 1 + sum(x is None for x in trace["x"][:-1])
                assert len(trace["meta"]["rows"]) == parts
                assert all(len(row) == len(columns) - 2 for row in trace["meta"]["rows"])
        else:
            columns = meta["numbers"]["columns"]
            assert all(len(row) == len(columns) for row in meta["numbers"]["rows"])
        assert any("[" in column for column in columns)
        assert columns[0] in ("session", "route", "source")


def test_phases_differ_by_more_than_colour(result):
    dashes = {(t["line"]["color"], t["line"].get("dash")) for t in stored(figures.pulls_overlaid(result))["data"]
              if t["line"]["width"] == 3}  # fmt: skip
    assert dashes == {(figures.COLOUR["before"], "solid"), (figures.COLOUR["after"], "dash")}
    assert figures.MARKER["before"] != figures.MARKER["after"]


def contrast(colour: str, paper: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definition of contrast ratio and relative luminance)."""

    def luminance(text: str) -> float:
        channels = [int(text[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    light, dark = sorted((luminance(colour), luminance(paper)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_against_its_source():
    # WCAG 2.2: black on white is 21:1; #767676 on white is the classic least grey of 4.5:1 (from memory: 4.54).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("phase", ["before", "after"])
def test_the_phases_colours_stand_out_from_white_paper(phase):
    assert contrast(figures.COLOUR[phase], "#ffffff") >= 3  # WCAG 2.2, 1.4.11: graphics


def test_an_interval_far_from_zero_stays_in_the_picture(results):
    result = results["fin_wash"]
    estimate = dataclasses.replace(result.comparison.estimate, change=-30.0, low=-34.0, high=-26.0)
    far = dataclasses.replace(result.comparison, estimate=estimate)
    low, high = stored(figures.other_routes(dataclasses.replace(result, comparison=far)))["layout"]["xaxis"]["range"]
    assert low < -34
    assert np.isclose(low, -high)


def test_a_refused_candidate_is_hatched_and_says_why(results):
    traces = stored(figures.drives(results["a pull left out"]))["data"]
    (hatched,) = [trace for trace in traces if "fillpattern" in trace]
    assert hatched["fillpattern"]["shape"] == "/"
    assert "left out: " in hatched["text"]
    names = {trace.get("name") for trace in traces}
    assert {"speed", "pedal", "charge temperature", "inlet temperature"} <= names
