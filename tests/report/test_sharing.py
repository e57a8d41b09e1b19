"""What is posted: short, complete, scrubbed, escaped."""

import dataclasses
import io
import re
import struct
from pathlib import Path

import pytest

from helpers.samples import SAMPLE_NAMES
from pullbook.analysis.result import analyse, analyse_experiment
from pullbook.report import canvas, html, sections, sharing
from pullbook.report.sharing import CARD_SIZE, bbcode, card, compose, markdown, save_posts
from pullbook.settings.experiment import Experiment
from pullbook.settings.share import fit_to_share
from pullbook.workbook.run import POSTS

SAMPLES = Path(__file__).parents[2] / "sample_runs"
EVIL = "<script>alert(1)</script> [url=http://x.test]y[/url] **bold** | [a](http://x.test) ![b](x) `c` =1+1"


@pytest.fixture(scope="module")
def evening():
    return analyse(SAMPLES / "two_evenings")


@pytest.fixture(scope="module")
def hostile():
    plain = Experiment.load(SAMPLES / "two_evenings")
    texts = {
        "title": f"Title {EVIL}",
        "question": f"Question {EVIL} from /home/someone/logs at 51.50735, -0.12776",
        "vehicle": plain.vehicle.model_copy(update={"description": f"Van ZZX9ZZ7HZ8H000123 {EVIL}"}),
        "service": plain.service.model_copy(update={"what": f"Wash, reg AB12 CDE {EVIL}"}),
        "sessions": (
            plain.sessions[0].model_copy(update={"leave_out": {"pull 2": f"braked {EVIL}"}}),
            plain.sessions[1],
        ),
    }
    return analyse_experiment(plain.model_copy(update=texts))


def test_the_verdict_its_uncertainty_and_the_limits_are_there(evening) -> None:
    for text in (markdown(compose(evening)), bbcode(compose(evening))):
        assert "Not resolved" in text
        assert re.search(r"95 %", text)
        assert "One vehicle, one service" in text
        assert "in 1 session before" in text
        assert len(text.split()) < 250


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_the_picture_comes_first_and_nothing_is_said_twice(result_of, name) -> None:
    post = compose(result_of(name))
    assert markdown(post).splitlines()[0].endswith("](card.png)")
    assert "card.png" in bbcode(post).splitlines()[0]
    said = re.split(r"(?<=[.!?)])\s+", markdown(post))
    long = [sentence for sentence in said if len(sentence.split()) > 3]
    assert len(long) == len(set(long)) >= 5


def test_the_boost_warning_stands_before_the_verdict() -> None:
    text = markdown(compose(analyse(SAMPLES / "loose_clamp")))
    assert text.index("check hoses and clamps") < text.index("**Not resolved**")


def test_what_was_left_out_is_told(hostile) -> None:
    assert "before-1, pull 2: braked" in markdown(compose(hostile))


def test_markdown_cannot_be_injected(hostile) -> None:
    text = markdown(compose(hostile))
    assert "<script" not in text
    assert "](http" not in text.replace("\\]", "")
    assert "**bold**" not in text
    assert "| [a]" not in text


def test_markdown_renders_the_hostile_text_as_text(hostile) -> None:
    mistune = pytest.importorskip("mistune")
    html = mistune.create_markdown(escape=False, plugins=["table"])(markdown(compose(hostile)))
    assert "<script" not in html
    assert "<a " not in html
    assert re.findall(r'<img[^>]* src="([^"]*)"', html.replace("&quot;", "")) == ["card.png"]


def test_bbcode_cannot_be_injected(hostile) -> None:
    text = bbcode(compose(hostile))
    assert "[url" not in text
    opened = {part.split("]")[0] for part in text.split("[")[1:]}
    assert opened <= {"b", "/b", "list", "/list", "*"}


@pytest.mark.parametrize("form", [markdown, bbcode])
def test_nothing_private_is_posted(hostile, form) -> None:
    text = form(compose(hostile))
    for private in ("ZZX9ZZ7HZ8H000123", "AB12", "/home/someone", "51.50735"):
        assert private not in text


def test_dates_go_when_asked(evening) -> None:
    dated = evening.experiment.service.model_copy(update={"what": "Wiped on 2026-04-11"})
    told = evening.experiment.model_copy(update={"service": dated})
    assert "2026-04-11" in markdown(compose(analyse_experiment(told)))
    assert "2026" not in markdown(compose(analyse_experiment(told, relative_dates=True)))


def chunks(png: bytes) -> list[bytes]:
    stream, found = io.BytesIO(png[8:]), []
    while header := stream.read(8):
        length, kind = struct.unpack(">I4s", header)
        found.append(kind)
        stream.read(length + 4)
    return found


def test_the_card_is_one_picture_without_metadata(evening) -> None:
    png = card(evening, compose(evening))
    assert struct.unpack(">II", png[16:24]) == CARD_SIZE
    assert set(chunks(png)) == {b"IHDR", b"IDAT", b"IEND"}


def test_the_card_holds_ink_where_word_and_interval_stand(evening) -> None:
    from PIL import Image

    image = Image.open(io.BytesIO(card(evening, compose(evening)))).convert("L")
    for box in ((44, 60, 700, 120), (90, 300, 780, 600), (800, 300, 1100, 600)):  # word, runs, difference
        low, high = image.crop(box).getextrema()
        assert low < 130 < high


def test_long_texts_stay_on_the_card(hostile) -> None:
    from PIL import Image

    image = Image.open(io.BytesIO(card(hostile, compose(hostile)))).convert("L")
    low, _ = image.crop((CARD_SIZE[0] - 20, 0, CARD_SIZE[0], CARD_SIZE[1])).getextrema()
    assert low > 240  # nothing is drawn into the right margin


def test_the_same_result_gives_the_same_bytes(evening, tmp_path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        save_posts(evening, tmp_path / name)
    for name in POSTS:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_nothing_private_is_in_the_results_or_on_the_page(hostile) -> None:
    shown = [hostile.to_json(), hostile.to_csv()]
    shown += [
        part(hostile).html for part in (sections.answer, sections.left_out, sections.conclusion, sections.findings)
    ]
    pages = {f"{k}.html": text.encode() for k, text in enumerate(shown[2:])}
    shared = fit_to_share({"results.json": shown[0].encode(), "runs.csv": shown[1].encode()} | pages)
    for text in (content.decode() for content in shared.values()):
        for private in ("ZZX9ZZ7HZ8H000123", "AB12 CDE", "/home/someone", "51.50735"):
            assert private not in text


def test_minus_signs_are_true_and_names_are_left_alone() -> None:
    shown = html.table(("a",), [("-6.1 to +2 K (-3%)",), ("before-1",), ("2026-03-20",), ("50-100 km/h",)]).html
    for text in ("−6.1 to +2 K (−3%)", "before-1", "2026-03-20", "50-100 km/h"):
        assert text in shown


def test_names_with_accents_are_drawn_as_they_are_written(evening) -> None:
    titles = ("Größe ŁÓDŹ Çağrı Αθήνα Москва", "Grosse LODZ Cagri Athens Moscow")
    drawn = [card(evening, dataclasses.replace(compose(evening), title=title)) for title in titles]
    assert drawn[0] != drawn[1]
    assert canvas.drawable(titles[0]) == titles[0]


def test_a_caution_of_boost_is_whole_on_the_card(result_of) -> None:
    post = compose(result_of("loose_clamp"))
    lines = sharing._wrapped(f"First: {post.alerts[0]}", size=20, bold=True, room=CARD_SIZE[0] - 88)
    assert len(lines) <= 3


def test_levels_are_posted_in_degrees_and_their_difference_in_kelvin(result_of) -> None:
    asked = result_of("fin_wash").experiment.model_copy(update={"outcome": "mean_coolant"})
    result = analyse_experiment(asked)
    assert result.comparison.unit == "K"
    assert re.search(r"[Mm]ean \d+\.\d °C before, \d+\.\d °C after", " ".join(compose(result).facts))
