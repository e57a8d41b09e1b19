"""What is shared: forty secrets in twelve ways, none found in any kind of file; ordinary words and figures stay."""

from __future__ import annotations

import base64
import csv
import html
import io
import json

import pytest

from audit.leaks import COMMA, NUMBERS, ORDINARY, SECRETS, WAYS, files_with, leaks, written
from helpers.pages import unpacked
from pullbook.errors import PullbookError
from pullbook.settings import share
from pullbook.settings.privacy import REMOVED, has_check_digit, is_vin, scrub
from pullbook.settings.share import fit_to_share


def test_there_are_forty_secrets_and_twelve_ways() -> None:
    assert (len(SECRETS), len(WAYS)) == (40, 12)
    assert len(leaks(files_with([*SECRETS]))) == 40 * 5  # the search finds them where nothing was taken out


@pytest.mark.parametrize("way", WAYS)
def test_forty_secrets_leave_no_trace_in_any_file(way) -> None:
    given = files_with([f"seen: {written(secret, way)} then" for secret in SECRETS])
    assert leaks(fit_to_share(given)) == []


def test_an_escape_whose_backslash_is_escaped_hides_nothing() -> None:
    given = files_with([written(secret, "json").replace("\\", "\\\\") for secret in SECRETS])
    assert leaks(fit_to_share(given)) == []


def test_positions_with_decimal_commas_leave_no_trace() -> None:
    given = files_with([COMMA(secret) for secret in SECRETS])
    assert leaks(fit_to_share(given)) == []


def test_files_without_secrets_stay_byte_for_byte() -> None:
    given = files_with([ORDINARY, "2.2 L turbo-diesel van", "N of 5; E = 0.95", "a&b <c>"])
    assert fit_to_share(given) == given


def test_everything_else_in_the_files_stays() -> None:
    done = fit_to_share(files_with([*SECRETS]))
    assert json.loads(done["results.json"])["evidence"]["numbers"] == NUMBERS
    assert json.loads(done["results.json"])["evidence"]["said"][-1] == ORDINARY
    assert html.escape(ORDINARY) in done["workbook.html"].decode()
    assert ORDINARY in done["post.md"].decode()
    assert str(NUMBERS)[1:-1] in unpacked(done["workbook.html"].decode())
    rows = list(csv.reader(io.StringIO(done["runs.csv"].decode())))
    assert {tuple(row[1:]) for row in rows[1:]} == {tuple(map(str, NUMBERS))}


def test_a_session_that_had_to_be_renamed_is_called_the_same_everywhere() -> None:
    names = ("ZZX9ZZ7HZ8H000123 dry", "after-1", "ZZX9ZZ7HZ8H000123 wet")
    done = fit_to_share(files_with([f"In {name}, pull 3" for name in names], names=names))
    assert [*json.loads(done["results.json"])["sessions"]] == ["session 1", "after-1", "session 3"]
    for name, content in done.items():
        for session in ("session 1, pull 3", "after-1, pull 3", "session 3, pull 3"):
            assert session in content.decode(), name
        assert b"HZ8H" not in content
    assert b"logs/session 1.csv" in done["results.json"]


def test_what_was_found_once_is_looked_for_everywhere() -> None:
    given = {"a.txt": b"plate: XK 481 P", "b.txt": b"XK481P on the track, and xk_481_p", "c.txt": b"XK481PS"}
    done = fit_to_share(given)
    assert b"481" not in done["a.txt"] + done["b.txt"]
    assert done["c.txt"] == given["c.txt"]  # another word


def test_what_cannot_be_taken_out_is_refused_and_not_repeated(monkeypatch) -> None:
    monkeypatch.setattr(share, "without", lambda text, found: text)
    monkeypatch.setattr(share, "_without_known", lambda text, known: text)
    with pytest.raises(PullbookError, match=r"post\.md: .*private.*--private") as caught:
        fit_to_share({"post.md": b"ZZX9ZZ7HZ8H000123"})
    assert "ZZX" not in str(caught.value)


def test_a_picture_with_words_in_its_file_is_refused() -> None:
    chunk = b"\0\0\0\x04tEXtword\0\0\0\0"
    with pytest.raises(PullbookError, match=r"card\.png: .*tEXt"):
        fit_to_share({"card.png": b"\x89PNG\r\n\x1a\n" + chunk})


def test_an_array_that_is_no_array_of_numbers_is_refused_or_emptied() -> None:
    text = base64.b64encode(b"ZZX9ZZ7HZ8H000123").decode()
    for kind in ("S17", "U17", "object"):
        with pytest.raises(PullbookError, match="cannot be searched"):
            fit_to_share({"a.ipynb": json.dumps({"dtype": kind, "bdata": text}).encode()})
    done = fit_to_share({"a.ipynb": json.dumps({"dtype": "u1", "bdata": text}).encode()})
    assert leaks(done) == []
    assert json.loads(done["a.ipynb"])["bdata"] == ""


# --- words of seventeen characters -------------------------------------------------------------------------------


def test_check_digits_of_the_standard() -> None:
    # 49 CFR 565.15: table III gives letters their values, table IV the weights, table V the remainder. By hand:
    # seventeen ones weigh 8+7+6+5+4+3+2+10+0+9+8+7+6+5+4+3+2 = 89 = 8 * 11 + 1, so the check digit is 1.
    assert has_check_digit("1" * 17)
    assert not has_check_digit("11111111211111111")
    assert has_check_digit("1M8GDM9AXKP042788")  # the worked example in common use, from memory


@pytest.mark.parametrize("word", ["ABCDEFGHJKLMNPRST", "12345678901234567", "CHARGEAFTERCAC1AB", "ZZX9ZZ7HZ8H00012"])
def test_words_that_are_no_numbers_of_vehicles_stay(word) -> None:
    assert not is_vin(word)
    assert scrub(f"column {word} of") == f"column {word} of"


@pytest.mark.parametrize(
    "text",
    [
        "serial communication at 38400 baud", "a plate 2 mm thick", "0.125 s, 12.345 W", "after-2026-03-20-1415.csv",
        "148,200 152,400 km", "ran at 90 km h 12 4500", "regular at 5 bar", "100%25 sure &amp; done", "a \\u00b0 sign",
    ],
)  # fmt: skip
def test_ordinary_words_stay(text) -> None:
    assert scrub(text) == text


@pytest.mark.parametrize("text", ["jdoe_AB", "log of JDOE", "x%5Fjdoe%5F", "mail jdoe@example.org"])
def test_a_name_beside_an_underscore_goes(text, monkeypatch) -> None:
    monkeypatch.setenv("LOGNAME", "jdoe")
    from pullbook.settings import privacy

    privacy._own_names.cache_clear()
    try:
        assert "doe" not in scrub(text).lower()
        assert REMOVED in scrub(text)
    finally:
        privacy._own_names.cache_clear()
