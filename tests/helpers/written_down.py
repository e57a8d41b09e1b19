"""Invented drives as somebody would write their figures down: a sample's runs, rounded, a table a drive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd

# Header, the measure of a pull, the measure of a cruise, and how it is written.
COLUMNS: Sequence[tuple[str, str, str, Callable[[float], str]]] = (
    ("inlet [°C]", "inlet_at_peak", "mean_inlet", lambda x: f"{x:.0f}"),
    ("charge [°C]", "peak_charge", "mean_charge", lambda x: f"{x:.0f}"),
    ("charge at start [°C]", "start_charge", "", lambda x: f"{x:.0f}"),
    ("coolant [°C]", "peak_coolant", "mean_coolant", lambda x: f"{x:.0f}"),
    ("manifold pressure [kPa]", "peak_manifold_pressure", "mean_manifold_pressure", lambda x: f"{x:.0f}"),
    ("start speed [km/h]", "start_speed", "", lambda x: f"{x:.0f}"),
    ("end speed [km/h]", "end_speed", "", lambda x: f"{x:.0f}"),
    ("rest before [s]", "rest_before", "", lambda x: f"{x:.0f}"),
    ("length [s]", "duration", "", lambda x: f"{x:.1f}"),
)


def written_down(measures: pd.DataFrame, session: str) -> str:
    """Return the table of one drive, its runs that count."""
    rows = [",".join(["kind", "number", *(header for header, *_ in COLUMNS)])]
    for run in measures[(measures["session"] == session) & measures["included"]].to_dict(orient="records"):
        cells = [run["kind"], str(run["number"])]
        for _, pull, cruise, write in COLUMNS:
            name = pull if run["kind"] == "pull" else cruise
            cells.append(write(run[name]) if name and pd.notna(run[name]) else "")
        rows.append(",".join(cells))
    return "\n".join(rows) + "\n"


def in_place_of_logs(folder: Path, measures: pd.DataFrame, sessions: Sequence[str]) -> None:
    """Let sessions of an experiment have figures in place of their logs."""
    path = folder / "experiment.yaml"
    text = path.read_text(encoding="utf-8")
    (folder / "figures").mkdir()
    for session in sessions:
        (folder / "figures" / f"{session}.csv").write_text(written_down(measures, session), encoding="utf-8")
        (line,) = [x for x in text.splitlines() if x.strip().startswith(f"log: logs/{session}.")]
        text = text.replace(line, f"    figures: figures/{session}.csv")
    path.write_text(text, encoding="utf-8")
