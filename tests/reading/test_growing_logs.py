"""A log that the logger is still writing: whole lines count, and the page says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from pullbook.reading import tables
from pullbook.reading.logs import read_log

HEAD = "Time (s),Vehicle speed (km/h)\n"
ROWS = "".join(f"{k}.0,{60 + k % 20}\n" for k in range(120))


@pytest.fixture
def grow(monkeypatch):
    """Let the file grow while it is read: by one text for each reading, none when there is none left."""

    def during(path: Path, *texts: str) -> None:
        real, waiting = tables._read, list(texts)

        def read(raw, name):
            table = real(raw, name)
            if waiting:
                with path.open("a", encoding="utf-8") as stream:
                    stream.write(waiting.pop(0))
            return table

        monkeypatch.setattr(tables, "_read", read)

    return during


def codes(path: Path) -> list[str]:
    return [finding.code for finding in read_log(path).findings]


def test_a_half_written_cell_is_no_reading(tmp_path, grow):
    path = tmp_path / "log.csv"
    path.write_text(HEAD + ROWS + "120.0,8", encoding="utf-8")  # on the way to 82
    grow(path, "2\n121.0,8", "3\n122.0,84")
    log = read_log(path)
    speed = log.need("vehicle_speed")
    assert speed.time_s[-1] == 120.0
    assert speed.at(120.0) == 82.0
    finding = next(f for f in log.findings if f.code == "log-growing")
    assert finding.severity == "warning"
    assert finding.evidence == {"rows": 121}


def test_a_log_that_nobody_writes_to_keeps_a_last_line_without_an_end(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(HEAD + ROWS + "120.0,82", encoding="utf-8")
    assert read_log(path).need("vehicle_speed").time_s[-1] == 120.0
    assert "log-growing" not in codes(path)


def test_a_log_that_only_grows_by_whole_lines_is_told_too(tmp_path, grow):
    path = tmp_path / "log.csv"
    path.write_text(HEAD + ROWS, encoding="utf-8")
    grow(path, "120.0,82\n")
    assert "log-growing" in codes(path)


def test_a_log_emptied_while_it_is_read_is_refused(tmp_path, monkeypatch):
    from pullbook.errors import LogError

    path = tmp_path / "log.csv"
    path.write_text(HEAD + ROWS, encoding="utf-8")
    real = tables._read

    def read(raw, name):
        table = real(raw, name)
        path.write_text("", encoding="utf-8")
        return table

    monkeypatch.setattr(tables, "_read", read)
    with pytest.raises(LogError, match="is empty"):
        read_log(path)
