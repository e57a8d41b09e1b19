"""The experiment folder: what is refused, that all faults come in one message, and that every message helps."""

from __future__ import annotations

import datetime as dt
import errno
import os
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from ruamel.yaml import YAML

from helpers.samples import SAMPLE_NAMES, SAMPLES
from pullbook.errors import MOST_FAULTS, ExperimentError
from pullbook.settings.experiment import LOG_SUFFIXES, MAX_YAML_BYTES, Experiment, Protocol


def session(
    name: str = "before-1", phase: str = "before", log: str = "logs/before-1.csv", **more: Any
) -> dict[str, Any]:
    return {"name": name, "phase": phase, "log": log, **more}


def settings(**changes: Any) -> dict[str, Any]:
    both = [session(), session("after-1", "after", "logs/after-1.csv")]
    return {"title": "A wash", "service": {"what": "Washed", "date": dt.date(2026, 3, 20)}, "sessions": both, **changes}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    home = tmp_path / "van"
    (home / "logs").mkdir(parents=True)
    for name in ("before-1", "after-1"):
        (home / "logs" / f"{name}.csv").write_text(name, encoding="utf-8")
    return home


def load(folder: Path, data: object) -> Experiment:
    if isinstance(data, str):
        (folder / "experiment.yaml").write_text(data, encoding="utf-8")
    else:
        YAML(typ="safe").dump(data, folder / "experiment.yaml")
    return Experiment.load(folder)


def refusal(folder: Path, data: object) -> str:
    with pytest.raises(ExperimentError) as caught:
        load(folder, data)
    return str(caught.value)


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_the_samples_load(name):
    experiment = Experiment.load(SAMPLES / name)
    assert experiment.in_phase("before")
    assert experiment.in_phase("after")
    assert all(path.is_file() for s in experiment.sessions for path in experiment.log_paths(s))


def test_what_is_given_is_kept_and_the_rest_has_defaults(folder):
    experiment = load(folder, settings(worthwhile_change=1.5))
    assert experiment.worthwhile_change == 1.5
    assert (experiment.outcome, experiment.protocol.pull_to_kmh, experiment.vehicle.fuel) == (
        "peak_rise",
        110,
        "diesel",
    )
    assert experiment.folder == folder


def test_settings_are_frozen(folder):
    with pytest.raises(ValidationError, match="frozen"):
        load(folder, settings()).title = "Another"


@pytest.mark.parametrize(
    ("changes", "key", "allowed", "near"),
    [
        ({"titel": "x"}, "titel", "title, question", "'title'"),
        ({"vehicle": {"mass": 1500}}, "vehicle.mass", "description, fuel, mass_kg", "'mass_kg'"),
        ({"protocol": {"cruise_kph": 90}}, "protocol.cruise_kph", "cruise_kmh", "'cruise_kmh'"),
        ({"sessions": [session(ambient=14)]}, "session 'before-1', ambient", "ambient_c", "'ambient_c'"),
        (
            {"channels": {"vehicle_speed": {"colum": "Speed"}}},
            "channels.vehicle_speed.colum",
            "column, unit",
            "'column'",
        ),
    ],
)
def test_an_unknown_key_is_refused_with_the_allowed_ones_and_a_near_miss(folder, changes, key, allowed, near):
    message = refusal(folder, settings(**changes))
    assert f"{key}: " in message
    assert allowed in message
    assert f"Did you mean {near}?" in message


def test_an_unknown_key_that_resembles_nothing_is_to_be_removed(folder):
    assert "xyzzy: unknown key" in (message := refusal(folder, settings(xyzzy=1)))
    assert "Did you mean" not in message


def test_every_fault_is_told_in_one_message(folder):
    faulty = {
        "titel": "A wash",
        "service": {"what": "Washed", "date": dt.date(2026, 3, 20)},
        "vehicle": {"fuel": "steam"},
        "protocol": {"pull_from_kmh": 60, "pull_to_kmh": 70},
        "outcome": "peak_rize",
        "worthwhile_change": -1,
        "sessions": [
            session(phase="during"),
            session("after-1", "after", "logs/after-1.csv", date=dt.date(2026, 3, 1)),
            session("after-1", "after", "logs/after-1.csv"),
            session("after-2", "after", "../elsewhere.csv"),
            session("after-3", "after", "logs/missing.csv"),
        ],
    }
    message = refusal(folder, faulty)
    for told in (
        "title: missing",
        "titel: unknown key",
        "vehicle.fuel: given 'steam'",
        "diesel or petrol",
        "pull_to_kmh is 70",
        "20 km/h higher",
        "outcome: given 'peak_rize'",
        "Did you mean peak_rise?",
        "worthwhile_change: given -1",
        "above 0",
        "session 'before-1', phase: given 'during'",
        "before or after",
        "dated 2026-03-01",
        "the name 'after-1'",
        "the log 'logs/after-1.csv'",
        "'../elsewhere.csv': ",
        "'logs/missing.csv': ",
    ):
        assert told in message
    assert message.startswith("experiment.yaml has 12 faults:\n")
    assert message.count("\n  - ") == 12


def test_a_fault_inside_a_list_is_not_told_twice(folder):
    message = refusal(folder, settings(sessions=[session(wind_ms="breezy")]))
    assert message.count("session 'before-1'") == message.count("'breezy'") == 1
    assert "0 to 60" in message


def test_settings_may_name_their_unit(folder):
    text = """
title: A wash
units: us
vehicle: {mass_kg: 4400 lb}
service: {what: Washed, odometer_km: 92000 mi}
protocol: {cruise_kmh: 55 mph, pull_from_kmh: 25 mph, pull_to_kmh: 70 mph, marks_kmh: [30 mph, 60 mph]}
outcome: elapsed_s 30-60 mph
worthwhile_change: 0.5
sessions:
  - {name: before-1, phase: before, log: logs/before-1.csv, ambient_c: 60 °F, pressure_hpa: 29.92 inHg, wind_ms: 5 mph}
  - {name: after-1, phase: after, log: logs/after-1.csv, altitude_m: 500 ft, ambient_c: 14}
"""
    e = load(folder, text)
    assert (e.units, e.outcome) == ("us", "elapsed_s 48.28-96.56")
    assert e.protocol.model_dump() | {} == e.protocol.model_dump() | {
        "cruise_kmh": 88.51, "pull_from_kmh": 40.23, "pull_to_kmh": 112.65, "marks_kmh": (48.28, 96.56),
    }  # fmt: skip
    assert (e.vehicle.mass_kg, e.service.odometer_km) == pytest.approx((1995.806, 148059.6), rel=1e-6)
    first, second = e.sessions
    assert (first.ambient_c, first.pressure_hpa, first.wind_ms) == pytest.approx((15.5556, 1013.2076, 2.2352), rel=1e-5)
    assert (second.ambient_c, second.altitude_m) == (14, pytest.approx(152.4))


@pytest.mark.parametrize(
    ("outcome", "given", "held"),
    [("peak_rise", "3.6 °F", 2.0), ("peak_charge", "3.6 °F", 2.0), ("peak_manifold_pressure", "1 psi", 6.894757),
     ("peak_rise", 2, 2.0)],
)  # fmt: skip
def test_a_worthwhile_change_is_a_difference(folder, outcome, given, held):
    e = load(folder, settings(outcome=outcome, worthwhile_change=given, day_to_day_sd=given))
    assert (e.worthwhile_change, e.day_to_day_sd) == (pytest.approx(held), pytest.approx(held))


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"protocol": {"cruise_kmh": "55 furlongs"}}, ("protocol.cruise_kmh", "'furlongs'", "mph", "20 to 250")),
        ({"protocol": {"cruise_kmh": "5 mph"}}, ("protocol.cruise_kmh", "20 to 250")),
        ({"worthwhile_change": "2 psi"}, ("worthwhile_change", "'psi'", "°F")),
        ({"sessions": [session(ambient_c="14,5 °C")]}, ("'before-1'", "14.5 °C", "-50 to 60")),
        ({"units": "imperial"}, ("units", "metric or us")),
        ({"outcome": "rise_at 60 furlongs"}, ("outcome", "furlongs")),
    ],
)
def test_a_unit_that_does_not_fit_is_refused(folder, changes, told):
    message = refusal(folder, settings(**changes))
    assert all(word in message for word in told), message


@pytest.mark.parametrize(
    ("log", "said"),
    [
        ("../outside.csv", "outside"),
        ("logs/../../outside.csv", "outside"),
        ("{outside}", "outside"),
        ("logs/link.csv", "outside"),
        ("logs/round.csv", "cannot be reached"),
        ("logs/" + 300 * "x" + ".csv", "cannot be reached"),
        ("logs/before-1.xlsx", ", ".join(LOG_SUFFIXES)),
        ("logs/before-1.csv.zip", ".csv, "),
        ("logs", ".csv, "),
        ("logs/missing.csv", "no such file"),
        ("logs/folder.csv", "that is a folder"),
        ("logs/pipe.csv", "that is a pipe"),
        ("logs/a\0.csv", "a path inside the folder"),
    ],
)
def test_a_log_that_cannot_be_used_is_refused(folder, log, said):
    outside = folder.parent / "outside.csv"
    outside.write_text("x", encoding="utf-8")
    (folder / "logs" / "link.csv").symlink_to(outside)
    (folder / "logs" / "round.csv").symlink_to("round.csv")
    (folder / "logs" / "folder.csv").mkdir()
    os.mkfifo(folder / "logs" / "pipe.csv")
    message = refusal(folder, settings(sessions=[session(log=log.format(outside=outside))]))
    assert said in message
    assert "\n" not in message


def test_a_link_that_stays_inside_and_capital_endings_are_fine(folder):
    (folder / "logs" / "LINK.CSV").symlink_to("before-1.csv")
    (folder / "logs" / "PACKED.TXT.GZ").write_bytes(b"")
    both = [session(log="logs/LINK.CSV"), session("b", log="logs/PACKED.TXT.GZ")]
    assert len(load(folder, settings(sessions=both)).sessions) == 2


@pytest.mark.parametrize("second", ["logs/before-1.csv", "./logs/before-1.csv", "logs//before-1.csv"])
def test_the_same_log_twice_is_refused(folder, second):
    message = refusal(folder, settings(sessions=[session(), session("after-1", "after", second)]))
    assert "the log 'logs/before-1.csv'" in message


@pytest.mark.parametrize(
    ("phase", "day", "refused"),
    [
        ("after", 19, True),
        ("after", 20, False),
        ("after", 21, False),
        ("before", 21, True),
        ("before", 20, False),
        ("before", 19, False),
    ],
)
def test_a_date_on_the_wrong_side_of_the_service_is_refused(folder, phase, day, refused):
    data = settings(sessions=[session(phase=phase, date=dt.date(2026, 3, day))])
    if refused:
        message = refusal(folder, data)
        assert all(told in message for told in (repr(phase), f"2026-03-{day}", "2026-03-20"))
    else:
        assert load(folder, data).sessions[0].date == dt.date(2026, 3, day)


@pytest.mark.parametrize("marks", [[60, 60], [90, 60], [60, 90, 80]])
def test_marks_must_rise(folder, marks):
    assert "marks_kmh" in refusal(folder, settings(protocol={"marks_kmh": marks}))


@pytest.mark.parametrize("marks", [[60], [-5, 60], [60, 1000], [float("nan"), 60], list(range(13))])
def test_marks_have_bounds(folder, marks):
    assert "0 to 400 km/h" in refusal(folder, settings(protocol={"marks_kmh": marks}))


@pytest.mark.parametrize(
    ("start", "end", "marks"),
    [(40, 110, (50, 80, 100)), (0, 100, (10, 50, 90)), (95, 120, (100, 110)), (100, 120, (105, 110, 115))],
)
def test_default_marks_are_round_and_inside_the_pull(start, end, marks):
    # Round tens from start + 5 to end - 3, the speeds between which every pull that counts has been (method: pulls).
    assert Protocol(pull_from_kmh=start, pull_to_kmh=end).marks == marks


@pytest.mark.parametrize(
    "changes",
    [
        {"worthwhile_change": float("nan")},
        {"worthwhile_change": float("inf")},
        {"worthwhile_change": 0},
        {"day_to_day_sd": -1},
        {"title": ""},
        {"title": "x" * 401},
        {"title": "bell \a and escape \x1b[31m"},
        {"sessions": []},
        {"sessions": "logs"},
        {"sessions": [session(name="../up")]},
        {"sessions": [session(leave_out={"pull": "why"})]},
        {"sessions": [session(leave_out={"pull 3": ""})]},
        {"sessions": [session(marked_pulls={"30-45": ""})]},
        {"sessions": [session(marked_pulls={"30": "why"})]},
        {"sessions": [session(marked_pulls={"30-32": "too short"})]},
        {"sessions": [session(marked_pulls={"30-45": "one", "40-55": "over it"})]},
        {"service": {"what": "Washed", "date": "yesterday"}},
        {"vehicle": "a van"},
        {"folder": "/tmp"},
    ],
)
def test_values_out_of_bounds_are_refused(folder, changes):
    message = refusal(folder, settings(**changes))
    assert next(iter(changes)).removesuffix("s") in message
    assert "\x1b" not in message


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "keys and values"),
        ("# nothing but a comment\n", "keys and values"),
        ("- title\n", "keys and values"),
        ("a van\n", "keys and values"),
        ("1: one\n", "keys and values"),
        ("title: A\ntitle: B\n", 'duplicate key "title"'),
        ("title: [A\n", "not valid YAML"),
        ("title: A\n\tquestion: B\n", "line 2: "),
        ("title: A\n---\ntitle: B\n", "not valid YAML"),
        ("{a: b}: c\n", "not valid YAML"),
        ("date: 2026-02-31\n", "day is out of range"),
        (f"worthwhile_change: {'9' * 5000}\n", "not valid YAML"),
        (f"worthwhile_change: 0x{'f' * 5000}\n", "thousands of digits"),
        (f"sessions: [{{phase: 0o{'7' * 5000}}}]\n", "thousands of digits"),
        ("title: !!bool maybe\n", "not valid YAML"),
        ("title: !!python/name:os.system\n", "Allowed are plain texts"),
        ('title: !!int ""\n', "not valid YAML"),
        ('title: !!float ""\n', "not valid YAML"),
        ("%YAML 1.0\n---\ntitle: A\n", "not valid YAML"),
        ("title: " + "x" * MAX_YAML_BYTES, "larger than 256 KiB"),
    ],
)
def test_yaml_that_cannot_be_used_is_refused(folder, text, said):
    message = refusal(folder, text)
    assert message.startswith("experiment.yaml")
    assert said in message
    assert len(message) < 700


@pytest.mark.parametrize(
    "tag", ["!!python/object/apply:os.system ['touch {mark}']", "!!python/name:os.system", "!!binary {mark}", "!mine x"]
)
def test_a_tag_constructs_nothing(folder, tag):
    mark = folder / "made-by-a-tag"
    assert refusal(folder, f"title: {tag.format(mark=mark)}\n").startswith("experiment.yaml")
    assert not mark.exists()


def test_text_that_is_not_utf8_is_refused(folder):
    (folder / "experiment.yaml").write_bytes("title: Füße\n".encode("latin-1"))
    with pytest.raises(ExperimentError, match="UTF-8"):
        Experiment.load(folder)


def test_a_byte_order_mark_is_fine(folder):
    load(folder, settings())
    path = folder / "experiment.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert Experiment.load(folder).title == "A wash"


def aliases_of_aliases() -> str:
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    lines += [f"{b}: &{b} [{', '.join(9 * [f'*{a}'])}]" for a, b in zip("abcdefghijk", "bcdefghijkl", strict=True)]
    return "\n".join([*lines, "title: *l", "service: {what: *l}", "sessions: *l", "channels: {x: *l}"])


def merges_of_merges(depth: int) -> str:
    """Three to the power of the depth, were they written out."""
    lines = [f"a{k}: &a{k} {{<<: [*a{k - 1}, *a{k - 1}, *a{k - 1}], k{k}: 1}}" for k in range(1, depth)]
    return "\n".join(["a0: &a0 {k0: 1}", *lines])


def test_merge_keys_of_an_ordinary_size_are_fine(folder):
    text = (
        "title: T\nservice: {what: W}\nsessions:\n"
        "  - &first {name: a, phase: before, log: logs/before-1.csv, ambient_c: 9}\n"
        "  - {<<: *first, name: b, log: logs/after-1.csv}\n"
    )
    assert [session.ambient_c for session in load(folder, text).sessions] == [9.0, 9.0]


@pytest.mark.parametrize(
    "text",
    [
        aliases_of_aliases(),  # nine to the twelfth elements, were they written out
        "title: " + "[" * 20_000,
        "title: " + "[" * 2_000 + "]" * 2_000,
        "title: " + "{a: " * 20_000,
        "sessions: &a [*a]",
        merges_of_merges(30),
        merges_of_merges(2_000),
        merges_of_merges(9) + "".join(f"\nx{k}: {{<<: *a8}}" for k in range(2_000)),
        "title: &a {<<: *a}\nsessions: &b {<<: [*b, *b]}",
        "channels:\n" + "".join(f"  c{k}: 1\n" for k in range(5_000)),
    ],
    ids=[
        "aliases",
        "open lists",
        "deep lists",
        "deep maps",
        "itself",
        "merges",
        "deep merges",
        "wide merges",
        "merges itself",
        "many faults",
    ],
)
def test_yaml_made_to_exhaust_is_refused_briefly(folder, text):
    message = refusal(folder, text)
    assert len(message) < 6_000
    assert message.count("\n") <= MOST_FAULTS + 1


@pytest.mark.parametrize(("name", "said"), [("nowhere", "no such folder"), ("van", "no experiment.yaml")])
def test_a_folder_without_an_experiment_is_refused_with_the_remedy(folder, name, said):
    with pytest.raises(ExperimentError, match=said):
        Experiment.load(folder.parent / name)


def test_an_experiment_cannot_be_written_over(folder):
    experiment = load(folder, settings())
    for own in ("experiment.yaml", "logs/after-1.csv", "logs/../logs/before-1.csv"):
        with pytest.raises(ExperimentError, match=f"{Path(own).name}: .*--out"):
            experiment.keep_from(folder / own)
    experiment.keep_from(folder / "logs" / "new.csv")


def test_an_unreadable_file_is_refused(folder, monkeypatch):
    load(folder, settings())

    def denied(*_: object, **__: object) -> str:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "open", denied)  # permissions do not bind the root user, so they are played
    with pytest.raises(ExperimentError, match="Permission denied"):
        Experiment.load(folder)


def test_a_worthwhile_change_has_a_default_only_in_kelvin() -> None:
    settings = {"title": "a", "service": {"what": "b"}, "sessions": [{"name": "x", "phase": "before", "log": "x.csv"}]}
    with pytest.raises(ValidationError, match=r"worthwhile_change .*effectiveness"):
        Experiment(**settings, outcome="effectiveness")
    assert Experiment(**settings, outcome="peak_charge").worthwhile_change == 2.0
    assert Experiment(**settings, outcome="effectiveness", worthwhile_change=0.02).worthwhile_change == 0.02


def test_one_fault_in_many_sessions_is_one_message_with_their_names(folder):
    many = [session(f"before-{k}", log="logs/before-1.csv", ambient=14, wind_ms="breezy") for k in (1, 2, 3)]
    many[2]["name"] = 7  # no name to call it by
    message = refusal(folder, settings(sessions=many))
    assert "session 'before-1', 'before-2', 3 of the list, ambient: unknown key" in message.replace(
        "sessions", "session"
    )
    assert message.count("wind_ms: given 'breezy'") == 1
    assert "sessions.1" not in message


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("cruise_rise", "mean_rise"),
        ("peak_rize", "peak_rise"),
        ("max boost", "peak_manifold_pressure"),
        ("average coolant", "mean_coolant"),
        ("water peak", "peak_coolant"),
        ("turbo lag", "time_to_boost"),
        ("MeanRise", "mean_rise"),
        ("max_temp", "peak_charge"),
        ("maf", "peak_air_mass_flow"),
    ],
)
def test_a_wrong_outcome_is_answered_by_what_it_means(folder, given, meant):
    assert f"Did you mean {meant}?" in refusal(folder, settings(outcome=given))


def test_a_command_to_paste_is_quoted(tmp_path):
    (tmp_path / "my van").mkdir()
    with pytest.raises(ExperimentError, match=f"pullbook new '{tmp_path}/my van' --before"):
        Experiment.load(tmp_path / "my van")


def test_a_note_of_the_service_that_is_misspelt_is_told_with_those_there_are(tmp_path):
    with pytest.raises(ExperimentError, match=r"service\.notes\.colour: unknown key.*photos, came_out"):
        Experiment.from_settings(
            {"title": "a", "service": {"what": "b", "notes": {"colour": "black"}}, "sessions": []}, tmp_path
        )
