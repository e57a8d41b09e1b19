"""The glossary: each word is linked once, from where a page first uses it in the open."""

from __future__ import annotations

from pullbook.quantities import US
from pullbook.report.glossary import WORDS, glossary, linked


def test_the_first_open_use_is_linked_and_no_other() -> None:
    page = (
        "<h1>session</h1><svg><text>5 K</text></svg><details><p>an interval</p></details>"
        "<p>It fell by 6.3 K (95 % interval 4.7 to 8.0 K) in 3 sessions.</p><p>Another session, an interval.</p>"
    )
    found = linked(page + glossary().html)
    assert found.startswith(page.partition("<p>It fell")[0])
    assert (
        '6.3 <a href="#word-k">K</a> (95 % <a href="#word-interval">interval</a> 4.7 to 8.0 K) in 3 '
        '<a href="#word-session">sessions</a>.</p><p>Another session, an interval.</p>'
    ) in found


def test_a_page_without_a_glossary_and_tags_stay_as_they_are() -> None:
    assert linked("<p>an interval</p>") == "<p>an interval</p>"
    page = '<p title="an interval of 6 K">x</p>' + glossary().html
    assert linked(page) == page


def test_a_page_in_us_units_explains_no_kelvin() -> None:
    assert "word-k" not in glossary(US).html
    assert all(word.anchor in glossary().html for word in WORDS)
