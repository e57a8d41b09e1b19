"""What a shared result must never carry, one case each, and ordinary words that must stay."""

import getpass
import re
import socket

import pytest

from pullbook.settings import privacy
from pullbook.settings.privacy import REMOVED, scrub

PRIVATE = {
    "vehicle identification number": ["ZZX9ZZ7HZ8H000123 after the wash", "vin 1zz8f2c45k7000999"],
    "position": ["parked at 51.50735, -0.12776", "52°31'12\"N 13°24'18\"E", "lat: 48.13", "at 48.1371 N; 11.5754 E"],
    "registration": ["reg AB12 CDE", "number plate: XY-Z 1234", "registration no. K 77 LMN"],
    "serial number": ["serial number A93-2231X", "S/N 00412345"],
    "mail address": ["write to someone.else@example.org"],
    "file path": [
        "/home/someone/logs/a.csv",
        "C:\\Users\\someone\\log.csv",
        "~/drives/b.csv",
        "\\\\server\\share\\log.csv",
    ],
}


@pytest.mark.parametrize(("kind", "text"), [(kind, text) for kind, texts in PRIVATE.items() for text in texts])
def test_each_kind_is_removed_whole(kind, text) -> None:
    cleaned = scrub(text)
    assert REMOVED in cleaned, kind
    assert not re.search(r"\d", cleaned)  # the digits are what tells
    assert "someone" not in cleaned
    assert scrub(cleaned) == cleaned


@pytest.mark.parametrize(
    "text",
    [
        "2.2 L turbo-diesel van, front-mounted charge-air cooler",
        "fell by 6.1 K (95 % interval 4.5 to 7.6 K), more than the 2 K",
        "218 kPa before, 204 kPa after (-6 %)",
        "before-1, pull 3: braked for a tractor",
        "a regular service at 148200 km; the registered keeper drove",
        "ABCDEFGHJKLMNPRST",  # seventeen letters and no digit: a word, not a VIN
        "12345678901234567",
        "km/h and g/s, 50-100 km/h, and/or",
        "JCGM 100:2008, UN R83",
    ],
)
def test_ordinary_text_stays(text) -> None:
    assert scrub(text) == text


def test_own_names_go(monkeypatch) -> None:
    monkeypatch.setattr(getpass, "getuser", lambda: "wilhelmina")
    monkeypatch.setattr(socket, "gethostname", lambda: "shed-laptop")
    privacy._own_names.cache_clear()
    try:
        assert scrub("Wilhelmina on shed-laptop") == f"{REMOVED} on {REMOVED}"
    finally:
        privacy._own_names.cache_clear()


def test_an_ordinary_word_as_a_user_name_stays(monkeypatch) -> None:
    monkeypatch.setattr(getpass, "getuser", lambda: "user")
    monkeypatch.setattr(socket, "gethostname", lambda: "ab")
    privacy._own_names.cache_clear()
    try:
        assert scrub("a user of the lab") == "a user of the lab"
    finally:
        privacy._own_names.cache_clear()


def test_dates_go_only_when_asked() -> None:
    text = "washed on 2026-03-20, again 1.4.2026"
    assert scrub(text) == text
    assert scrub(text, dates=True) == f"washed on {REMOVED}, again {REMOVED}"
