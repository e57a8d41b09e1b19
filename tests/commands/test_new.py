"""The draft of an experiment: what it copies, what it names, what it guesses, and what it says is lacking."""

from __future__ import annotations

import gzip
import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from helpers.samples import SAMPLES, contents
from pullbook.analysis.result import analyse
from pullbook.commands.check import check_text
from pullbook.commands.guess import guess_protocol, why_outcome
from pullbook.commands.new import draft_experiment
from pullbook.errors import ExperimentError, LogError, PullbookError
from pullbook.reading.logs import read_drive, read_log
from pullbook.settings.experiment import Experiment
from pullbook.simulate import Cooler, Cruise, Idle, PartThrottle, Pull, Vehicle, Weather, drive, record

LOGS = SAMPLES / "two_evenings" / "logs"
BEFORE, AFTER = LOGS / "before-1.csv", LOGS / "after-1.csv"


@pytest.mark.parametrize("name", ["a van", "2026-03-20", "1.5", "null", "- odd: [name", "#7", "Füße & Co", "x" * 200])
def test_a_draft_loads_whatever_the_folder_is_called(tmp_path, name):
    folder = tmp_path / name
    told = draft_experiment(folder, before=[BEFORE], after=[AFTER])
    experiment = Experiment.load(folder)
    assert [(s.name, s.phase) for s in experiment.sessions] == [("before-1", "before"), ("after-1", "after")]
    assert [path.read_bytes() for s in experiment.sessions for path in experiment.log_paths(s)] == [
        BEFORE.read_bytes(),
        AFTER.read_bytes(),
    ]
    assert told[0].startswith(f"Wrote {folder / 'experiment.yaml'}")
    assert told[-1].endswith(f"pullbook check {shlex.quote(str(folder))}")


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("Drive (1) of March.csv", "logs/Drive-1-of-March.csv"),
        ("recording.log", "logs/recording.log.csv"),
        ("RECORDING.TXT", "logs/RECORDING.TXT"),
        ("...csv", "logs/csv.csv"),
    ],
)
def test_copies_have_plain_names_with_an_allowed_ending(tmp_path, name, kept):
    source = Path(shutil.copyfile(BEFORE, tmp_path / name))
    draft_experiment(tmp_path / "van", before=[source], after=[])
    assert Experiment.load(tmp_path / "van").sessions[0].log == kept


def test_a_packed_log_stays_packed(tmp_path):
    source = tmp_path / "Drive 1.CSV.GZ"
    source.write_bytes(gzip.compress(BEFORE.read_bytes(), mtime=0))
    draft_experiment(tmp_path / "van", before=[source], after=[])
    assert Experiment.load(tmp_path / "van").sessions[0].log == "logs/Drive-1.CSV.gz"


def test_two_logs_of_one_name_are_kept_apart(tmp_path):
    for phase, source in (("old", BEFORE), ("new", AFTER)):
        (tmp_path / phase).mkdir()
        shutil.copyfile(source, tmp_path / phase / "drive.csv")
    draft_experiment(tmp_path / "van", before=[tmp_path / "old/drive.csv"], after=[tmp_path / "new/drive.csv"])
    assert [s.log for s in Experiment.load(tmp_path / "van").sessions] == ["logs/drive.csv", "logs/2-drive.csv"]


def test_logs_that_lie_in_the_folder_are_used_where_they_are(tmp_path):
    (tmp_path / "march").mkdir()
    own = Path(shutil.copyfile(BEFORE, tmp_path / "march" / "drive.csv"))
    other = tmp_path / "logs" / "after-1.csv"
    other.parent.mkdir()
    other.write_text("another log of the same name", encoding="utf-8")
    draft_experiment(tmp_path, before=[own], after=[AFTER])
    assert [s.log for s in Experiment.load(tmp_path).sessions] == ["march/drive.csv", "logs/2-after-1.csv"]
    assert other.read_text(encoding="utf-8") == "another log of the same name"


@pytest.mark.parametrize(
    ("before", "after", "kind", "said"),
    [
        ([], [], ExperimentError, "no logs given"),
        (
            [BEFORE],
            [BEFORE],
            ExperimentError,
            r"'before-1' \(before-1.csv\) and 'after-1' \(before-1.csv\) have the same log",
        ),
        ([BEFORE, LOGS / "gone.csv"], [], LogError, "gone.csv"),
        ([BEFORE], [SAMPLES / "two_evenings" / "README.md"], LogError, "README.md"),
    ],
)
def test_a_refused_draft_writes_nothing(tmp_path, before, after, kind, said):
    with pytest.raises(kind, match=said):
        draft_experiment(tmp_path / "van", before=before, after=after)
    assert not (tmp_path / "van").exists()


def test_an_experiment_that_is_there_is_not_written_over(tmp_path):
    (tmp_path / "experiment.yaml").write_text("title: mine", encoding="utf-8")
    with pytest.raises(ExperimentError, match=r"already holds experiment\.yaml"):
        draft_experiment(tmp_path, before=[BEFORE], after=[AFTER])
    assert contents(tmp_path) == {"experiment.yaml": b"title: mine"}


def test_a_place_that_cannot_be_written_is_refused(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(PullbookError, match="can't be written to"):
        draft_experiment(tmp_path / "file" / "van", before=[BEFORE], after=[AFTER])


def test_what_is_lacking_is_said(tmp_path):
    poor = tmp_path / "poor.csv"
    poor.write_text("Time [s],Vehicle speed [km/h],Mystery\n" + "".join(f"{k},{k},7\n" for k in range(60)), "utf-8")
    told = "\n".join(draft_experiment(tmp_path / "van", before=[poor], after=[AFTER]))
    assert "  not recognised: 'Mystery'" in told
    assert "still needs: charge air temperature in before-1; intake air temperature in before-1." in (
        " ".join(told.split())
    )


@pytest.mark.parametrize("sample", ["fin_wash", "two_evenings", "nothing_done", "loose_clamp"])
def test_the_protocol_of_a_sample_is_guessed_from_its_logs_alone(sample):
    experiment = Experiment.load(SAMPLES / sample)
    found = guess_protocol([read_log(path) for s in experiment.sessions for path in experiment.log_paths(s)])
    assert found.pulls >= 5
    assert found.cruise
    guess = found.protocol
    # Written by the simulation for 90 km/h and 40 to 110 km/h, with starts and lifts up to 3 km/h off: the guess is
    # rounded inwards to 5 km/h so that most pulls of the logs count.
    assert guess.cruise_kmh == 90
    assert 40 <= guess.pull_from_kmh <= 45
    assert 105 <= guess.pull_to_kmh <= 110


def test_without_pulls_or_steady_stretches_the_usual_speeds_are_proposed(tmp_path):
    idle = tmp_path / "idle.csv"
    idle.write_text("Time [s],Vehicle speed [km/h]\n" + "".join(f"{k},0\n" for k in range(60)), "utf-8")
    found = guess_protocol([read_log(idle)])
    assert (found.pulls, found.cruise, found.part_throttle) == (0, False, "")
    guess = found.protocol
    assert (guess.cruise_kmh, guess.pull_from_kmh, guess.pull_to_kmh) == (90, 40, 110)


@pytest.fixture(scope="module")
def at_part_throttle(tmp_path_factory) -> Path:
    """Write a drive of three accelerations at 60 % of the pedal's travel: 14.1 + 0.6 * 63.9 = 52 % on its channel."""
    rng = np.random.default_rng(3)
    script = [Idle(duration_s=10), Cruise(speed_kmh=90, duration_s=60)]
    for _ in range(3):
        script += [PartThrottle(from_kmh=40, to_kmh=112, pedal_percent=60), Cruise(speed_kmh=60, duration_s=30)]
    trace = drive(vehicle=Vehicle(), cooler=Cooler(), weather=Weather(ambient_c=14), script=script, rng=rng)
    path = tmp_path_factory.mktemp("logs") / "drive.csv"
    path.write_text(record(trace, rng=rng, period_s=0.7, time_format="seconds"), "utf-8")
    return path


def test_speeds_that_were_not_found_are_called_a_start(tmp_path, at_part_throttle):
    told = draft_experiment(tmp_path / "van", before=[at_part_throttle], after=[])
    [said] = [" ".join(line.split()) for line in told if "40 to 110 km/h" in line]
    assert said.startswith("No pulls found. 40 to 110 km/h is only a first guess")
    assert "part throttle: pedal at 52 %" in said
    text = (tmp_path / "van" / "experiment.yaml").read_text("utf-8")
    assert text.count("no pulls found; a first guess") == 2  # at both speeds
    assert "no steady stretch" not in text
    assert Experiment.load(tmp_path / "van").protocol.pull_to_kmh == 110


def test_part_throttle_is_called_so_by_check_and_by_run_alike(tmp_path, at_part_throttle):
    other = tmp_path / "other.csv"
    table = pd.read_csv(at_part_throttle)
    (manifold,) = [name for name in table if "manifold" in name.lower()]
    table.assign(**{manifold: table[manifold] + 6}).to_csv(other, index=False)  # another drive
    draft_experiment(tmp_path / "van", before=[at_part_throttle], after=[other])
    said = r"part throttle: pedal at 52 %.* 70 %"
    assert re.search(said, " ".join("\n".join(check_text(tmp_path / "van")).split()))
    with pytest.raises(PullbookError, match=said):
        analyse(tmp_path / "van")


def test_pulls_that_will_not_count_are_said_with_their_reason(tmp_path) -> None:
    rng = np.random.default_rng(5)
    script = [Idle(duration_s=10), Cruise(speed_kmh=90, duration_s=40)]
    for start in (40, 40, 40, 62, 62):
        script += [Pull(from_kmh=start, to_kmh=112), Cruise(speed_kmh=60, duration_s=40)]
    trace = drive(vehicle=Vehicle(), cooler=Cooler(), weather=Weather(ambient_c=14), script=script, rng=rng)
    path = tmp_path / "drive.csv"
    path.write_text(record(trace, rng=rng, period_s=0.4, time_format="seconds"), "utf-8")
    text = " ".join(" ".join(draft_experiment(tmp_path / "van", before=[path], after=[])).split())
    assert "5 pulls found" in text
    assert "3 of them count" in text
    assert re.search(r"started at 6\d km/h", text)
    assert re.search(r"Outcome: rise_at \d+\. All 3 pulls that count pass", text)


def test_a_charge_that_was_not_recognised_is_why_no_single_speed_is_proposed(tmp_path) -> None:
    source = (SAMPLES / "two_evenings" / "logs" / "before-1.csv").read_text("utf-8").splitlines()
    guess = guess_protocol([read_drive(SAMPLES / "two_evenings" / "logs" / "before-1.csv")])
    assert guess.rise_at
    place = next(k for k, line in enumerate(source) if "harge" in line)
    source[place] = re.sub(r"[^,;\t]*harge[^,;\t]*", "T9 (zz)", source[place])
    (tmp_path / "a.csv").write_text("\n".join(source), "utf-8")
    logs = [read_drive(tmp_path / "a.csv")]
    assert "recognised charge-air temperature" in why_outcome("peak_rise", guess, logs)
