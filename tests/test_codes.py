"""The codes of findings: stable names for programs, one meaning each."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import pullbook

LIBRARY = Path(pullbook.__file__).parent
# A program that reads results.json looks for these: none is renamed, or given another meaning.
CODES = [
    "allowance",
    "ambient-doubtful",
    "ambient-no-overlap",
    "barometer-assumed",
    "boost-higher",
    "boost-less-air",
    "boost-lower",
    "boost-lower-at-speed",
    "boost-slower",
    "boost-unseen",
    "cells-unreadable",
    "channel-absent",
    "check-failed",
    "clock-backward",
    "clock-forward",
    "column-ambiguous",
    "column-empty",
    "column-unrecognised",
    "columns-swapped",
    "cooler-bytes-unverified",
    "date-ambiguous",
    "day-unknown",
    "earlier-differ",
    "earlier-set-aside",
    "earlier-too-few",
    "engine-stopped",
    "figures-column-unused",
    "figures-step",
    "figures-unchecked",
    "file-cut-short",
    "footer-dropped",
    "full-load-judged",
    "gaps",
    "gear-differs",
    "gear-not-read",
    "gear-odd",
    "header-repeated",
    "history-boost",
    "history-rate",
    "history-recomputed",
    "history-sensor",
    "impossible-jump",
    "inlet-heated",
    "inlet-reference",
    "inlet-unchecked",
    "last-line-cut",
    "leave-out-unknown",
    "level-low",
    "lift-inside",
    "lines-not-answers",
    "log-growing",
    "logs-joined",
    "looks",
    "marked-by-hand",
    "marked-without-figure",
    "measure-missing",
    "metar-without-pressure",
    "metar-without-temperature",
    "no-boost",
    "no-full-load",
    "odometer-missing",
    "offset-like",
    "one-drive",
    "one-session",
    "open-circuit",
    "order-unchecked",
    "place-not-fitted",
    "pressure-at-sea-level",
    "pressure-by-altitude",
    "pressure-read-as-gauge",
    "pressure-saturated",
    "pull-overruns",
    "refresh-slow",
    "resolution-step",
    "routes-disagree",
    "rows-damaged",
    "rows-reversed",
    "rows-unreadable",
    "same-day",
    "sensor-changed",
    "sensor-other",
    "sensor-refitted",
    "sensor-slower",
    "several-senders",
    "signal-frozen",
    "signal-hung",
    "soaked-start",
    "spikes",
    "stamps-doubled",
    "stamps-shared",
    "table-above",
    "time-between",
    "time-from-rate",
    "time-unit-assumed",
    "time-unit-doubtful",
    "track-aligned",
    "track-not-aligned",
    "unit-assumed",
    "unit-contradicted",
    "unit-doubtful",
    "unlike-drives",
    "values-impossible",
    "water-cooled-charge",
    "weather-large",
    "weather-not-allowed-for",
    "which-intake-temperature",
    "worthwhile-large",
]
# One meaning, noticed in two places.
TWICE = {
    "measure-missing": "a figure that these runs do not give, from a log or from a table of figures",
    "open-circuit": "a temperature sensor with a broken wire, for a part of the drive or all along",
    "unit-doubtful": "values that the unit cannot have, or that the log's other signals contradict",
}


def called(call: ast.Call) -> str:
    return call.func.id if isinstance(call.func, ast.Name) else ""


def codes_of(module: ast.Module) -> list[str]:
    """Return the code of each finding that a module makes, one handed to a function of its own among them."""
    constants: dict[str, str] = {}
    for node in [node for node in module.body if isinstance(node, ast.Assign)]:
        name, value = node.targets[0], node.value
        both = (
            zip(name.elts, value.elts, strict=True)
            if isinstance(value, ast.Tuple) and isinstance(name, ast.Tuple)
            else [(name, value)]
        )
        constants |= {n.id: v.value for n, v in both if isinstance(n, ast.Name) and isinstance(v, ast.Constant)}
    calls = [node for node in ast.walk(module) if isinstance(node, ast.Call)]
    found = []
    for function in [node for node in ast.walk(module) if isinstance(node, ast.FunctionDef)]:
        parameters = [argument.arg for argument in function.args.args]
        for made in [node for node in ast.walk(function) if isinstance(node, ast.Call) and called(node) == "Finding"]:
            given = next((keyword.value for keyword in made.keywords if keyword.arg == "code"), None)
            if given is None:  # one that a worker of a batch sent back
                continue
            if isinstance(given, ast.Name) and given.id in parameters:
                place = parameters.index(given.id)
                arguments = [call.args[place] for call in calls if called(call) == function.name]
            else:
                arguments = [given]
            for argument in arguments:
                ends = [argument.body, argument.orelse] if isinstance(argument, ast.IfExp) else [argument]
                found += [constants[end.id] if isinstance(end, ast.Name) else end.value for end in ends]
    return found


def test_every_code_is_kept_and_means_one_thing() -> None:
    found = Counter(
        code for path in LIBRARY.rglob("*.py") for code in codes_of(ast.parse(path.read_text(encoding="utf-8")))
    )
    assert sorted(found) == CODES
    assert {code for code, places in found.items() if places > 1} == TWICE.keys()
