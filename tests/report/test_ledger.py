"""The ledger's page says what the sums say, and escapes what was written by hand."""

import datetime as dt
import math
from html import unescape
from pathlib import Path

import pytest

from pullbook.errors import LedgerError
from pullbook.records.ledger import parse_ledger, since
from pullbook.report.ledger import (
    MeasuredEffect,
    answer,
    caught,
    decision,
    decision_lines,
    entries,
    filling_of,
    open_ledger,
    picture,
)
from pullbook.report.own_units import Distance

SAMPLE = Path(__file__).parents[2] / "sample_runs" / "fin_wash" / "ledger.csv"


def test_the_sample_says_its_rate() -> None:
    book = open_ledger(SAMPLE)
    first = answer(book, item="catch can", capacity_ml=250).html
    html = caught(book, item="catch can", capacity_ml=250, fitted_at_km=136_400).html
    # 38 + 31 + 36 + 41 + 33 = 179 ml over 148 000 - 136 400 = 11 600 km: 30.9 ml in 2,000 km; 250 ml take 16 200 km.
    assert "About 31 ml every 2,000 km</p>" in first
    assert "The 250 ml can is full at about 164,000 km. There is no sign" in first
    assert "Keep it off your skin" in first
    assert "Total: 179 ml" in html
    assert "extrapolation" in html
    assert "no rise of the rate" in html


def test_the_decision_tells_what_was_measured(tmp_path) -> None:
    book = open_ledger(SAMPLE, today="2026-06-20")
    facts = {"item": "cooler fins washed", "cost": 5.0, "hours": 2.0, "currency": "EUR"}
    assert "Nobody measured its effect" in decision(book, results="", **facts).html
    results = tmp_path / "results.json"
    results.write_text('{"comparison": {"sentence": "Improved: fell by 6 K.", "verdict": "improved"}}')
    html = decision(book, results=str(results), **facts).html
    assert "Improved: fell by 6 K." in html
    assert "92 days" in html
    with pytest.raises(LedgerError, match=r"Allowed: a results\.json"):
        decision(book, results=str(tmp_path / "none.json"), **facts)


def test_notes_are_escaped(tmp_path) -> None:
    path = tmp_path / "ledger.csv"
    path.write_text("date,odometer,item,amount,unit,note\n2025-01-01,1000,wash,,,<script>alert(1)</script>\n")
    html = entries(open_ledger(path)).html
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_nothing_caught_yet(tmp_path) -> None:
    path = tmp_path / "ledger.csv"
    path.write_text("date,odometer,item\n2025-01-01,1000,catch can\n")
    book = open_ledger(path)
    assert "no amount of catch can" in answer(book, item="catch can", capacity_ml=0).html
    assert picture(book, item="catch can", capacity_ml=250) is None
    assert "<table" not in caught(book, item="catch can", capacity_ml=0, fitted_at_km=0).html


def test_a_wrong_day_is_refused() -> None:
    with pytest.raises(LedgerError, match="2026-03-20"):
        open_ledger(SAMPLE, today="tomorrow")
    with pytest.raises(LedgerError, match="2026-07-08 or 2026-08-07"):
        open_ledger(SAMPLE, today="7/8/2026")
    assert str(open_ledger(SAMPLE, today="7/15/2026").today) == "2026-07-15"


def test_nothing_is_said_that_was_not_given(tmp_path) -> None:
    """Of somebody else's ledger, as the notebook stands: no service, no cost and no distance are made up."""
    book = open_ledger(SAMPLE, today="2026-06-20")
    html = decision(book, item="", results="", cost=0.0, hours=0.0, currency="EUR").html
    assert "The ledger has: catch can, cooler fins washed." in html
    told = decision(book, item="cooler fins washed", results="", cost=0.0, hours=0.0, currency="EUR").html
    assert "figures" not in told
    assert (
        "costs 5 EUR."
        in decision(book, item="cooler fins washed", results="", cost=5.0, hours=0.0, currency="EUR").html
    )
    assert "extrapolation" not in caught(book, item="catch can", capacity_ml=0.0, fitted_at_km=0.0).html


def test_the_page_says_it_as_one_would(tmp_path) -> None:
    """The check values of the trade (common practice, no source): 60 ml every 5,000 km, in km and in miles."""
    path = tmp_path / "ledger.csv"
    for unit in ("km", "mi"):
        rows = [f"{2010 + k}-01-01,{70_000 + 5_000 * k} {unit},catch can,{'60,ml' if k else ','}" for k in range(9)]
        path.write_text("date,odometer,item,amount,unit\n" + "\n".join(rows), encoding="utf-8")
        book = open_ledger(path)
        km = 70_000 * (1.609344 if unit == "mi" else 1)
        html = caught(book, item="catch can", capacity_ml=744, fitted_at_km=km).html
        word = "miles" if unit == "mi" else "km"
        first = answer(book, item="catch can", capacity_ml=744).html
        assert f"About 60 ml every 5,000 {word}</p>" in first
        assert f"The 744 ml can is full at about 172,000 {word}" in first
        assert f"about 840 ml (840 ml to 840 ml) went into the intake over the first 70,000 {word}" in html
        assert f"75,000 {unit}" not in html  # rows are shown as they were entered
        assert f"75000 {unit}" in entries(book).html
    drawing = picture(book, item="catch can", capacity_ml=744)
    assert drawing is not None
    assert {row[2:] for row in drawing.rows} == {(60.0, 12.0)}
    assert drawing.columns[-1] == "ml per 1,000 miles"


@pytest.mark.parametrize("capacity_ml", [0.0, 20.0, 250.0, 1e6])
def test_the_picture_holds_every_emptying_and_when_the_can_is_full(capacity_ml) -> None:
    """The sums are those of the first test; without a capacity nothing is said of when it is full."""
    book = open_ledger(SAMPLE)
    drawing = picture(book, item="catch can", capacity_ml=capacity_ml)
    filling = filling_of(book, item="catch can", capacity_ml=capacity_ml)
    assert drawing is not None
    assert filling is not None
    assert [row[2] for row in drawing.rows] == [38, 31, 36, 41, 33]
    assert ("full at about" in drawing.html) == (capacity_ml > 0) == math.isfinite(filling.full_km)
    if capacity_ml > 0:
        assert filling.full_km == pytest.approx(148_000 + capacity_ml / (179 / 11_600))
        assert 148_000 < filling.soonest_km < filling.full_km
    assert "nan" not in drawing.html.lower()


def test_a_ledger_in_ounces_is_answered_in_ounces_and_says_what_it_left_out(tmp_path) -> None:
    path = tmp_path / "ledger.csv"
    rows = ["2025-01-01,1000 mi,catch can,,", "2025-02-01,3000 mi,catch can,3.0,oz",
            "2025-03-01,4000 mi,catch can emptied,1.2,oz", "2025-04-01,5000 mi,catch can,5.0,oz"]  # fmt: skip
    path.write_text("date,odometer,item,amount,unit\n" + "\n".join(rows), encoding="utf-8")
    book = open_ledger(path)
    facts = {"item": "catch can", "capacity_ml": 0.0}
    first = unescape(answer(book, **facts).html)
    assert "About 4.0 oz every 2,000 miles" in first  # 8 oz over 4,000 miles
    assert "row 4 ('catch can emptied', 1.2 oz)" in first
    assert "Did you mean 'catch can'?" in first
    html = caught(book, **facts, fitted_at_km=1609.344).html
    assert "Total: 8.0 oz" in html
    assert "about 2.0 oz" in html  # in 1,000 miles
    drawing = picture(book, **facts)
    assert drawing is not None
    assert list(drawing.rows) == [(1000, 3000, 3.0, 1.5), (3000, 5000, 5.0, 2.5)]
    assert " ml" not in first + html + drawing.html


def test_one_emptying_is_drawn_without_a_limit(tmp_path) -> None:
    path = tmp_path / "ledger.csv"
    path.write_text("date,odometer,item,amount,unit\n2025-01-01,1000,can,,\n2025-02-01,3000,can,40,ml\n")
    drawing = picture(open_ledger(path), item="can", capacity_ml=250)
    assert drawing is not None
    assert "full at about 15,500 km" in drawing.html  # 250 ml at 20 ml in 1,000 km, from 3,000 km on
    assert "at most" not in drawing.html


def test_the_decision_goes_no_further_than_the_evidence() -> None:
    km = Distance(miles=False)
    what = since(parse_ledger("date,odometer,item\n2025-01-01,1000,wash\n"), "wash", today=dt.date(2025, 2, 1))
    never = decision_lines(what=what, effect=None, cost=30, hours=4, currency="EUR", far=km)
    assert "Nobody measured" in never[-1]
    assert "0 km" in never[0]
    assert "0 miles" in decision_lines(what=what, effect=None, cost=0, hours=0, far=Distance(miles=True))[0]
    measured = decision_lines(what=what, effect=MeasuredEffect("improved", "Improved: ..."), cost=30, hours=4, far=km)
    assert any("only a measurement" in line for line in measured)
    open_one = decision_lines(what=what, effect=MeasuredEffect("not-resolved", "Not resolved"), cost=1, hours=1, far=km)
    assert "does not prove" in open_one[-1]
