"""The command line: exit status, one clear message, nothing overwritten, and output that survives its reader."""

from __future__ import annotations

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
    return subprocess.run(command, capture_output=True, env=environment, timeout=60, check=False, **options)


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
    assert ("no such folder" if folder == "nowhere" else "holds no experiment.yaml") in error
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["empty"]


@pytest.mark.parametrize("arguments", [[], ["fly", "."], ["check"], ["run", ".", "--level", "2"]])
def test_arguments_that_are_not_known_are_refused_with_the_usage(capsys, arguments):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "usage: pullbook" in capsys.readouterr().err


def test_a_fault_of_the_program_is_status_1_and_no_traceback(capsys, monkeypatch):
    def broken(_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(cli, "_check", broken)
    status, _, error = run(capsys, "check", ".")
    assert (status, error) == (1, "pullbook: a fault of the program: ZeroDivisionError: by zero\n")


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
    assert "warning: The inlet temperature was recognised in after-1 only; " in text
    lines = text.splitlines()
    start = lines.index("channels:")
    assert lines[start - 1] == "Columns not recognised. What is right of these, put into experiment.yaml once:"
    assert any("Intk tmp sensor B" in line for line in lines[start:])


# --- plan and lab ------------------------------------------------------------------------------------------------


def test_plan_prints_what_to_do_with_the_cautions_first(capsys):
    status, text, _ = run(capsys, "plan", "--change", 3, "--pulls", 4)
    assert status == 0
    lines = text.splitlines()
    assert lines[0] == "First, safety:"
    assert "a change of 3 K" in text
    assert any(line.split()[:2] == ["3", "4"] for line in lines)  # three sessions of four pulls, a row of the table
    assert "On the day:" in lines


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--change", "0"], "--change: given 0; allowed: above 0"),
        (["--change", "nan"], "--change: given nan; allowed: above 0"),
        (["--pulls", "0"], "--pulls: given 0; allowed: 1 to 50"),
        (["--pulls", "51"], "--pulls: given 51; allowed: 1 to 50"),
    ],
)
def test_plan_refuses_what_cannot_be_planned(capsys, given, said):
    assert run(capsys, "plan", *given) == (2, "", f"pullbook: {said}\n")


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
    assert f"is {copy}; in JupyterLab: Run, Run All Cells." in text
    assert "your own changes" not in text
    copy.write_text("mine", encoding="utf-8")
    _, text, _ = run(capsys, "lab", folder)
    assert "It holds your own changes and is kept as it is; delete it for a fresh one." in text
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
    assert "not a file in a folder that exists" in error
    assert not Path(os.devnull).is_file()


def test_a_write_that_fails_leaves_the_earlier_file(tmp_path, capsys, monkeypatch):
    out = tmp_path / "results.json"
    out.write_text("earlier", encoding="utf-8")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    status, _, error = run(capsys, "analyse", SAMPLES / "two_evenings", "--out", out)
    assert status == 2
    assert "cannot be written (No space left on device)" in error
    assert contents(tmp_path) == {"results.json": b"earlier"}


# --- from logs to a verdict --------------------------------------------------------------------------------------


def test_new_then_check_then_run(tmp_path, capsys):
    source = simulate.write_experiment(tmp_path / "made", simulate.SCENARIOS["two_evenings"], seed=11)
    folder = tmp_path / "a draft"
    logs = [source / "logs" / f"{phase}-1.csv" for phase in ("before", "after")]

    status, text, _ = run(capsys, "new", folder, "--before", logs[0], "--after", logs[1])
    assert status == 0
    assert "charge_air_temperature: 'Charge air temperature [°C]' [degC]" in text
    assert "Speeds found: cruise 90 km/h" in text
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
    assert found["comparison"]["sentence"] in text


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
            timeout=60,
            check=False,
        )
    finally:
        os.close(writer)
    assert (process.returncode, process.stderr) == (0, b"")


def test_a_terminal_without_the_degree_sign_gets_the_rest():
    process = started("check", SAMPLES / "two_evenings", environment={"PYTHONIOENCODING": "ascii"})
    assert process.returncode == 0
    assert b"'Charge air temperature [?C]'" in process.stdout
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
        "print(sorted({'pandas', 'scipy', 'papermill', 'plotly'} & set(sys.modules)))"
    )
    process = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, timeout=60, check=True)
    assert process.stdout == "[]\n"
