"""No pattern of the scrubber takes more than so many steps a character, whatever the text.

A pattern is searched for from every place of a text. If every repeat in it is bounded, the steps from one place are
bounded too. A repeat without a bound at the very end of a pattern takes each character once: the next search starts
behind it. So the patterns are taken apart, as the `re` module itself does, and no clock is looked at.
"""

from __future__ import annotations

import re
from re import _constants as kinds
from re import _parser
from typing import Any

import pytest

from pullbook.settings import privacy
from pullbook.settings.privacy import REMOVED, scrub

REPEATS = (kinds.MAX_REPEAT, kinds.MIN_REPEAT, kinds.POSSESSIVE_REPEAT)
PATTERNS = {**privacy._PATTERNS, "date": privacy.DATE}


def open_repeats(parsed: Any, *, last: bool) -> list[str]:
    """Return the repeats without a bound that something follows, or that are inside another repeat."""
    found: list[str] = []
    items = list(parsed)
    for k, (kind, value) in enumerate(items):
        ends = last and k == len(items) - 1
        if kind in REPEATS:
            _, most, inside = value
            if most == kinds.MAXREPEAT and not (
                ends and len(inside) == 1 and inside[0][0] in (kinds.IN, kinds.LITERAL, kinds.NOT_LITERAL)
            ):
                found.append(str(inside))
            found += open_repeats(inside, last=False)
        elif kind is kinds.SUBPATTERN:
            found += open_repeats(value[-1], last=ends)
        elif kind is kinds.BRANCH:
            for branch in value[1]:
                found += open_repeats(branch, last=ends)
        elif kind in (kinds.ASSERT, kinds.ASSERT_NOT):
            found += open_repeats(value[1], last=False)
        elif kind is kinds.ATOMIC_GROUP:
            found += open_repeats(value, last=False)
    return found


@pytest.mark.parametrize(
    ("pattern", "linear"),
    [
        (r"[\w.+-]+@[\w-]+(\.[\w-]+)+", False),  # what the mail pattern was
        (r"\d+\s*\d+", False),
        (r"(?=[A-Z]*\d)[A-Z]{17}", False),
        (r"(a{1,3}b+)+", False),
        (r"(a|b+)c", False),
        (r"a{1,3}@b{1,3}[^ ]*", True),
        (r"(a{1,3}|b[^ ]*)", True),
    ],
)
def test_the_judgement_itself(pattern, linear):
    assert (not open_repeats(_parser.parse(pattern), last=True)) is linear


@pytest.mark.parametrize("name", PATTERNS)
def test_every_repeat_is_bounded_or_the_last(name):
    pattern = PATTERNS[name]
    assert open_repeats(_parser.parse(pattern.pattern, pattern.flags), last=True) == []


@pytest.mark.parametrize("name", PATTERNS)
def test_what_one_place_can_look_at_is_short(name):
    """A bound of thousands would be none: all repeats together, but an open one at the end, span a few hundred."""
    closed = re.sub(r"(?<!\\)([*+]|\{\d+,\})(?=[)|]|$)", "{0,1}", PATTERNS[name].pattern)
    assert _parser.parse(closed, PATTERNS[name].flags).getwidth()[1] <= 1000


@pytest.mark.parametrize("length", [100, 200_000])
@pytest.mark.parametrize(
    "piece", ["a", "a.", "1", "1.1111 ", " ", "\\\\a", "1.1111" + " " * 50, "reg ", "a@", "-", "°1"]
)
def test_a_header_of_hundreds_of_kilobytes_is_scrubbed(piece, length):
    """It comes to an end at all: the quadratic patterns took hours for some of these."""
    text = (piece * (length // len(piece) + 1))[:length]
    assert REMOVED in scrub(f"{text} jdoe@example.org", dates=True)


@pytest.mark.parametrize(
    "text",
    [
        "someone.with+a-long_name@mail.workshop.example.org", "a" * 64 + "@" + "b" * 63 + ".example",
        "52.12345 , 4.56789", "52.12345°  N ;  4.56789° E", "52° 12′ 34.5″ N", "reg no.:  AB 123 C", "s/n =  AB-1234",
        r"\\server\share\folder\file.csv", "/home/" + "x" * 3000, "1HGBH41JXMN109186", "14 March,  2026",
    ],
)  # fmt: skip
def test_what_was_found_is_still_found(text):
    found = scrub(f"see {text} there", dates=True)
    assert REMOVED in found
    assert not [part for part in text.split() if len(part) > 4 and part in found]
