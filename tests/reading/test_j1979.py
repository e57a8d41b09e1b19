"""Raw answers as hex lines: their many spellings, and what is no answer."""

from pathlib import Path

import numpy as np
import pytest

from pullbook import PullbookError, read_log
from pullbook.reading.j1979 import decode, looks_raw

SPELLINGS = [
    "12.345 41 0D 5A",
    "12.345 410D5A",
    "12.345;41 0d 5a",
    "12,345;410D5A",
    "12.345\t7E8 03 41 0D 5A",
    "12.345 7E803410D5A",
    "12.345,7E8,03,41,0D,5A,00,00,00,00",
    "12.345 7E8 8 03 41 0D 5A AA AA AA AA",
    "12.345 18 DA F1 10 03 41 0D 5A",
    "12.345 18DAF110 03 41 0D 5A 55 55 55 55",
    "12.345 0x41 0x0D 0x5A",
    "12.345 41 0D 5A 00 00 00 00",
    "12.345 41 0D 5A >",
]


@pytest.mark.parametrize("line", SPELLINGS)
def test_spellings(line: str) -> None:
    answers = decode([line])
    assert (answers.signals, answers.numbers, answers.units) == (["Vehicle speed"], [90.0], ["km/h"])
    assert answers.times[0].replace(",", ".") == "12.345"


def test_several_parameters_in_one_answer() -> None:
    assert decode(["1 7E8 06 41 0C 1A F8 0D 5A 00"]).numbers == [1726, 90]
    assert decode(["1 41 0C 1A F8 0D 5A"]).numbers == [1726, 90]


@pytest.mark.parametrize(
    "line", ["", "SEARCHING...", "1.0 NO DATA", "1.0 7F 01 12", "1.0 41 00 BE 1F A8 13", "1.0 41 0C 1A", "1.0 01 0D"]
)
def test_what_is_no_measurement(line: str) -> None:
    answers = decode([line])
    assert not answers.numbers
    assert len(answers.findings) == bool(line)


def test_the_engine_is_heard_and_no_other_unit() -> None:
    answers = decode(["1 7E9 03 41 05 00", "1 7E8 03 41 05 7B", "2 7E9 03 41 05 00", "2 7E9 03 41 0D 10"])
    assert answers.numbers == [83, 16]
    assert "several-senders" in {finding.code for finding in answers.findings}


def test_an_ordinary_table_is_not_taken_for_hex() -> None:
    assert not looks_raw(["Time,Coolant,Speed,Inlet", *(f"{k}.5,41,{50 + k},{20 + k % 9}" for k in range(40))])
    assert not looks_raw([f"{k}.0,{4100 + k},{1000 + k}" for k in range(40)])


@pytest.mark.parametrize("clock", ["{:.3f}", "10:00:{:06.3f}", "2026-03-14 10:00:{:06.3f}"])
def test_a_log_of_answers(tmp_path: Path, clock: str) -> None:
    lines = ["SEARCHING...", ""]
    for k in range(55):
        at = [clock.format(k + 0.2 * n) for n in range(4)]
        lines += [f"{at[0]} 7E8 03 41 0D {40 + k:02X}", f"{at[1]} 7E8 04 41 0C {(4000 + 40 * k):04X}"]
        lines += [f"{at[2]} 7E8 07 41 77 01 {90 + k // 9:02X} 00 00 00", f"{at[3]} NO DATA"]
    path = tmp_path / "answers.txt"
    path.write_text("\r\n".join(lines))
    log = read_log(path)
    np.testing.assert_array_equal(log.need("vehicle_speed").values, 40 + np.arange(55))
    np.testing.assert_array_equal(log.need("engine_speed").values, 1000 + 10 * np.arange(55))
    assert log.need("charge_air_temperature").values[0] == 50
    assert log.need("engine_speed").time_s[:2] == pytest.approx([0.2, 1.2])
    assert {"lines-not-answers", "cooler-bytes-unverified"} <= {finding.code for finding in log.findings}


def test_answers_of_nothing_known_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "answers.txt"
    path.write_text("".join(f"{k} 7E8 06 41 00 BE 1F A8 13\n" for k in range(9)))
    with pytest.raises(PullbookError, match=r"answers\.txt: .*'12\.345 41 0D 5A'"):
        read_log(path)
