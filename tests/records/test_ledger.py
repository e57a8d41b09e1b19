"""The ledger, by sums worked by hand."""

import datetime as dt
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullbook.errors import PullbookError
from pullbook.records.ledger import (
    LEAST_FOR_TREND,
    Capture,
    LedgerError,
    capture_rate,
    captures,
    full_in_km,
    parse_ledger,
    passed_earlier_ml,
    read_ledger,
    since,
    trend,
)
from study.ledger import beaten, rises_claimed

TEXT = """date,odometer,item,amount,unit,note
2025-01-10,100000 km,catch can,,,fitted
2025-03-10,102000,Catch can,30,ml,first emptying
2025-03-11,102010,cooler cleaned,,,
2025-06-01,"105,000 km",catch  can,60,ml,
2025-09-01,67105.6 mi,catch can,2.0288413,fl oz,
"""


def test_rows_are_read_with_their_units() -> None:
    ledger = parse_ledger(TEXT)
    assert ledger.items == ("catch can", "cooler cleaned")
    # 67105.6 miles are 107 996 km; 2.0288413 US fluid ounces are 60 ml.
    assert ledger.entries[-1].odometer_km == pytest.approx(67105.6 * 1.609344)
    assert ledger.entries[-1].amount_ml == pytest.approx(60.0, abs=1e-4)


def test_captures_and_rate_by_hand() -> None:
    """30 ml in 2000 km, 60 in 3000, 60 in 3000: 150 ml in 8000 km are 18.75 ml per 1000 km."""
    text = TEXT.replace("67105.6 mi", "108000")
    found = captures(parse_ledger(text))
    assert [(c.distance_km, round(c.amount_ml)) for c in found] == [(2000, 30), (3000, 60), (3000, 60)]
    rate = capture_rate(found)
    assert rate.per_1000_km == pytest.approx(18.75, abs=1e-4)
    assert rate.total_ml == pytest.approx(150, abs=1e-3)
    # Residuals 30 - 37.5, 60 - 56.25 twice: s2 = (56.25 + 2 * 14.0625) / 2 = 42.1875; u = sqrt(3 * 42.1875) / 8 =
    # 1.40625 per 1000 km; t(2) = 4.302653: half-width 6.0506.
    assert rate.high - rate.per_1000_km == pytest.approx(6.0506, abs=2e-3)
    assert rate.low == pytest.approx(18.75 - 6.0506, abs=2e-3)


def test_one_capture_has_no_interval() -> None:
    rate = capture_rate([Capture(from_km=0, to_km=2000, amount_ml=30)])
    assert rate.per_1000_km == 15
    assert math.isnan(rate.low)
    assert math.isnan(rate.high)


def test_what_passed_earlier_and_when_it_is_full() -> None:
    rate = capture_rate([Capture(from_km=0, to_km=2000, amount_ml=30), Capture(from_km=2000, to_km=4000, amount_ml=34)])
    assert rate.per_1000_km == 16
    amount, low, high = passed_earlier_ml(rate, 100_000)
    assert amount == pytest.approx(1600)
    assert low < amount < high
    usual, soonest = full_in_km(rate, capacity_ml=200, held_ml=40)
    assert usual == pytest.approx(10_000)
    assert soonest < usual


def test_full_sooner_than_said_is_as_rare_as_it_says() -> None:
    """Drawn fillings whose rates differ by 30 %: beyond the upper end of 95 % in few of 300, not one in seven."""
    # 0.04, with three standard deviations of 0.0115.
    assert beaten(np.random.default_rng(5), emptyings=5, share=0.3, count=300) < 0.075


def test_looking_at_each_emptying_finds_few_rises_that_are_not_there() -> None:
    """Drawn: 12 looks, from 5 to 16 captures of one rate. 0.0460 of 400,000 drawn once."""
    rates = np.random.default_rng(6).gamma(8, 3, (20_000, 16))
    by = rises_claimed(rates)
    assert by[:, -1].mean() == pytest.approx(0.046, abs=3 * math.sqrt(0.046 * 0.954 / len(rates)))
    rising = [
        trend([Capture(from_km=0.0, to_km=1000.0, amount_ml=a) for a in rates[0, :n]]).rising
        for n in range(LEAST_FOR_TREND, 17)
    ]
    assert np.logical_or.accumulate(rising).tolist() == by[0, LEAST_FOR_TREND - 1 :].tolist()


def test_a_row_without_odometer_is_joined_to_the_next() -> None:
    text = (
        "date,odometer,item,amount,unit\n2025-01-01,1000,catch can,,\n2025-02-01,,catch can,10,ml\n"
        "2025-03-01,3000,catch can,20,ml\n"
    )
    ledger = parse_ledger(text)
    assert [f.code for f in ledger.findings] == ["odometer-missing"]
    (only,) = captures(ledger)
    assert (only.distance_km, only.amount_ml) == (2000, 30)


def test_a_rising_rate_is_told_with_the_remedy() -> None:
    steps = [10, 12, 15, 19, 24, 30]
    found = [Capture(from_km=1000.0 * k, to_km=1000.0 * (k + 1), amount_ml=a) for k, a in enumerate(steps)]
    rising = trend(found)
    # Six in strict order: one of 720 orders, so p = 1/720 exactly (Kendall 1938).
    assert rising.p == pytest.approx(1 / 720)
    assert rising.rising
    assert "technician" in rising.sentence
    falling = [Capture(from_km=c.from_km, to_km=c.to_km, amount_ml=40 - c.amount_ml) for c in found]
    assert not trend(falling).rising


def test_a_steady_rate_gives_no_trend_and_few_captures_none() -> None:
    steps = [20, 18, 22, 19, 21, 20]
    found = [Capture(from_km=1000.0 * k, to_km=1000.0 * (k + 1), amount_ml=a) for k, a in enumerate(steps)]
    assert not trend(found).rising
    assert "too few" in trend(found[:3]).sentence
    assert "same rate" in trend([Capture(from_km=0, to_km=1000, amount_ml=5)] * 5).sentence


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("soon,1000,wash,,,", "row 2: date given 'soon'. Allowed: 2026-03-20"),
        ("2025-01-01,far,wash,,,", "row 2: odometer given 'far'"),
        ("2025-01-01,61.250,wash,,,", "row 2: odometer given '61.250', which may be 61250 or 61.250"),
        ("2025-01-01,1000,,,,", "row 2: item "),
        ("2025-01-01,1000,catch can,ten,ml,", "row 2: amount given 'ten'"),
        ("2025-01-01,1000,catch can,10,cups,", "row 2: unit given 'cups'"),
        ("2025-01-01,1000,catch can,-5,ml,", "row 2: amount given '-5'"),
    ],
)
def test_each_fault_names_its_row_and_what_is_allowed(row, said) -> None:
    with pytest.raises(LedgerError, match=r"has 1 fault") as refusal:
        parse_ledger(f"date,odometer,item,amount,unit,note\n{row}\n")
    assert said in str(refusal.value)


def test_all_faults_come_at_once() -> None:
    with pytest.raises(LedgerError, match="has 3 faults"):
        parse_ledger("date,odometer,item,amount,unit,note\nx,1,a,,,\n2025-01-01,y,a,,,\n2025-01-01,1,,,,\n")


def test_an_odometer_that_runs_backward_is_refused_by_row() -> None:
    text = "date,odometer,item\n2025-01-01,1000,wash\n2025-02-01,900,wash\n"
    with pytest.raises(LedgerError, match=r"row 3: odometer 900 km .*1000 km of row 2"):
        parse_ledger(text)


def test_miles_taken_for_kilometres_are_noticed() -> None:
    """A forgotten unit after kilometres looks like an odometer that runs backward."""
    text = "date,odometer,item\n2025-01-01,100000 km,wash\n2025-02-01,63000,wash\n"
    with pytest.raises(LedgerError, match="or its unit"):
        parse_ledger(text)


def test_wrong_columns_are_refused() -> None:
    with pytest.raises(LedgerError, match="missing: odometer; unknown: 'km'"):
        parse_ledger("date,km,item\n2025-01-01,1,a\n")
    with pytest.raises(LedgerError, match="missing"):
        parse_ledger("")


def test_an_amount_over_no_distance_is_refused() -> None:
    text = "date,odometer,item,amount,unit\n2025-01-01,1000,catch can,,\n2025-01-02,1000,catch can,10,ml\n"
    with pytest.raises(LedgerError, match="row 3: 10 ml of catch can"):
        captures(parse_ledger(text))


def test_since_the_last_time() -> None:
    ledger = parse_ledger(
        "date,odometer,item\n2024-01-01,1000,wash\n2024-07-01,11000,wash\n2025-01-01,25000,wash\n2025-02-01,26500,other\n"
    )
    found = since(ledger, "Wash", today=dt.date(2025, 3, 2))
    assert (found.days, found.distance_km, found.times, found.usual_km) == (60, 1500, 3, 12_000)
    with pytest.raises(LedgerError, match="wash, other"):
        since(ledger, "polish", today=dt.date(2025, 3, 2))


def test_a_file_is_read_and_a_missing_one_refused(tmp_path) -> None:
    path = tmp_path / "ledger.csv"
    path.write_text(TEXT, encoding="utf-8-sig")
    assert len(read_ledger(path).entries) == 5
    with pytest.raises(LedgerError, match="no such file"):
        read_ledger(tmp_path / "none.csv")


def test_semicolons_serve_too() -> None:
    assert len(parse_ledger(TEXT.replace('"105,000 km"', "105000").replace(",", ";")).entries) == 5


@given(st.text(max_size=300))
def test_any_text_gives_a_ledger_or_a_refusal(text) -> None:
    try:
        ledger = parse_ledger("date,odometer,item,amount,unit,note\n" + text)
    except PullbookError:
        return
    assert all(entry.item for entry in ledger.entries)


def test_the_interval_holds_the_true_rate_as_often_as_it_says() -> None:
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(800):
        km = rng.uniform(1000, 4000, 6)
        amounts = 18e-3 * km + rng.normal(0, 8, 6)
        ends = np.concatenate([[0.0], np.cumsum(km)])
        found = [Capture(from_km=ends[k], to_km=ends[k + 1], amount_ml=amounts[k]) for k in range(6)]
        rate = capture_rate(found)
        held += rate.low <= 18 <= rate.high
    # Binomial: 0.95 with a standard deviation of 0.008; three of them either way.
    assert held / 800 == pytest.approx(0.95, abs=0.025)


# --- damaged and hostile ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("2026-01-01,1,can,1,ml," + "x" * 131_073, "field larger than field limit"),
        ('2026-01-01,1,can,1,ml,"' + "x\n" * 100_000, "Is a quote left open"),
        ("9" * 100_000 + ",1,can,1,ml,", "row 2: date is longer than 400 characters"),
        ("2026-01-01,1,can,1," + "x" * 100_000, "row 2: unit is longer than 400 characters"),
        ("2026-01-01," + "9" * 400 + ",can,1,ml,", "odometer given '9999"),
        ("2026-01-01,1,can," + "9" * 400 + ",ml,", "amount given '9999"),
        ("2026-01-01,1,can,1e300,ml,", "amount given '1e300'. Allowed: up to 1,000,000 ml"),
        ("2026-13-01,x,,y,z,\n" * 30_000, "and 119980 more"),
    ],
)
def test_a_ledger_made_to_break_is_refused_in_a_message_one_can_read(rows, said):
    with pytest.raises(LedgerError) as caught:
        parse_ledger(f"date,odometer,item,amount,unit,note\n{rows}\n")
    assert said in str(caught.value)
    assert len(str(caught.value)) < 2_000


def test_a_header_of_many_columns_is_refused_in_a_message_one_can_read():
    with pytest.raises(LedgerError, match="missing: date") as caught:
        parse_ledger(",".join(f"c{k}" for k in range(100_000)) + "\n")
    assert len(str(caught.value)) < 2_000


def test_a_ledger_that_cannot_be_read_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "my.csv"
    path.write_text("date,odometer,item\n", encoding="utf-8")

    def broken(*_: object, **__: object) -> str:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "read_text", broken)
    with pytest.raises(LedgerError, match="can't be read"):
        read_ledger(path)


# --- dates and units as people write them --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "written",
    ["2026-03-20", "2026/3/20", "20.3.2026", "20. 3. 2026", "20.03.26", "20/3/2026", "3/20/2026", "20-03-2026",
     "20 March 2026", "20th Mar 2026", "March 20, 2026", "Mar 20 2026", "20-mar-2026"],
)  # fmt: skip
def test_any_usual_form_of_a_date_is_read(written):
    (entry,) = parse_ledger(f'date,odometer,item\n"{written}",1000,wash\n').entries
    assert entry.date == dt.date(2026, 3, 20)


def dated(*rows: tuple[str, int], heading: str = "date") -> list[dt.date]:
    text = "".join(f"{day},{km},wash\n" for day, km in rows)
    return [entry.date for entry in parse_ledger(f"{heading},odometer,item\n{text}").entries]


def test_one_row_settles_which_comes_first():
    assert dated(("3/4/2026", 1000), ("5/20/2026", 2000)) == [dt.date(2026, 3, 4), dt.date(2026, 5, 20)]
    assert dated(("3/4/2026", 1000), ("20/5/2026", 2000)) == [dt.date(2026, 4, 3), dt.date(2026, 5, 20)]


def test_an_odometer_settles_it_too():
    """With the month first, the second row would lie before the first."""
    assert dated(("9/1/2026", 1000), ("1/2/2026", 2000)) == [dt.date(2026, 1, 9), dt.date(2026, 2, 1)]


def test_where_it_stays_open_it_is_asked():
    rows = (("3/4/2026", 1000), ("5/6/2026", 2000))
    with pytest.raises(LedgerError, match=r"3 April 2026 or 4 March 2026.*date d/m/y"):
        dated(*rows)
    assert dated(*rows, heading="date d/m/y")[0] == dt.date(2026, 4, 3)
    assert dated(*rows, heading="Date m/d/y")[0] == dt.date(2026, 3, 4)
    assert dated(("4/4/2026", 1000)) == [dt.date(2026, 4, 4)]  # the same either way


def test_rows_that_contradict_each_other_are_refused():
    with pytest.raises(LedgerError, match=r"row 3: date given '5/20/2026'. The others have the day first"):
        dated(("20/5/2026", 1000), ("5/20/2026", 2000))


def test_entries_keep_what_was_written():
    ledger = parse_ledger(TEXT)
    assert ledger.in_miles
    assert [e.odometer_as_given for e in ledger.entries][:2] == ["100000 km", "102000 km"]
    assert ledger.entries[-1].odometer_as_given == "67105.6 mi"
    assert ledger.entries[-1].amount_as_given == "2.0288413 fl oz"


def test_the_check_values_of_the_trade():
    """60 ml every 5,000 km over 130,000 km: 26 emptyings, 1,560 ml (common practice, no source); the rest by hand."""
    text = "date,odometer,item,amount,unit\n2010-01-01,70000,catch can,,\n" + "".join(
        f"{dt.date(2010, 1, 1) + dt.timedelta(days=60 * k)},{70_000 + 5_000 * k},catch can,60,ml\n"
        for k in range(1, 27)
    )
    found = captures(parse_ledger(text))
    rate = capture_rate(found)
    assert (rate.captures, rate.total_ml, rate.distance_km) == (26, pytest.approx(1560), pytest.approx(130_000))
    assert passed_earlier_ml(rate, 70_000)[0] == pytest.approx(840)
    assert passed_earlier_ml(rate, 100_000)[0] == pytest.approx(1200)
