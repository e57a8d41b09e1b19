"""Invented drives with a known truth: a simulated vehicle, its cooler, its driver and its data logger.

The sample experiments, the tests of run detection and the coverage studies need logs whose true answer is
known. Nothing here imports the modules that analyse logs, so a mistake there cannot hide by being repeated
here; the compression formula is written out again for that reason.

The model is the simplest that shows what makes the comparison hard on a real road: a cooler core that stores
heat and never settles during a pull, sensors that lag and step, a driver who is not a robot, and days that
differ.
"""

from pullbook.simulate.driver import drive
from pullbook.simulate.physics import CHANNELS, compression_outlet_k
from pullbook.simulate.recorder import LOGGED, record
from pullbook.simulate.scenarios import (
    SCENARIOS,
    THREE_SPRINGS,
    Scenario,
    drive_session,
    true_change,
    true_peak_rise,
    true_peak_rises,
    write_experiment,
)
from pullbook.simulate.world import (
    PEDAL_END_PERCENT,
    PEDAL_REST_PERCENT,
    STEP_S,
    Brake,
    Cooler,
    Cruise,
    Header,
    Idle,
    Layout,
    Manoeuvre,
    PartThrottle,
    Pull,
    Speedometer,
    StandingStart,
    TimeFormat,
    Trace,
    TrueRun,
    Vehicle,
    Weather,
    standard_script,
)

__all__ = [
    "CHANNELS",
    "LOGGED",
    "PEDAL_END_PERCENT",
    "PEDAL_REST_PERCENT",
    "SCENARIOS",
    "STEP_S",
    "THREE_SPRINGS",
    "Brake",
    "Cooler",
    "Cruise",
    "Header",
    "Idle",
    "Layout",
    "Manoeuvre",
    "PartThrottle",
    "Pull",
    "Scenario",
    "Speedometer",
    "StandingStart",
    "TimeFormat",
    "Trace",
    "TrueRun",
    "Vehicle",
    "Weather",
    "compression_outlet_k",
    "drive",
    "drive_session",
    "record",
    "standard_script",
    "true_change",
    "true_peak_rise",
    "true_peak_rises",
    "write_experiment",
]
