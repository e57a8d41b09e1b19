"""The command line: exit status, one clear message, nothing overwritten, and output that survives its reader."""

from __future__ import annotations

import contextlib
import json
import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from helpers.samples import SAMPLE_NAMES, SAMPLES, contents
from pullbook import simulate
from pullbook.commands import cli
from pullbook.commands.cli import main
from pullbook.text import counted

COMMANDS = ("check", "analyse", "run")


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    status = main([str(argument) for argument in arguments])
    said = capsys.readouterr()
    return status, said.out, said.err


def started(*arguments: object, **options: object) -> subprocess.CompletedProcess[bytes]:
    """Run the command line as a process of its own, with its streams as bytes."""
    environment = {**os.environ, **options.pop("environment", {})}
    command = [sys.executable, "-m", "pullbook.commands.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, env=environment, timeout=300, check=False, **options)


# --- refusals ----------------------------------------------------------------------------------------------------


def without(column: str):
    """Take a column out of a log (semicolons, as the sample has)."""

    def change(folder: Path) -> None:
        log = folder / "logs" / "before-1.csv"
        rows = [line.split(";") for line in log.read_text(encoding="utf-8").splitlines()]
        k = next(k for k, cell in enumerate(rows[0]) if column in cell.lower())
        log.write_text("\n".join(";".join(row[:k] + row[k + 1 :]) for row in rows), encoding="utf-8")

    return change


def emptied(folder: Path) -> None:
    (folder / "logs" / "before-1.csv").write_bytes(b"")


def header_only(folder: Path) -> None:
    log = folder / "logs" / "before-1.csv"
    log.write_text(log.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")


def missing(folder: Path) -> None:
    (folder / "logs" / "before-1.csv").unlink()


def listed_twice(folder: Path) -> None:
    path = folder / "experiment.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("name: after-1", "name: before-1"), encoding="utf-8")


def copied(folder: Path) -> None:
    shutil.copyfile(folder / "logs" / "before-1.csv", folder / "logs" / "after-1.csv")


FAULTS = {
    "missing file": (missing, "no such file"),
    "empty log": (emptied, "before-1.csv"),
    "header only": (header_only, "before-1.csv"),
    "no speed": (without("vehicle speed"), "speed"),
    "no charge temperature": (without("charge"), "charge"),
    "session twice": (listed_twice, "the name 'before-1' is given 2 times"),
    "log twice": (copied, "the same log, byte for byte"),
}


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("fault", FAULTS)
def test_a_refusal_is_one_clear_message_and_nothing_is_overwritten(fresh, capsys, command, fault):
    folder = fresh("two_evenings")
    change, said = FAULTS[fault]
    change(folder)
    out = folder / "rendered"
    out.mkdir()
    for name in ("results.json", "runs.csv", "workbook.html", "workbook.ipynb"):
        (out / name).write_text("earlier", encoding="utf-8")
    before = contents(folder.parent)
    to = [] if command == "check" else ["--out", out / "results.json" if command == "analyse" else out]

    status, text, error = run(capsys, command, folder, *to, *(["--quiet"] if command == "run" else []))

    assert contents(folder.parent) == before
    if command == "check" and fault == "no charge temperature":
        assert status == 0  # the rest can be looked at; what is lacking is said
        assert "Still needed for peak_rise: " in text
        return
    assert status == 2
    assert error.startswith("pullbook: ")
    assert said in error
    assert "Traceback" not in error
    assert text == ""


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("folder", ["nowhere", "empty"])
def test_a_folder_without_an_experiment_is_refused(tmp_path, capsys, command, folder):
    (tmp_path / "empty").mkdir()
    status, _, error = run(capsys, command, tmp_path / folder)
    assert status == 2
    assert ("no such folder" if folder == "nowhere" else "no experiment.yaml") in error
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["empty"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["chekc", "."], "Did you mean 'check'?"),
        (["fly", "."], "there is no command 'fly'"),
        (["--verison"], "Did you mean '--version'?"),
        (["check"], "DIR"),
        (["check", ".", "more"], "'more'"),
        (["run", ".", "--quite"], "Did you mean '--quiet'?"),
        (["run", ".", "--out=x", "--if-chnaged"], "Did you mean '--if-changed'?"),
        (["new", "van", "--beffore", "a.csv"], "Did you mean '--before'?"),
        (["plan", "--pulls", "many"], "'many'"),
        (["completion", "none"], "'bash'"),
    ],
)
def test_a_slip_of_the_keyboard_is_one_message_with_what_was_meant(capsys, tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    status, text, error = run(capsys, *arguments)
    assert (status, text) == (2, "")
    assert error.startswith("pullbook: ")
    assert said in error
    help_on = f"pullbook {arguments[0]} --help" if arguments[0] in cli.COMMANDS else "pullbook --help"
    assert help_on in error
    assert not list(tmp_path.iterdir())


def test_what_is_like_nothing_known_gets_no_suggestion(capsys):
    _, _, error = run(capsys, "run", ".", "--level", "2")
    assert "'--level'" in error
    assert "Did you mean" not in error


def test_a_fault_of_the_program_is_status_1_and_no_traceback(capsys, monkeypatch):
    def broken(_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr("pullbook.commands.check.check_text", broken)
    status, _, error = run(capsys, "check", ".")
    assert (status, error) == (1, "pullbook: a fault of the program: ZeroDivisionError: by zero\n")


# --- help --------------------------------------------------------------------------------------------------------


def helped(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "--help"])
    assert ended.value.code == 0
    return capsys.readouterr().out


def test_help_is_what_a_bare_command_gives_with_every_command_in_one_group_and_an_example(capsys):
    text = helped(capsys)
    assert run(capsys) == (0, text, "")
    groups = dict(part.split(":\n", 1) for part in text.split("\n\n") if ":\n" in part)
    assert [*groups][-len(cli.GROUPS) :] == [*cli.GROUPS]
    found = [line.split()[0] for group in cli.GROUPS for line in groups[group].splitlines() if line[2] != " "]
    assert sorted(found) == sorted(cli.COMMANDS)
    for name, command in cli.COMMANDS.items():
        assert f"              $ {command.example}" in groups[command.group].splitlines()
        assert command.example in helped(capsys, name)


@pytest.mark.parametrize("name", sorted(cli.COMMANDS))
def test_an_example_is_a_line_that_the_command_takes(name):
    words = shlex.split(cli.COMMANDS[name].example.removeprefix("eval ").strip('"$()'))
    assert words[:2] == ["pullbook", name]
    given = cli._parsed(words[1:])
    assert given.act is cli.COMMANDS[name].act


@pytest.mark.parametrize("name", ["", *sorted(cli.COMMANDS)])
def test_help_fits_80_columns(capsys, monkeypatch, name):
    monkeypatch.setenv("COLUMNS", "80")
    assert max(map(len, helped(capsys, *filter(None, [name])).splitlines())) <= 80


@pytest.mark.parametrize("command", [["check", SAMPLES / "loose_clamp"], ["plan"]])
def test_tables_and_sentences_fit_80_columns_and_words_stay_whole(capsys, monkeypatch, command):
    monkeypatch.setenv("COLUMNS", "80")
    _, narrow, _ = run(capsys, *command)
    assert max(map(len, narrow.splitlines())) <= 80
    monkeypatch.setenv("COLUMNS", "100")
    _, wide, _ = run(capsys, *command)
    assert narrow != wide
    assert narrow.split() == wide.split()


def test_logs_of_both_phases_are_taken_after_their_options():
    given = cli._parsed(["new", "van", "--before", "a", "b", "--after", "c", "d"])
    assert (given.folder, given.before, given.after) == ("van", ["a", "b"], ["c", "d"])


def on_a_terminal(*arguments: object, **environment: str) -> str:
    """Run the command line on a terminal of its own, output and complaints, and return what it shows."""
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "pullbook.commands.cli", *map(str, arguments)]
    kept = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS")}
    process = subprocess.Popen(command, stdout=theirs, stderr=theirs, env={**kept, "TERM": "xterm", **environment})
    os.close(theirs)
    shown = b""
    with contextlib.suppress(OSError):  # Linux says so that the other end is closed
        while part := os.read(ours, 65536):
            shown += part
    os.close(ours)
    process.wait(timeout=60)
    return shown.decode("utf-8")


@pytest.mark.parametrize("arguments", [[], ["run", "--help"], ["nothing"]])
def test_colour_is_for_a_terminal_that_has_it(arguments):
    assert "\x1b[" in on_a_terminal(*arguments)
    assert "\x1b" not in on_a_terminal(*arguments, NO_COLOR="1")
    assert "\x1b" not in on_a_terminal(*arguments, TERM="dumb")
    process = started(*arguments)
    assert b"\x1b" not in process.stdout + process.stderr


def test_a_complaint_fits_a_terminal():
    shown = on_a_terminal("run", ".", "--quite" + "-and-more" * 4, COLUMNS="60", NO_COLOR="1")
    lines = shown.splitlines()
    assert len(lines) > 1
    assert max(map(len, lines)) <= 60


@pytest.mark.parametrize("shell", cli.SHELLS)
def test_completion_knows_every_command(capsys, shell):
    status, script, _ = run(capsys, "completion", shell)
    assert status == 0
    assert all(name in script for name in cli.COMMANDS)
    assert "if-changed" in script


def test_completion_works_in_bash(capsys, tmp_path):
    bash = shutil.which("bash") or pytest.skip("no bash")
    (tmp_path / "my-van").mkdir()
    _, script, _ = run(capsys, "completion", "bash")
    asked = {"pullbook ch": "check", "pullbook run --if": "--if-changed", "pullbook check my": "my-van"}
    for line, expected in asked.items():
        words = line.split()
        ask = f"{script}\nCOMP_WORDS=({line}); COMP_CWORD={len(words) - 1}\n_shtab_pullbook\necho ${{COMPREPLY[@]}}"
        command = [bash, "--norc", "-c", ask, "pullbook"]
        answer = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, timeout=60, check=True)
        assert expected in answer.stdout.split(), line


def test_the_version_is_printed(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out.startswith("pullbook 0.")


# --- check -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_check_lists_channels_and_runs_and_writes_nothing(fresh, capsys, name):
    folder = fresh(name)
    before = contents(folder.parent)
    status, text, error = run(capsys, "check", folder)
    assert (status, error) == (0, "")
    assert contents(folder.parent) == before
    sides = len(list((folder / "logs").glob("before-*")))
    assert f"before: {counted(sides, 'session')}, {5 * sides} pulls" in text  # every simulated drive has five pulls
    assert "charge_air_temperature" in text
    assert "pull 1 " in text
    assert "cruise 1 " in text


def test_check_says_what_stands_for_a_missing_inlet_and_how_to_settle_a_column(fresh, capsys):
    """Two columns under names of their own: one session lacks the inlet temperature, and its column can be settled."""
    folder = fresh("two_evenings")
    log = folder / "logs" / "before-1.csv"
    head, rest = log.read_text(encoding="utf-8").split("\n", 1)
    cells = head.split(";")
    k = next(k for k, cell in enumerate(cells) if "intake" in cell.lower() and "temp" in cell.lower())
    cells[k] = "Intk tmp sensor B"
    log.write_text("\n".join([";".join(cells), rest]), encoding="utf-8")
    status, text, _ = run(capsys, "check", folder)
    assert status == 0
    assert any(line.strip().startswith("warning: ") and "Only after-1" in line for line in text.splitlines())
    lines = text.splitlines()
    start = lines.index("channels:")
    assert "experiment.yaml" in lines[start - 1]
    assert any("Intk tmp sensor B" in line for line in lines[start:])


# --- plan and lab ------------------------------------------------------------------------------------------------


def test_plan_prints_what_to_do_with_the_cautions_first(capsys):
    status, text, _ = run(capsys, "plan", "--change", 3, "--pulls", 4)
    assert status == 0
    lines = text.splitlines()
    assert "safety" in lines[0]
    assert "3 K" in text
    assert any(line.split()[:2] == ["3", "4"] for line in lines)  # three sessions of four pulls, a row of the table
    assert "On the day:" in lines


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--change", "0"], "--change: given '0'. Allowed: above 0"),
        (["--change", "nan"], "--change: given 'nan'; write a number with its unit (K, °C, °F), or a number alone"),
        (["--pulls", "0"], "--pulls: given 0. Allowed: 1 to 50"),
        (["--pulls", "51"], "--pulls: given 51. Allowed: 1 to 50"),
    ],
)
def test_plan_refuses_what_cannot_be_planned(capsys, given, said):
    assert run(capsys, "plan", *given) == (2, "", f"pullbook: {said}\n")


def test_a_change_typed_in_fahrenheit_is_planned_in_us_units(capsys):
    status, text, _ = run(capsys, "plan", "--change", "2 F")
    assert status == 0
    assert "a change of 2 °F" in " ".join(text.split())
    assert "km/h" not in text


def test_lab_says_where_its_own_options_go(capsys):
    status, _, said = run(capsys, "lab", "van", "--no-browser")
    assert status == 2
    assert "after --" in said


def test_lab_says_where_the_workbook_is_and_that_ones_own_changes_are_kept(fresh, capsys, tmp_path, monkeypatch):
    """What the browser shows is for tests/browser; here, what is said and what is opened."""
    opened = []
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "jupyter"))
    monkeypatch.setattr("pullbook.workbook.lab.open_lab", lambda copy, options: opened.append((copy, list(options))))
    folder = fresh("two_evenings")
    status, text, _ = run(capsys, "lab", folder, "--", "--no-browser")
    assert status == 0
    [(copy, options)] = opened
    assert copy.parent == tmp_path / "jupyter" / "pullbook"
    assert options[-1:] == ["--no-browser"]
    assert str(copy) in text
    assert "your own changes" not in text
    copy.write_text("mine", encoding="utf-8")
    _, text, _ = run(capsys, "lab", folder)
    assert "your own changes" in text
    assert copy.read_text(encoding="utf-8") == "mine"


# --- analyse -----------------------------------------------------------------------------------------------------


def refuse_constant(name: str) -> None:
    raise AssertionError(f"{name} is no JSON")


def test_analyse_prints_json_with_the_agreed_keys(capsys):
    status, text, error = run(capsys, "analyse", SAMPLES / "two_evenings")
    assert (status, error) == (0, "")
    found = json.loads(text, parse_constant=refuse_constant)  # NaN and Infinity would come here
    assert found.keys() >= {
        "schema", "pullbook_version", "inputs_sha256", "sessions", "pulls", "cruises", "comparison", "findings",
    }  # fmt: skip
    for session in found["sessions"].values():
        assert session.keys() >= {"phase", "log", "duration_s", "channels", "findings"}
        for channel in session["channels"].values():
            assert channel.keys() >= {"column", "unit", "period_s", "resolution"}
    run_keys = {"session", "number", "start_s", "end_s", "included", "reason"}
    assert all(pull.keys() >= run_keys | {"elapsed_s", "peak_rise"} for pull in found["pulls"])
    assert all(cruise.keys() >= run_keys | {"mean_speed", "mean_rise"} for cruise in found["cruises"])
    comparison = found["comparison"]
    assert comparison.keys() >= {
        "outcome", "unit", "before", "after", "change", "low", "high", "level", "dof", "standard_uncertainty",
        "budget", "method", "verdict", "sentence",
    }  # fmt: skip
    for side in ("before", "after"):
        assert comparison[side].keys() >= {"mean", "sessions", "pulls"}
    assert all(line.keys() >= {"source", "kind", "standard_uncertainty", "dof"} for line in comparison["budget"])
    for finding in [*found["findings"], *(f for s in found["sessions"].values() for f in s["findings"])]:
        assert finding.keys() == {"code", "severity", "message", "evidence"}
        assert finding["severity"] in {"note", "warning", "refusal"}


def test_analyse_writes_a_file_whole_that_others_may_read(fresh, capsys):
    folder = fresh("two_evenings")
    out = folder / "results.json"
    out.write_text("earlier", encoding="utf-8")
    assert run(capsys, "analyse", folder, "--out", out) == (0, "", "")
    assert json.loads(out.read_text(encoding="utf-8"))["schema"] == 1
    mask = os.umask(0)
    os.umask(mask)
    assert out.stat().st_mode & 0o777 == 0o666 & ~mask
    assert {p.name for p in folder.iterdir()} == {"README.md", "experiment.yaml", "logs", "results.json"}


@pytest.mark.parametrize("out", ["experiment.yaml", "logs/before-1.csv", "logs", "nowhere/results.json", "README.md/x"])
def test_analyse_refuses_a_place_it_must_not_or_cannot_write(fresh, capsys, out):
    folder = fresh("two_evenings")
    before = contents(folder.parent)
    status, text, error = run(capsys, "analyse", folder, "--out", folder / out)
    assert (status, text) == (2, "")
    assert out.split("/")[-1] in error
    assert contents(folder.parent) == before


def test_analyse_refuses_a_device_rather_than_replacing_it(capsys):
    status, _, error = run(capsys, "analyse", SAMPLES / "two_evenings", "--out", os.devnull)
    assert status == 2
    assert os.devnull in error
    assert not Path(os.devnull).is_file()


def test_a_write_that_fails_leaves_the_earlier_file(tmp_path, capsys, monkeypatch):
    out = tmp_path / "results.json"
    out.write_text("earlier", encoding="utf-8")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    status, _, error = run(capsys, "analyse", SAMPLES / "two_evenings", "--out", out)
    assert status == 2
    assert "No space left on device" in error
    assert contents(tmp_path) == {"results.json": b"earlier"}


# --- from logs to a verdict --------------------------------------------------------------------------------------


def test_new_then_check_then_run(tmp_path, capsys):
    source = simulate.write_experiment(tmp_path / "made", simulate.SCENARIOS["two_evenings"], seed=11)
    folder = tmp_path / "a draft"
    logs = [source / "logs" / f"{phase}-1.csv" for phase in ("before", "after")]

    status, text, _ = run(capsys, "new", folder, "--before", logs[0], "--after", logs[1])
    assert status == 0
    assert "charge_air_temperature: 'Charge air temperature [°C]' [degC]" in text
    assert "Cruise found at 90 km/h" in text
    assert f"pullbook check {shlex.quote(str(folder))}" in text
    assert "Still needed" not in text

    status, text, _ = run(capsys, "check", folder)
    assert status == 0
    # The driver starts and lifts within a few km/h of the script, so a draft's speeds may cost one of five pulls.
    kept = int(text.split("before: 1 session, ")[1].split()[0])
    assert kept >= 4

    status, text, _ = run(capsys, "run", folder, "--quiet")
    assert status == 0
    assert text.splitlines()[-1] == f"Wrote {folder / 'rendered' / 'workbook.html'}"
    found = json.loads((folder / "rendered" / "results.json").read_text(encoding="utf-8"))
    assert found["comparison"]["sentence"] in " ".join(text.split())


# --- readers that stop, terminals that cannot ---------------------------------------------------------------------


@pytest.mark.parametrize(("command", "sample"), [("check", "two_evenings"), ("analyse", "fin_wash")])
def test_a_reader_that_has_had_enough_is_no_fault(command, sample):
    # One output is less than a buffer and fails in the last flush, the other is more and fails while it is written.
    reader, writer = os.pipe()
    os.close(reader)
    try:
        process = subprocess.run(
            [sys.executable, "-m", "pullbook.commands.cli", command, SAMPLES / sample],
            stdout=writer,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONUNBUFFERED": ""},  # buffered, as for a person: the exit flushes what is left
            timeout=300,
            check=False,
        )
    finally:
        os.close(writer)
    assert (process.returncode, process.stderr) == (0, b"")


def test_a_terminal_without_the_degree_sign_gets_the_rest():
    process = started("check", SAMPLES / "two_evenings", environment={"PYTHONIOENCODING": "ascii"})
    assert process.returncode == 0
    assert b"  Charge air temperature [?C]" in process.stdout
    assert process.stderr == b""


def test_json_is_utf8_whatever_the_terminal():
    process = started("analyse", SAMPLES / "two_evenings", environment={"PYTHONIOENCODING": "ascii"})
    assert process.returncode == 0
    columns = json.loads(process.stdout.decode("utf-8"))["sessions"]["before-1"]["channels"]
    assert columns["charge_air_temperature"]["column"] == "Charge air temperature [°C]"


def test_a_refusal_on_a_terminal_without_umlauts(tmp_path):
    process = started("check", tmp_path / "Füße", environment={"PYTHONIOENCODING": "ascii"})
    assert process.returncode == 2
    assert b"no such folder" in process.stderr


def test_the_command_answers_without_loading_the_statistics():
    loaded = (
        "import sys, pullbook.commands.cli; "
        "print(sorted({'numpy', 'pandas', 'scipy', 'papermill', 'plotly', 'rich', 'shtab'} & set(sys.modules)))"
    )
    process = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, timeout=300, check=True)
    assert process.stdout == "[]\n"


def test_no_text_of_an_experiment_steers_the_terminal(monkeypatch, capsys):
    monkeypatch.setattr("pullbook.commands.check.check_text", lambda folder: ["charge\x1b[2J\x9b1m \u202edegC\tend"])
    assert main(["check", "van"]) == 0
    monkeypatch.undo()
    assert main(["check", "no\x1b]0;where\x07"]) == 2
    said = capsys.readouterr()
    assert "degC\tend" in said.out
    assert "where" in said.err
    assert not any(sign in said.out + said.err for sign in "\x1b\x9b\x07\u202e")
