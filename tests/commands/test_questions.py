"""What `new` asks: proposals from the logs, answers as options, and nothing written until all is answered."""

from __future__ import annotations

import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from helpers.odd_logs import clock, rounded, speed_and_charge, write
from helpers.samples import SAMPLES, contents
from pullbook.commands import cli
from pullbook.commands.copies import reserved
from pullbook.commands.guess import guess_protocol, propose_outcome, why_outcome
from pullbook.commands.interview import Interview
from pullbook.commands.new import draft_experiment
from pullbook.commands.questions import Given
from pullbook.errors import ExperimentError
from pullbook.quantities import US
from pullbook.reading.logs import read_log
from pullbook.settings.experiment import FILE_NAME, Experiment

LOGS = SAMPLES / "two_evenings" / "logs"
BEFORE, AFTER = LOGS / "before-1.csv", LOGS / "after-1.csv"


class Person:
    """Somebody at a terminal who answers what contains a word, and presses Enter otherwise."""

    def __init__(self, **answers: str | list[str]) -> None:
        self.answers = {word: [said] if isinstance(said, str) else list(said) for word, said in answers.items()}
        self.asked: list[str] = []
        self.said: list[str] = []

    def ask(self, question: str) -> str:
        self.asked.append(question)
        for word, answers in self.answers.items():
            if question.startswith(word) and answers:
                return answers.pop(0)
        return ""

    def interview(self) -> Interview:
        return Interview(self.ask, self.said.append)


def drafted(folder: Path, **how) -> Experiment:
    draft_experiment(folder, before=[BEFORE], after=[AFTER], **how)
    return Experiment.load(folder)


def test_every_answer_is_an_option(tmp_path):
    given = Given(
        vehicle="1.6 L hatchback: #2", fuel="petrol", service="Fins washed", date="2026-03-21", odometer="92000 mi",
        outcome="elapsed_s 60-90", worthwhile="0.3", ambient={"before-1": "14", "after-1": "60 °F"},
        work={"charge_air_temperature": "cleaned"},
    )  # fmt: skip
    found = drafted(tmp_path / "van", given=given)
    assert (found.vehicle.description, found.vehicle.fuel) == ("1.6 L hatchback: #2", "petrol")
    assert (found.service.what, str(found.service.date)) == ("Fins washed", "2026-03-21")
    assert found.service.odometer_km == pytest.approx(92000 * 1.609344)
    assert (found.outcome, found.worthwhile_change) == ("elapsed_s 60-90", 0.3)
    assert [s.ambient_c for s in found.sessions] == [14.0, pytest.approx(15.556, abs=1e-3)]
    assert found.service.sensors == {"charge_air_temperature": "cleaned"}


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"fuel": "coal"}, "--fuel: given 'coal'; allowed: diesel or petrol"),
        ({"date": "the 21st"}, "--date: given 'the 21st'; allowed: a date, such as 2026-03-20"),
        ({"date": "3/4/2026"}, "--date: given '3/4/2026', which may be 2026-03-04 or 2026-04-03"),
        ({"days": {"before-1": "soon"}}, "--driven before-1: given 'soon'"),
        ({"pressure": {"before-1": "10"}}, "--pressure before-1: .*500 to 1100"),
        ({"odometer": "-3"}, "--odometer: .* km, not negative"),
        ({"outcome": "cruise_rise"}, "--outcome: .*mean_rise"),
        ({"worthwhile": "0"}, "--worthwhile: .*above 0, in K"),
        ({"ambient": {"before-9": "14"}}, "no session 'before-9'; allowed: before-1, after-1"),
        ({"ambient": {"before-1": "140"}}, "--ambient before-1: .*-50 to 60"),
        ({"sensor": "after"}, "--sensor: these logs already show"),
        ({"units": "us", "ambient": {"before-1": "150"}}, "--ambient before-1: given '150'; allowed: -58 to 140 °F"),
        ({"units": "us", "pressure": {"before-1": "1013"}}, "--pressure before-1: given '1013'; .* inHg"),
        ({"units": "us", "worthwhile": "0"}, "--worthwhile: .*above 0, in °F"),
        ({"odometer": "61.250 miles"}, "--odometer: .*may be 61250 or 61.250"),
        ({"date_order": "day"}, "--date-order: the order of day and month is clear"),
        ({"work": {"charge_air_temperature": "kissed"}}, "--sensor-work: allowed are refitted"),
    ],
)
def test_an_option_that_is_not_allowed_writes_nothing(tmp_path, given, said):
    with pytest.raises(ExperimentError, match=said):
        drafted(tmp_path / "van", given=Given(**given))
    assert not (tmp_path / "van").exists()


def test_enter_takes_the_proposals_and_they_are_what_nobody_asked_gets(tmp_path):
    person = Person()
    assert drafted(tmp_path / "a" / "van", interview=person.interview()) == drafted(tmp_path / "b" / "van").model_copy(
        update={"folder": tmp_path / "a" / "van"}
    )
    [outcome] = [question for question in person.asked if question.startswith("Outcome")]
    assert "[rise_at 1" in outcome
    first_words = [question.split()[0].strip(":,") for question in person.asked]
    assert first_words[:10] == [
        *("Day", "Day", "Vehicle", "Fuel", "Service", "Day", "Odometer", "Outcome", "Worthwhile", "Air")
    ]


def test_a_wrong_answer_is_asked_again_with_what_is_allowed(tmp_path):
    person = Person(Vehicle="2.2 L van", Fuel=["water", "petrol"], Air=["hot", "15.5"])
    found = drafted(tmp_path / "van", interview=person.interview())
    assert (found.vehicle.description, found.vehicle.fuel) == ("2.2 L van", "petrol")
    assert found.sessions[0].ambient_c == 15.5
    assert any("allowed: diesel or petrol" in line for line in person.said)


def test_control_c_leaves_nothing(tmp_path):
    def stop(question: str) -> str:
        if question.startswith("Worthwhile"):
            raise KeyboardInterrupt
        return ""

    with pytest.raises(KeyboardInterrupt):
        drafted(tmp_path / "van", interview=Interview(stop, lambda _: None))
    assert not (tmp_path / "van").exists()


@pytest.mark.parametrize(
    ("there", "options", "asked"), [(True, [], True), (True, ["--yes"], False), (False, [], False)]
)
def test_questions_are_for_a_terminal(tmp_path, monkeypatch, capsys, there, options, asked):
    person = Person()
    monkeypatch.setattr("builtins.input", person.ask)
    monkeypatch.setattr(cli, "_somebody_is_there", lambda: there)
    assert cli.main(["new", str(tmp_path / "van"), "--before", str(BEFORE), "--ambient", "before-1=9", *options]) == 0
    assert bool(person.asked) == asked
    assert Experiment.load(tmp_path / "van").sessions[0].ambient_c == 9
    assert "Outcome: rise_at" in capsys.readouterr().out


# --- where the sensor sits, which day it was ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def behind(tmp_path_factory) -> list[Path]:
    """Write drives whose one intake temperature sits after the cooler."""
    columns = {
        "Time (s)": lambda _, now: f"{now['t']:.2f}",
        "Speed (km/h)": rounded("vehicle_speed"),
        "Pedal (%)": rounded("accelerator_position", 0.4),
        "IAT (°C)": rounded("charge_air_temperature"),
        "MAP (kPa)": rounded("intake_manifold_pressure"),
    }
    home = tmp_path_factory.mktemp("behind")
    return [write(home / f"{k}.csv", columns, fouled=k == 0, seed=k, pulls=2) for k in (0, 1)]


@pytest.mark.parametrize(
    ("how", "held"),
    [
        ({}, None),
        ({"propose": True}, "charge_air_temperature"),
        ({"given": Given(sensor="before")}, "intake_air_temperature"),
    ],
)
def test_the_place_of_the_sensor_is_settled_only_where_it_may_be(tmp_path, behind, how, held):
    told = draft_experiment(tmp_path / "van", before=behind[:1], after=behind[1:], **how)
    found = Experiment.load(tmp_path / "van")
    assert list(found.channels) == ([held] if held else [])
    assert any("sits after" in line for line in told) == (held is None)
    if held == "intake_air_temperature":  # no charge temperature is left to ask about
        assert found.outcome.startswith("elapsed_s")
        assert 0 < found.worthwhile_change < 2  # s, from the times in the logs
    else:
        assert found.outcome_spec.ambient == "rise"


def dated(path: Path, day: str, seed: int) -> Path:
    stamp = {"Date and time": lambda _, now: f"{day} {clock(now['t'], '%H:%M:%S')}"}
    return write(path, {**stamp, **speed_and_charge()}, seed=seed, pulls=1)


def test_the_order_of_day_and_month_is_asked_and_written_as_dates(tmp_path):
    logs = [dated(tmp_path / f"{k}.csv", day, k) for k, day in enumerate(("03/04/2026", "05/06/2026"))]
    person = Person(Which="month")
    draft_experiment(tmp_path / "asked", before=logs[:1], after=logs[1:], interview=person.interview())
    assert any("3 April 2026 or 4 March 2026" in " ".join(line.split()) for line in person.said)
    assert [str(s.date) for s in Experiment.load(tmp_path / "asked").sessions] == ["2026-03-04", "2026-05-06"]
    draft_experiment(tmp_path / "unasked", before=logs[:1], after=logs[1:])
    assert [s.date for s in Experiment.load(tmp_path / "unasked").sessions] == [None, None]


def test_the_day_of_the_service_is_checked_against_the_logs(tmp_path):
    logs = [dated(tmp_path / f"{k}.csv", day, k) for k, day in enumerate(("2026-03-05", "2026-03-09"))]
    person = Person(Day=["2026-03-04", "2026-03-07"])
    draft_experiment(tmp_path / "van", before=logs[:1], after=logs[1:], interview=person.interview())
    assert any("between 2026-03-05 and 2026-03-09" in " ".join(line.split()) for line in person.said)
    assert any("before-1 was driven on 2026-03-05" in " ".join(line.split()) for line in person.said)
    assert str(Experiment.load(tmp_path / "van").service.date) == "2026-03-07"


def test_a_folder_is_taken_in_the_order_of_its_dates(tmp_path):
    (tmp_path / "in").mkdir()
    dated(tmp_path / "in" / "a.csv", "2026-03-09", 1)
    dated(tmp_path / "in" / "b.csv", "2026-03-05", 2)
    (tmp_path / "in" / "notes.pdf").write_bytes(b"%PDF")
    draft_experiment(tmp_path / "van", before=[tmp_path / "in"], after=[])
    assert [s.log for s in Experiment.load(tmp_path / "van").sessions] == ["logs/b.csv", "logs/a.csv"]
    (tmp_path / "none").mkdir()
    with pytest.raises(ExperimentError, match="no log in this folder"):
        draft_experiment(tmp_path / "car", before=[tmp_path / "none"], after=[])


def test_a_folder_without_dates_is_taken_by_name(tmp_path):
    lines = "".join(f"{k},{k}\n" for k in range(30))
    for k in (10, 9):
        (tmp_path / f"drive-{k}.csv").write_text(f"Time [s],Vehicle speed [km/h]\n{lines}{k},30\n", "utf-8")
    draft_experiment(tmp_path / "van", before=[tmp_path], after=[])
    assert [s.log for s in Experiment.load(tmp_path / "van").sessions] == ["logs/drive-9.csv", "logs/drive-10.csv"]


# --- a vehicle's folder, and two at once --------------------------------------------------------------------------


def test_earlier_experiments_of_the_same_vehicle_are_named(tmp_path):
    vehicle = {"vehicle": "2.2 L van", "fuel": "diesel"}
    for name, description in (("2025", "2.2 L van"), ("other", "another one")):
        source = SAMPLES / "nothing_done"
        shutil.copytree(source, tmp_path / name, ignore=shutil.ignore_patterns("rendered"))
        settings = tmp_path / name / FILE_NAME
        text = settings.read_text("utf-8").splitlines()
        place = next(k for k, line in enumerate(text) if line.startswith("  description:"))
        text[place] = f"  description: {description}"
        settings.write_text("\n".join(text), "utf-8")
    found = drafted(tmp_path / "2026", given=Given(**vehicle))
    assert found.earlier == ("../2025",)
    assert drafted(tmp_path / "unknown").earlier == ()
    draft_experiment(tmp_path / "again", before=[BEFORE], after=[], given=Given(outcome="rise_at 170", **vehicle))
    assert Experiment.load(tmp_path / "again").earlier == ()


def test_of_two_at_once_one_is_refused_and_the_other_is_whole(tmp_path):
    refused: list[str] = []

    def attempt(source: Path) -> bool:
        try:
            draft_experiment(tmp_path / "van", before=[source], after=[])
        except ExperimentError as refusal:
            refused.append(str(refusal))
            return False
        return True

    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(attempt, [BEFORE, AFTER] * 2))
    assert sum(done) == 1
    assert all("already holds" in text for text in refused)
    [session] = Experiment.load(tmp_path / "van").sessions
    winner = [BEFORE, AFTER][done.index(True) % 2]
    assert contents(tmp_path / "van").keys() == {FILE_NAME, f"logs/{winner.name}"}
    assert (tmp_path / "van" / session.log).read_bytes() == winner.read_bytes()


def test_a_folder_that_is_being_written_to_is_left_alone(tmp_path):
    with reserved(tmp_path / "van"):
        there = contents(tmp_path / "van")
        with pytest.raises(ExperimentError, match="already holds"), reserved(tmp_path / "van"):
            pass
        assert contents(tmp_path / "van") == there


IMPERIAL = "Log of drive\nDate: {}\nTime [s];Speed [mph];Boost [psi];Intake air temp [°F];Charge air temp [°F]\n"


def written_in_us_units(path: Path, day: str) -> Path:
    rows = [f"{k};{55 + k % 2};{-0.1 + k % 3};60;{90 + k % 4}" for k in range(120)]
    path.write_text(IMPERIAL.format(day) + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_logs_in_us_units_with_the_day_above_the_header(tmp_path):
    """15 is no month, so the month comes first in all of them, 04/05 included."""
    before = written_in_us_units(tmp_path / "a (monday).csv", "04/05/2026")
    after = written_in_us_units(tmp_path / "b.csv", "04/15/2026")
    person = Person(Outside="29.9 inHg", Worthwhile="4", Title="Ours")
    told = draft_experiment(tmp_path / "van", before=[before], after=[after], interview=person.interview())
    found = Experiment.load(tmp_path / "van")
    assert (found.units, found.title) == ("us", "Ours")
    assert found.worthwhile_change == pytest.approx(4 / 1.8)
    assert found.sessions[0].log == "logs/a-monday.csv"
    assert str(found.sessions[0].date) == "2026-04-05"  # said, because its log alone leaves it open
    assert any(line.startswith("Outcome: ") and line.count(".") >= 2 for line in told)


def test_a_number_alone_is_in_the_units_shown(tmp_path):
    given = Given(
        units="us", odometer="61,250", outcome="peak_rise", worthwhile="4",
        ambient={"before-1": "55", "after-1": "15 °C"}, pressure={"before-1": "29.89"},
    )  # fmt: skip
    found = drafted(tmp_path / "van", given=given)
    assert found.service.odometer_km == pytest.approx(61250 * 1.609344)
    assert found.worthwhile_change == pytest.approx(4 / 1.8)
    assert [s.ambient_c for s in found.sessions] == [pytest.approx(23 / 1.8), 15.0]
    assert found.sessions[0].pressure_hpa == pytest.approx(29.89 * 33.86389)
    draft = (tmp_path / "van" / "experiment.yaml").read_text(encoding="utf-8")
    assert re.search(r"worthwhile_change: .*# .*here °F", draft)
    assert re.search(rf"cruise_kmh: 90 +# {90 / 1.609344:.0f} mph", draft)


def test_a_speed_is_proposed_in_round_mph_where_those_are_shown():
    guess = guess_protocol([read_log(BEFORE)])
    proposed = propose_outcome([read_log(BEFORE)], guess, sensor="after", shown=US)
    assert proposed == f"rise_at {guess.rise_at_mph} mph"
    assert guess.rise_at_mph % 5 == 0
    assert guess.rise_at - 5 < guess.rise_at_mph * 1.609344 < guess.rise_at + 8  # the same pulls pass both
    assert f"pass {guess.rise_at_mph} mph" in US.text(why_outcome(proposed, guess, []))


def test_us_logs_are_asked_about_in_us_units(tmp_path):
    logs = [written_in_us_units(tmp_path / f"{k}.csv", day) for k, day in enumerate(("04/05/2026", "04/15/2026"))]
    person = Person(Day="04/10/2026", Air=["150", "61"], Outside=["", "29.89"])
    told = draft_experiment(tmp_path / "van", before=logs[:1], after=logs[1:], interview=person.interview())
    found = Experiment.load(tmp_path / "van")
    assert found.sessions[0].ambient_c == pytest.approx(29 / 1.8)
    assert found.sessions[1].pressure_hpa == pytest.approx(29.89 * 33.86389)
    assert any("-58 to 140 °F" in line for line in person.said)
    assert any("in miles" in question for question in person.asked)
    assert sum("Outside pressure in inHg" in question for question in person.asked) == 2
    assert sum("as a gauge shows it" in " ".join(line.split()) for line in person.said) == 1
    assert not any("km/h" in line for line in told)


def test_a_typed_date_takes_the_order_of_the_logs(tmp_path):
    logs = [written_in_us_units(tmp_path / f"{k}.csv", day) for k, day in enumerate(("04/05/2026", "04/15/2026"))]
    draft_experiment(tmp_path / "van", before=logs[:1], after=logs[1:], given=Given(date="04/06/2026"))
    assert str(Experiment.load(tmp_path / "van").service.date) == "2026-04-06"


@pytest.mark.parametrize("word", ["gas", "Gasoline", "PETROL", "benzin"])
def test_petrol_goes_by_several_names(tmp_path, word):
    assert drafted(tmp_path / "van", given=Given(fuel=word)).vehicle.fuel == "petrol"


def test_the_day_of_a_log_without_one_is_asked_for_and_written(tmp_path):
    found = drafted(tmp_path / "van", given=Given(days={"before-1": "14.3.2026", "after-1": "20 March 2026"}))
    assert [str(session.date) for session in found.sessions] == ["2026-03-14", "2026-03-20"]


def test_notes_in_a_folder_of_logs_are_skipped_and_the_order_is_said(tmp_path):
    home = tmp_path / "evenings"
    home.mkdir()
    for log, name in ((BEFORE, "evening 10.csv"), (AFTER, "evening 9.csv")):
        shutil.copy(log, home / name)
    (home / "notes.txt").write_text("tyres 2.3 bar\n", encoding="utf-8")
    told = draft_experiment(tmp_path / "van", before=[home], after=[])
    assert "2 logs of evenings, by name, because not all of them have a date." in told
    assert any(line.startswith("Skipped notes.txt") for line in told)
    assert [s.log for s in Experiment.load(tmp_path / "van").in_phase("before")] == [
        "logs/evening-9.csv", "logs/evening-10.csv",
    ]  # fmt: skip


def test_a_sibling_of_another_fuel_lends_no_vehicle(tmp_path):
    drafted(tmp_path / "old", given=Given(vehicle="2.2 L van", fuel="petrol"))
    found = drafted(tmp_path / "new", propose=True, given=Given(fuel="diesel"))
    same = drafted(tmp_path / "third", propose=True, given=Given(fuel="Petrol"))
    assert found.vehicle.description != "2.2 L van"
    assert same.vehicle.fuel == "petrol"
