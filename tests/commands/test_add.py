"""One more drive: what is said of it, what is written, and that a refused one leaves the folder as it was."""

from __future__ import annotations

import gzip
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from helpers.samples import HOSTILE, SAMPLES
from pullbook.analysis.result import Result, analyse
from pullbook.commands.add import Added, add_logs, page, screen, sensors_to_ask
from pullbook.commands.cli import main
from pullbook.commands.interview import Interview
from pullbook.commands.new import draft_experiment
from pullbook.commands.sensors import ask_sensors
from pullbook.errors import ExperimentError, LogError, PullbookError
from pullbook.settings.experiment import Experiment
from pullbook.statistics.power import outlook

LOGS = SAMPLES / "two_evenings" / "logs"
BEFORE, AFTER = LOGS / "before-1.csv", LOGS / "after-1.csv"


@pytest.fixture
def van(tmp_path) -> Path:
    """An experiment with one drive from before the service, and comments of its owner's."""
    folder = tmp_path / "van"
    draft_experiment(folder, before=[BEFORE], after=[])
    with (folder / "experiment.yaml").open("a", encoding="utf-8") as stream:
        stream.write("# mine, and last\n")
    return folder


def contents(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file below a folder with its content, and every folder."""
    return {
        str(path.relative_to(folder)): (path.read_bytes() if path.is_file() else b"", path.stat().st_mtime_ns)
        for path in (folder, *folder.rglob("*"))
    }


def changed_log(path: Path, column: str, change, *, sep: str = ";") -> Path:
    """Write a log again with one of its columns changed."""
    table = pd.read_csv(AFTER, sep=sep)
    (name,) = [c for c in table if column in c.lower()]
    table[name] = change(table[name])
    table.to_csv(path, sep=sep, index=False)
    return path


@pytest.fixture
def added(van) -> Added:
    """The van with a drive from after the service."""
    return add_logs(van, [AFTER], phase="after")


def test_a_drive_is_copied_in_and_comments_stay(van, added):
    experiment = Experiment.load(van)
    assert [(s.name, s.phase, s.log) for s in experiment.sessions] == [
        ("before-1", "before", "logs/before-1.csv"),
        ("after-1", "after", "logs/after-1.csv"),
    ]
    assert (van / "logs" / "after-1.csv").read_bytes() == AFTER.read_bytes()
    text = (van / "experiment.yaml").read_text(encoding="utf-8")
    assert text.endswith("# mine, and last\n")
    assert text.count("# diesel | petrol") == 1


def test_the_screen_says_what_a_driver_asks(added):
    lines = screen(added)
    text = " ".join(" ".join(lines).split())
    assert len(lines) <= 24
    assert max(len(part) for line in lines for part in line.split("\n")) <= 80
    for said in ("usable", "Pulls 5, all count", "Cruises 1", "charge temperature every", "coolant", "rpm per km/h",
                 "between pulls", "Direction unknown", "ambient_c", "closed road"):  # fmt: skip
        assert said in text
    assert "clean or replace a sensor" in text
    assert "Not resolved" in added.answer  # as the sample itself says
    assert "one more session" in added.worth


def test_the_screen_speaks_the_units_of_its_owner(van):
    with (van / "experiment.yaml").open("a", encoding="utf-8") as stream:
        stream.write("units: us\n")
    text = " ".join(screen(add_logs(van, [AFTER], phase="after")))
    assert "mph" in text
    assert "°F at the first run" in " ".join(text.split())
    assert "km/h" not in text


@pytest.fixture(scope="module")
def three_a_side(tmp_path_factory) -> tuple[Added, Result]:
    """The last of three drives a side, of an owner who reads °F, and what the experiment then says."""
    folder = shutil.copytree(SAMPLES / "fin_wash", tmp_path_factory.mktemp("add") / "e")
    settings = folder / "experiment.yaml"
    head, last, rest = re.split(r"(?m)^(  - name: after-3\n(?:    .*\n)+)", settings.read_text(encoding="utf-8"))
    settings.write_text(head + rest + "\nunits: us\n", encoding="utf-8")
    log = shutil.move(folder / "logs" / "after-3.csv.gz", folder.parent / "last.csv.gz")
    assert "after-3.csv.gz" in last
    return add_logs(folder, [log], phase="after"), analyse(folder)


def test_what_one_more_would_bring_is_judged_as_the_answer_will_be(three_a_side):
    """Beyond three a side without a plan a look is judged at 99 %, which may cost more than the session brings."""
    added, result = three_a_side
    c = result.comparison
    then = outlook(c, after=1)
    assert (c.looks.each_level, then.looks.each_level) == pytest.approx((0.95, 0.99))
    assert then.half_width > (c.high - c.low) / 2
    assert f"±{1.8 * (c.high - c.low) / 2:.1f}" in added.worth
    assert f"±{1.8 * then.half_width:.1f}" in added.worth
    assert "not make the interval narrower" in added.worth
    assert "planned_sessions" in added.worth
    assert "99 %" in added.worth


def test_what_settles_a_doubt_can_be_copied(tmp_path, van):
    """The lines of YAML that a warning announces stand below it, on the screen and on the phone."""
    gauge = changed_log(tmp_path / "gauge.csv", "manifold", lambda p: p - 100)
    added = add_logs(van, [gauge], phase="after")
    (doubt,) = [d for d in added.doubts[0] if "To settle it" in d]
    assert "gauge}" in doubt
    assert any("gauge}" in line for line in screen(added))
    html = page(added)
    assert re.search(r"<pre>channels:\n.*gauge}", html)


def test_without_a_drive_from_after_there_is_no_answer_yet(tmp_path, van):
    other = changed_log(tmp_path / "second.csv", "coolant", lambda c: c + 1)
    added = add_logs(van, [other], phase="before")
    assert "None yet" in added.answer
    assert "2 a side" in added.worth


@pytest.mark.parametrize("packed", [False, True])
def test_the_same_drive_twice_is_refused_whatever_it_is_called(tmp_path, van, packed):
    copy = tmp_path / ("other.csv.gz" if packed else "other.csv")
    copy.write_bytes(gzip.compress(BEFORE.read_bytes()) if packed else BEFORE.read_bytes())
    was = contents(van)
    with pytest.raises(ExperimentError, match="same drive as session 'before-1'"):
        add_logs(van, [copy], phase="after")
    assert contents(van) == was
    with pytest.raises(ExperimentError, match=r"same drive as after-1\.csv"):
        add_logs(van, [AFTER, AFTER], phase="after")
    assert contents(van) == was


def no_pulls(path: Path) -> Path:
    """Write a log in which the car never goes faster than 60 km/h."""
    return changed_log(path, "speed [km/h]", lambda v: np.minimum(v, 60.0))


def test_what_is_not_usable_is_refused_and_the_folder_stays_as_it_was(tmp_path, van):
    was = contents(van)
    with pytest.raises(LogError, match=r"slow\.csv: not usable") as refusal:
        add_logs(van, [no_pulls(tmp_path / "slow.csv")], phase="after")
    assert "45 to 110 km/h" in str(refusal.value) or "40 to 110 km/h" in str(refusal.value)
    (tmp_path / "none.csv").write_text("no log at all\n")
    with pytest.raises(PullbookError, match=r"none\.csv"):
        add_logs(van, [AFTER, tmp_path / "none.csv"], phase="after")
    with pytest.raises(PullbookError, match=r"missing\.csv"):
        add_logs(van, [tmp_path / "missing.csv"], phase="after")
    assert contents(van) == was


def test_a_disk_that_fills_up_leaves_the_folder_as_it_was(van, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    was = {name: content for name, (content, _) in contents(van).items()}
    monkeypatch.setattr("pullbook.commands.add.write_whole", full)
    with pytest.raises(ExperimentError, match="No space left"):
        add_logs(van, [AFTER], phase="after")
    assert {name: content for name, (content, _) in contents(van).items()} == was


def test_nothing_is_written_through_a_link(tmp_path, van):
    elsewhere = tmp_path / "elsewhere"
    shutil.move(van / "logs", elsewhere)
    (van / "logs").symlink_to(elsewhere)
    with pytest.raises(PullbookError):
        add_logs(van, [AFTER], phase="after")
    assert sorted(path.name for path in elsewhere.iterdir()) == ["before-1.csv"]


def test_several_at_once_and_names_that_clash(tmp_path, van):
    same_name = tmp_path / "before-1.csv"
    shutil.copyfile(AFTER, same_name)
    warmer = changed_log(tmp_path / "third.csv", "manifold", lambda p: p + 6)
    added = add_logs(van, [same_name, warmer], phase="after")
    assert [drive.session for _, drive in added.drives] == ["after-1", "after-2"]
    assert [s.log for s in Experiment.load(van).sessions] == [
        "logs/before-1.csv", "logs/2-before-1.csv", "logs/third.csv",
    ]  # fmt: skip
    assert (van / "logs" / "before-1.csv").read_bytes() == BEFORE.read_bytes()


def test_a_name_that_is_taken_is_passed_over(tmp_path, van, added):
    text = (van / "experiment.yaml").read_text(encoding="utf-8").replace("name: after-1", "name: after-2", 1)
    (van / "experiment.yaml").write_text(text, encoding="utf-8")
    third = changed_log(tmp_path / "third.csv", "manifold", lambda p: p + 6)
    assert add_logs(van, [third], phase="after").drives[0][1].session == "after-3"


def test_a_cold_engine_and_a_slow_channel_are_doubts(tmp_path, van, capsys):
    cold = changed_log(tmp_path / "cold.csv", "coolant", lambda c: c - 45)
    assert main(["add", str(van), str(cold), "--phase", "after"]) == 3
    said = " ".join(capsys.readouterr().out.split())
    assert "the engine was cold" in said
    assert "Warm up for 15 minutes" in said


def test_another_gear_is_a_doubt_with_the_remedy(tmp_path, van):
    faster = changed_log(tmp_path / "third-gear.csv", "engine speed", lambda rpm: rpm * 1.4)
    added = add_logs(van, [faster], phase="after")
    assert added.doubtful
    assert any("another gear" in doubt for doubt in added.doubts[0])
    assert any("gear of the other drives" in line for line in added.advice)


def test_the_exit_status_says_usable_or_refused(van, capsys):
    assert main(["add", str(van), str(BEFORE), "--phase", "after"]) == 2
    assert "same drive" in capsys.readouterr().err
    assert main(["add", str(van), str(AFTER)]) == 2  # no phase
    assert "--phase" in capsys.readouterr().err


def test_the_page_for_a_phone_has_no_script_and_no_markup_of_the_logs(tmp_path, van):
    named = tmp_path / (HOSTILE.replace("/", "") + ".csv")
    shutil.copyfile(AFTER, named)
    out = tmp_path / "phone.html"
    assert main(["add", str(van), str(named), "--phase", "after", "--page", str(out)]) in (0, 3)
    html = out.read_text(encoding="utf-8")
    assert "width=device-width" in html
    assert "<script" not in html
    assert "<img" not in html
    assert "http" not in html
    assert "Another drive?" in html
    assert str(tmp_path) not in html
    assert "closed road" in html


def test_a_page_that_cannot_be_written_is_refused_before_anything_is_added(van):
    was = contents(van)
    assert main(["add", str(van), str(AFTER), "--phase", "after", "--page", str(van / "experiment.yaml")]) == 2
    assert main(["add", str(van), str(AFTER), "--phase", "after", "--page", str(van / "no" / "p.html")]) == 2
    assert contents(van) == was


# --- the sensors -------------------------------------------------------------------------------------------------


def answering(*typed: str, say=print) -> Interview:
    """Return what answers questions in order, and then is gone."""
    left = list(typed)

    def ask(_: str) -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    return Interview(ask, say)


def test_sensors_are_asked_in_words():
    said: list[str] = []
    channels = ("charge_air_temperature", "intake_air_temperature", "intake_manifold_pressure")
    done = ask_sensors(channels, answering("re", "refit", "Cleaned", "", say=said.append))
    assert done == {"intake_air_temperature": "refitted", "charge_air_temperature": "cleaned"}
    assert sum("taken out and put back" in " ".join(line.split()) for line in said) == 1  # why it is asked, once
    assert any("allowed: refitted, cleaned, replaced" in line for line in said)  # "re" may be two of them
    assert ask_sensors(channels, answering()) == {}
    assert ask_sensors(channels, Interview()) == {}
    assert ask_sensors((), answering("replaced")) == {}


def test_sensors_are_asked_once_with_the_first_drive_after_the_service(van):
    experiment = Experiment.load(van)
    assert sensors_to_ask(experiment, "before") == ()
    assert "charge_air_temperature" in sensors_to_ask(experiment, "after")
    added = add_logs(van, [AFTER], phase="after", sensors={"charge_air_temperature": "cleaned"})
    experiment = Experiment.load(van)
    assert experiment.service.sensors == {"charge_air_temperature": "cleaned"}
    assert sensors_to_ask(experiment, "after") == ()
    assert "cleaned" in added.answer
    assert not any("sensor" in line for line in added.still_to_say)
