"""What a shared result must never carry, one case each, and ordinary words that must stay."""

import base64
import getpass
import re
import socket
from re import _parser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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


VIN = "ZZX9ZZ7HZ8H000123"
ALIKE = str.maketrans({"Z": "Ζ", "X": "Х", "H": "Н"})  # a Greek and two Cyrillic letters
WRITTEN = {
    "full width": "".join(chr(ord(c) + 0xFEE0) for c in VIN),
    "letters of other alphabets": VIN.translate(ALIKE),
    "bold": "".join(chr(0x1D400 + ord(c) - 65) if c.isalpha() else chr(0x1D7CE + int(c)) for c in VIN),
    "accents": "\u0301".join(VIN),
    "zero width": "\u200b".join(VIN),
    "soft hyphen": "ZZX9ZZ7H\u00adZ8H000123",
    "variation selector": "ZZX9ZZ7H\ufe0fZ8H000123",
    "dashes": "ZZX–9ZZ7HZ–8H000123",
    "narrow blanks": "ZZX\u20099ZZ7HZ\u20098H000123",
    "two blanks": "ZZX  9ZZ7HZ  8H000123",
    "slashes": "ZZX/9ZZ7HZ/8H000123",
    "in a word": f"chassis{VIN}wet",
    "its end": "VIN ends in 8H000123",
    "base64 of base64": base64.b64encode(base64.b64encode(VIN.encode())).decode(),
    "hexadecimal": VIN.encode().hex(),
    "figures of another writing": "٥٢.١٢٣٤٥, ٤.٥٦٧٨٩",
    "a pair in brackets": "(52.12345) (4.56789)",
    "a pair with a word": "52.12345 and 4.56789",
    "a pair by signs": "-33.86785+151.20732",
    "a pair by names": '{"lat":52.12345,"lng":4.56789}',
    "degrees in letters": "52d07m24.4s N 4d34m04.4s E",
    "degrees and minutes": "N 52 07.407 E 004 34.073",
    "a receiver's": "5207.407,N,00434.073,E",
    "another language": "Breite: 52,12345 und Länge: 4,56789",
    "code of a place": "9F46X6VC+8Q",
    "grid": "31U 607000 5775000",
    "quoted registration": 'registration "AB12CDE"',
    "registered": "registered as AB12CDE",
    "plate in capitals": "plate AB12CDE",
    "at in words": "someone (at) example (dot) org",
    "full-width at": "someone＠example.org",
    "another root": "/srv/someone/logs",
    "a removable disk": "/run/media/someone/usb/x.csv",
    "a path behind a colon": "log:/home/someone/x",
    "a share": "smb://nas/someone/x",
    "a variable": "%USERPROFILE%\\someone\\x",
    "folders above": "../../someone/logs/x.csv",
    "address of a device": "00:1A:2B:3C:4D:5E",
}


@pytest.mark.parametrize("way", WRITTEN)
def test_no_way_of_writing_hides_it(way) -> None:
    cleaned = scrub(f"before {WRITTEN[way]} after")
    assert REMOVED in cleaned
    assert not re.search(r"\d", cleaned)
    assert "someone" not in cleaned
    assert len(cleaned) <= 40  # all of it, and the words around it at most


@given(st.lists(st.sampled_from([*WRITTEN.values(), "reg AB12 CDE", " ", ", ", "52.1234", "a@b.de", "°", "x/", "N"])))
@settings(max_examples=100, deadline=None)
def test_to_look_around_the_hints_alone_misses_nothing(pieces) -> None:
    text = privacy.as_read("".join(pieces))[0]
    for name, pattern in privacy._PATTERNS.items():
        hinted = [match.span() for match in privacy._searched(name, text, text.lower())]
        assert hinted == [match.span() for match in pattern.finditer(text)], name


def test_the_reach_of_each_hint_is_no_shorter_than_its_pattern() -> None:
    for name, (_, _, reach) in privacy._HINTS.items():
        pattern = privacy._PATTERNS[name]
        assert _parser.parse(pattern.pattern, pattern.flags).getwidth()[1] <= reach, name


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
        "weights @ regression.covariance @ weights",
        'd="M 385 38\nL 615 38\nL 615 8"',
        "10:00:00 GMT-10:00 2026",
        "adapter plate M8, 0.125 to 0.250 K, Länge: 4,5 m",
        "../autumn, ../.., 12 days at 5 deg and 3 m",
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
