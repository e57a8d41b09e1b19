"""What several test modules share: the samples, their results, and one executed workbook."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from helpers import chromium
from helpers.samples import HOSTILE, SAMPLES, copy_sample

# One thread a process: the matrices are small, and threads that wait for each other take the other workers' time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# jsonschema, which notebooks are checked with, would build a URI grammar for a second in every process.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]

if TYPE_CHECKING:
    from pullbook.analysis.result import Result
    from pullbook.workbook.run import Rendered


# Modules whose tests share what takes seconds to set up: each group runs in one process, other tests wherever there is
# room. (xdist's own groups do not hold with pytest 9.2.)
TOGETHER = {
    "tests/analysis/test_undated.py": "a workbook without dates",
    "tests/browser/test_lab.py": "JupyterLab",
    "tests/browser/test_page.py": "workbooks",
    "tests/records/test_history.py": "three services",
    "tests/statistics/test_joint_fit.py": "draws",
    "tests/workbook/test_page.py": "workbooks",
    "tests/workbook/test_run.py": "workbooks",
}


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One process more than cores, for some tests wait for a child or a browser."""
    return min((os.cpu_count() or 1) + 1, 8)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Hand out tests one by one, and the modules of a group at once."""
    from xdist.scheduler import LoadScopeScheduling

    class Scheduling(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return TOGETHER.get(nodeid.partition("::")[0], nodeid)

    return Scheduling(config, log)


@pytest.fixture
def fresh(tmp_path: Path) -> Callable[[str], Path]:
    """Copy a sample into the test's own folder."""
    return lambda name: copy_sample(name, tmp_path / name)


@pytest.fixture(scope="session")
def result_of() -> Callable[[str], Result]:
    """Analyse a sample, once a session."""
    from pullbook import analyse

    return functools.cache(lambda name: analyse(SAMPLES / name))


@pytest.fixture(scope="session")
def simulated_samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All samples as the simulation writes them, once a session; to be read, not changed."""
    from pullbook.simulate.__main__ import main

    folder = tmp_path_factory.mktemp("samples")
    assert main([str(folder)]) == 0
    return folder


@pytest.fixture(scope="session")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    """The main sample's workbook, executed once a session; to be read, not changed."""
    from pullbook.workbook.run import run_workbook

    return run_workbook(copy_sample("fin_wash", tmp_path_factory.mktemp("run") / "fin_wash"), progress=False)


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    """A workbook of an experiment in which every text and two column names try to be markup."""
    from ruamel.yaml import YAML

    from pullbook.workbook.run import run_workbook

    folder = copy_sample("two_evenings", tmp_path_factory.mktemp("hostile") / "braces {x} and spaces")
    yaml = YAML()
    settings = yaml.load(folder / "experiment.yaml")
    settings["title"] = settings["question"] = HOSTILE
    settings["vehicle"]["description"] = settings["service"]["what"] = HOSTILE
    settings["sessions"][0]["leave_out"] = {"pull 2": HOSTILE}
    column = f"CAC {HOSTILE}"
    settings["channels"] = {"charge_air_temperature": {"column": column, "unit": "degC"}}
    yaml.dump(settings, folder / "experiment.yaml")
    for log in (folder / "logs").glob("*.csv"):
        head, *rows = log.read_text(encoding="utf-8").splitlines()
        cells = [*head.split(";"), f"Oddity {HOSTILE}"]
        charge = next(k for k, cell in enumerate(cells) if "charge" in cell.lower())
        cells[charge] = column
        head = ";".join('"' + cell.replace('"', '""') + '"' for cell in cells)
        log.write_text("\n".join([head, *(f"{row};{k}" for k, row in enumerate(rows))]), encoding="utf-8")
    return run_workbook(folder, progress=False)


# The same examples each time, so that a change is judged by itself; make audit looks for new ones.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    """One Chromium for all browser tests, or skip what needs it."""
    if chromium.PATH is None:
        pytest.skip("needs Debian's chromium: apt-get install chromium")
    sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright: make test installs it")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium.PATH, args=chromium.ARGUMENTS)
        yield running
        running.close()
