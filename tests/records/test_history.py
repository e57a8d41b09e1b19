"""One vehicle over the years: what belongs together, in which order, and what the page says of it."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from helpers.pages import Read
from helpers.samples import HOSTILE, SAMPLES, contents
from pullbook.analysis.result import Result, analyse
from pullbook.commands.cli import main
from pullbook.errors import ExperimentError, LedgerError, PullbookError
from pullbook.quantities import US
from pullbook.records.history import History, experiment_folders, history_of, read_history
from pullbook.report import history, history_picture
from pullbook.report.in_units import estimated_in, history_in
from pullbook.settings.places import ledger_of
from pullbook.simulate import THREE_SPRINGS, true_change, true_peak_rise, write_experiment
from report.test_sections import text_of

SPRINGS = SAMPLES / "three_springs"
YEARS = ("2024", "2025", "2026")


@pytest.fixture(scope="module")
def named() -> list[tuple[str, Result]]:
    return [(year, analyse(SPRINGS / year)) for year in YEARS]


@pytest.fixture(scope="module")
def springs(named) -> History:
    return history_of(named)


def changed(result: Result, **settings: object) -> Result:
    """Return a result as if its experiment had other settings."""
    return replace(result, experiment=result.experiment.model_copy(update=settings))


def serviced(result: Result, **settings: object) -> Result:
    return changed(result, service=result.experiment.service.model_copy(update=settings))


# --- the sample --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(THREE_SPRINGS))
def test_the_sample_is_what_the_simulation_writes(name, simulated_samples):
    assert contents(simulated_samples / name) == {
        k: v for k, v in contents(SAMPLES / name).items() if not k.startswith("rendered")
    }
    assert "invented" in (SAMPLES / name / "README.md").read_text(encoding="utf-8").splitlines()[0]


def test_the_sample_is_small():
    assert sum(len(data) for data in contents(SPRINGS).values()) < 1_000_000


def test_the_truth_of_the_sample_lies_in_every_interval(springs):
    truth = [(s, true_peak_rise(s, cooler=s.cooler_before)) for s in THREE_SPRINGS.values()]
    for (scenario, _), service in zip(truth, springs.services, strict=True):
        assert service.low <= true_change(scenario) <= service.high
        assert service.verdict == "improved"
    washed = true_peak_rise(truth[0][0], cooler=truth[0][0].cooler_after)
    for span, (_, before), gained in zip(springs.spans, truth[1:], truth, strict=False):
        assert span.drift.low <= before - washed <= span.drift.high
        assert span.drift.resolved
        assert span.share_lost.low <= (before - washed) / (gained[1] - washed) <= span.share_lost.high
    rate = springs.rate("1000 km").estimated
    for span, (_, before) in zip(springs.spans, truth[1:], strict=True):
        assert rate.low <= (before - washed) / (span.distance_km / 1000) <= rate.high


def test_other_luck_is_told_alike(tmp_path):
    folders = [write_experiment(tmp_path / name, s, seed=77) for name, s in THREE_SPRINGS.items()]
    found = read_history(folders)
    assert [span.drift.resolved for span in found.spans] == [True, True]


# --- order -------------------------------------------------------------------------------------------------------


def test_the_order_is_by_date(named):
    found = history_of(named[::-1])
    assert found.axis == "date"
    assert [s.name for s in found.services] == list(YEARS)
    assert [span.distance_km for span in found.spans] == [17_500, 21_800]
    assert found.spans[0].years == pytest.approx((dt.date(2025, 4, 12) - dt.date(2024, 3, 12)).days / 365.25)


def test_without_dates_the_order_is_by_odometer_and_else_as_given(named):
    undated = [(name, serviced(result, date=None)) for name, result in named[::-1]]
    found = history_of(undated)
    assert (found.axis, [s.name for s in found.services]) == ("odometer", list(YEARS))
    assert {rate.per for rate in found.rates} == {"1000 km"}
    bare = [(name, serviced(result, date=None, odometer_km=None)) for name, result in named[::-1]]
    found = history_of(bare)
    assert (found.axis, [s.name for s in found.services]) == ("order", list(YEARS[::-1]))
    assert found.rates == ()
    assert "No rate" in history.rates(found).html
    assert "In the order you gave" in history.noticed(found).html


@pytest.mark.parametrize("axis", ["date", "odometer", "order"])
def test_the_picture_stands_on_what_the_services_are_in_order_of(springs, axis):
    found = replace(springs, axis=axis)
    drawing = history.states(found)
    places = {
        "date": ["2024-03-12", "2025-04-12", "2026-03-12"],
        "odometer": [112300, 129800, 151600],
        "order": [1, 2, 3],
    }
    assert [row[1] for row in drawing.rows] == places[axis]
    for row, s in zip(drawing.rows, springs.services, strict=True):
        assert row[2:] == pytest.approx((s.before.value, s.after.value, s.change, s.low, s.high), abs=0.051)
    for service in springs.services:  # beside their marks, in the wide drawing and the narrow one
        assert drawing.html.count(f">{service.before.value:.1f}<") == 2
        assert drawing.html.count(f">−{-service.change:.1f} K<") == 2


def test_the_scales_of_the_picture_hold_every_interval_and_the_worthwhile_change(springs):
    for worthwhile in (2.0, 40.0):
        wide = tuple(replace(s, worthwhile=worthwhile) for s in springs.services)
        states, changes = history_picture.scales(replace(springs, services=wide))
        for s in wide:
            assert states.low < min(s.before.low, s.after.low) < max(s.before.high, s.after.high) < states.high
            assert changes.low < min(s.low, -worthwhile) < max(s.high, worthwhile) < changes.high
        assert min(states.span, changes.span) >= 3 * worthwhile


def test_many_services_are_drawn_without_their_figures(springs):
    """Where there is no room beside the marks, the table has them."""
    many = tuple(
        replace(springs.services[k % 3], number=k + 1, date=dt.date(2020, 1, 1) + dt.timedelta(20 * k))
        for k in range(30)
    )
    spans = tuple(replace(springs.spans[0], number=k + 1) for k in range(29))
    drawing = history.states(replace(springs, services=many, spans=spans))
    assert len(drawing.rows) == 30
    assert f">{many[0].before.value:.1f}<" not in drawing.html


# --- what does not belong together -------------------------------------------------------------------------------


def test_one_experiment_has_no_history(named):
    with pytest.raises(ExperimentError, match="two experiments"):
        history_of(named[:1])


def test_an_experiment_named_twice_is_refused(named):
    with pytest.raises(ExperimentError, match="2024 and again"):
        history_of([*named, ("again", named[0][1])])


def test_a_drive_that_serves_two_services_is_refused(tmp_path):
    """The sessions after one service taken for those before the next would make the drift zero."""
    for year in YEARS[:2]:
        shutil.copytree(SPRINGS / year, tmp_path / year)
    shutil.copyfile(tmp_path / "2024/logs/after-1.csv.gz", tmp_path / "2025/logs/before-1.csv.gz")
    with pytest.raises(PullbookError, match=r"2024 and 2025 share a drive .*'before-1' of 2025.*drives of its own"):
        read_history([tmp_path / year for year in YEARS[:2]])


def unlike(result: Result, what: str) -> Result:
    experiment = result.experiment
    if what == "inlet":
        return replace(result, drives=tuple(replace(d, inlet="ambient_air_temperature") for d in result.drives))
    settings = {
        "outcome": {"outcome": "peak_charge"},
        "protocol": {"protocol": experiment.protocol.model_copy(update={"pull_to_kmh": 100.0})},
        "vehicle": {"vehicle": experiment.vehicle.model_copy(update={"description": "another van"})},
        "displacement_l": {"vehicle": experiment.vehicle.model_copy(update={"displacement_l": 3.0})},
    }
    return changed(result, **settings[what])


@pytest.mark.parametrize("what", ["outcome", "protocol", "vehicle", "displacement_l", "inlet"])
def test_what_is_unlike_is_refused_and_the_groups_are_named(named, what):
    mixed = [*named[:2], ("2026", unlike(named[2][1], what))]
    with pytest.raises(ExperimentError, match=rf"- {what}.*\(2024, 2025\); .*\(2026\)\n"):
        history_of(mixed)


def test_all_that_is_unlike_is_told_at_once(named):
    mixed = [named[0], ("2025", unlike(unlike(named[1][1], "outcome"), "vehicle"))]
    with pytest.raises(ExperimentError, match=r"(?s)- outcome: .*- vehicle: "):
        history_of(mixed)


def test_case_and_spaces_make_no_other_vehicle(named):
    vehicle = named[1][1].experiment.vehicle
    same = vehicle.model_copy(update={"description": f"  {vehicle.description.upper()} "})
    history_of([named[0], ("2025", changed(named[1][1], vehicle=same))])


def test_an_odometer_that_falls_is_refused(named):
    with pytest.raises(ExperimentError, match=r"2025: .*\(100 km after 112300 km\)"):
        history_of([named[0], ("2025", serviced(named[1][1], odometer_km=100.0))])


@pytest.mark.parametrize("settings", [{"level": 1.0}, {"season_sd": -1.0}])
def test_settings_out_of_range_are_refused(settings):
    with pytest.raises(PullbookError, match=r"(?i)allowed: (above 0|0 or more)"):
        read_history([SPRINGS / year for year in YEARS], **settings)


# --- what was noticed --------------------------------------------------------------------------------------------


def test_a_leak_between_services_is_said_first(named):
    less = named[1][1]
    before = less.measures["phase"] == "before"
    table = less.measures.copy()
    table.loc[before, "peak_manifold_pressure"] *= 0.85
    table.loc[before, "pressure_ratio"] *= 0.85
    found = history_of([named[0], ("2025", replace(less, measures=table))])
    assert [f.code for f in found.findings] == ["history-boost"]
    assert "service 1 and service 2" in found.findings[0].message
    assert "hoses and clamps" in history.answer(found).html
    assert [s.name for s in found.slopes][:2] == ["inlet temperature", "compression"]  # all at equal boost


def test_a_service_that_changed_the_boost_is_said(named):
    leak = analyse(SAMPLES / "loose_clamp").findings[0]
    found = history_of([(named[0][0], replace(named[0][1], findings=(leak,))), named[1]])
    assert "Service 1 " in found.findings[0].message


def test_a_sensor_that_is_logged_otherwise_is_a_finding(named):
    drives = tuple(
        replace(d, log=replace(d.log, signals={
            name: replace(s, column="CAC out", resolution=0.1) if name == "charge_air_temperature" else s
            for name, s in d.log.signals.items()
        }))
        for d in named[1][1].drives
    )  # fmt: skip
    found = history_of([named[0], ("2025", replace(named[1][1], drives=drives))])
    (finding,) = found.findings
    assert finding.code == "history-sensor"
    assert "'CAC out' in steps of 0.1 K" in finding.message
    assert "new history" in finding.message


def test_rates_that_differ_are_a_finding(named):
    far = [
        named[0],
        ("2025", serviced(named[1][1], odometer_km=112_800.0)),
        ("2026", serviced(named[2][1], odometer_km=252_000.0)),
    ]
    codes = {f.code for f in history_of(far).findings}
    assert codes == {"history-rate"}


# --- worth doing again? ------------------------------------------------------------------------------------------


def since(springs: History, folder: Path, rows: str, **settings: str) -> str:
    path = folder / "ledger.csv"
    path.write_text("date,odometer,item\n" + rows, encoding="utf-8")
    given = {"item": "fins washed", "today": "2026-11-01"} | settings
    return history.again(springs, str(path), **given).html


def test_what_was_lost_since_is_reckoned_from_the_ledger(springs, tmp_path):
    html = since(springs, tmp_path, "2026-03-12,151600,fins washed\n2026-10-01,161600,tyres\n")
    rate = springs.rate("1000 km").estimated
    assert "234 days and 10,000 km ago" in html
    told = f"10,000 km cost {10 * rate.value:+.1f} K ({10 * rate.low:+.1f} to {10 * rate.high:+.1f})"
    assert told in html
    assert "extrapolation" in html
    assert "not advice" in html


def test_when_half_of_the_gain_is_gone(springs):
    """By hand: half the gain over the rate; the truth (6.6 K gained, lost at about 0.32 K per 1,000 km) lies inside."""
    half = history.half_gone(springs)
    assert half is not None
    gained = springs.levels.estimate(springs.gain_of_last()).value
    assert half.value == pytest.approx(gained / 2 / springs.rate("1000 km").estimated.value)
    assert half.low < 10.3 < half.high
    assert "Half of the last gain is gone after about" in history.answer(springs).html
    html = history.again(springs, "", item="", today="", cost=60, hours=4, currency="EUR").html
    assert "Half of" not in html  # the first screen has said it
    assert "costs 60 EUR and takes 4 h" in html
    assert "your own figures" not in history.again(springs, "", item="", today="").html


def test_what_the_drives_cannot_know_is_said(named):
    open_one = history_of(named[:2], season_sd=8.0)
    html = history.again(open_one, "", item="", today="").html
    assert "say when half" in html
    assert "That is not the same as none" in history.answer(open_one).html
    without = [(name, serviced(result, odometer_km=None)) for name, result in named]
    assert "some services have no odometer" in history.again(history_of(without), "", item="", today="").html


def test_a_ledger_in_the_vehicles_folder_needs_no_item(springs, tmp_path):
    path = tmp_path / "ledger.csv"
    path.write_text("date,odometer,item\n2026-10-01,161600,tyres\n", encoding="utf-8")
    html = history.again(springs, str(path), item="", today="").html
    assert "driven 10,000 km" in html


def test_experiments_that_asked_otherwise_are_computed_in_common(tmp_path):
    for year in YEARS[:2]:
        shutil.copytree(SPRINGS / year, tmp_path / year)
    settings = tmp_path / "2025" / "experiment.yaml"
    text = settings.read_text(encoding="utf-8").replace("outcome: peak_rise", "outcome: rise_at 100")
    settings.write_text(text, encoding="utf-8")
    found = read_history([tmp_path / year for year in YEARS[:2]])
    assert found.outcome == "rise_at 100"
    (finding,) = [f for f in found.findings if f.code == "history-recomputed"]
    assert "2024 peak_rise, 2025 rise_at 100" in finding.message
    assert finding.message in unescape(history.answer(found).html)


def test_figures_of_other_units_are_still_refused(tmp_path):
    for year in YEARS[:2]:
        shutil.copytree(SPRINGS / year, tmp_path / year)
    settings = tmp_path / "2025" / "experiment.yaml"
    text = settings.read_text(encoding="utf-8").replace("outcome: peak_rise", "outcome: time_to_boost")
    settings.write_text(text, encoding="utf-8")
    with pytest.raises(ExperimentError, match="outcome: peak_rise"):
        read_history([tmp_path / year for year in YEARS[:2]])


def test_the_ledger_of_the_vehicles_folder_is_found():
    assert ledger_of([SPRINGS]) == ledger_of([SPRINGS / "2024", SPRINGS / "2025"]) == str(SPRINGS / "ledger.csv")
    assert ledger_of([SAMPLES]) == ""


def test_a_ledger_without_odometer_says_so(springs, tmp_path):
    html = since(springs, tmp_path, "2026-03-12,,fins washed\n")
    assert "234 days ago" in html
    assert "the ledger has no odometer readings" in unescape(html)


def test_a_service_that_the_ledger_has_to_name_is_asked_for(named, tmp_path):
    """The readings are there; what is missing is which row of the ledger is the last service."""
    found = history_of([*named[:2], ("2026", serviced(named[2][1], odometer_km=None))])
    html = unescape(since(found, tmp_path, "2026-03-12,151600,cooler\n2026-10-01,161600,tyres\n", item=""))
    assert "no row in the ledger is called 'fins washed'" in html
    assert "-p item=" in html
    assert "'cooler', 'tyres'" in html
    told = since(found, tmp_path, "2026-03-12,151600,fins washed\n2026-10-01,161600,tyres\n", item="")
    assert "10,000 km ago" in told
    early = since(history_of(named), tmp_path, "2020-03-12,1600,tyres\n", item="")
    assert "before service 3" in early


def test_the_headline_says_shown_not_helped(springs):
    def head(verdicts: list[str]) -> str:
        services = tuple(replace(s, verdict=v) for s, v in zip(springs.services, verdicts, strict=True))
        return history.answer(replace(springs, services=services)).html

    assert "None of 3 services was shown to help" in head(["not-resolved"] * 3)
    assert "1 of 3 services was shown" in head(["improved", "worse", "not-resolved"])
    assert "2 of 3 services were shown" in head(["improved", "improved-size-unclear", "worse"])


def test_a_faulty_setting_names_its_folder(tmp_path):
    for year in YEARS[:2]:
        shutil.copytree(SPRINGS / year, tmp_path / year)
    settings = tmp_path / "2025" / "experiment.yaml"
    settings.write_text(re.sub(r"(?m)^(\s+date:).*", r"\1 never", settings.read_text(encoding="utf-8"), count=1))
    with pytest.raises(ExperimentError, match=r"^2025: .*date"):
        read_history([tmp_path / year for year in YEARS[:2]])


def test_a_service_that_is_not_in_the_history_is_told(springs, tmp_path):
    html = since(springs, tmp_path, "2026-06-01,155000,fins washed\n")
    assert "was on 2026-03-12, but the ledger has 2026-06-01" in html


def test_without_a_ledger_the_distance_is_not_known(springs):
    assert "no ledger" in history.again(springs, "", item="", today="").html


def test_a_wrong_day_is_refused(springs, tmp_path):
    with pytest.raises(LedgerError, match="allowed: a date"):
        since(springs, tmp_path, "2026-03-12,151600,fins washed\n", today="tomorrow")


def test_a_drift_that_is_not_resolved_is_not_called_none(named):
    found = history_of(named[:2], season_sd=8.0)
    html = history.answer(found).html
    assert "not resolved" in html
    assert "same as none" in html


# --- the page ----------------------------------------------------------------------------------------------------


def test_a_folder_of_experiments_stands_for_all_in_it(tmp_path):
    assert experiment_folders(f"{SPRINGS}\n\n {SAMPLES / 'fin_wash'} ") == [
        *(SPRINGS / year for year in YEARS),
        SAMPLES / "fin_wash",
    ]
    assert experiment_folders(str(tmp_path)) == [tmp_path]  # refused later, by what it lacks


# --- units -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def in_us(named) -> History:
    us = [(name, changed(result, units="us")) for name, result in named]
    return history_in(history_of(us))


def test_states_have_an_offset_and_changes_none(springs, in_us):
    in_degrees = history_in(replace(springs, level_unit="°C", shown=US)).services[0].before
    metric = springs.services[0].before
    assert in_degrees.value == pytest.approx(1.8 * metric.value + 32)
    assert in_degrees.high - in_degrees.low == pytest.approx(1.8 * (metric.high - metric.low))
    for ours, theirs in zip(in_us.services, springs.services, strict=True):
        assert (ours.change, ours.low, ours.worthwhile) == pytest.approx(
            [1.8 * x for x in (theirs.change, theirs.low, theirs.worthwhile)]
        )
        assert ours.after.value == pytest.approx(1.8 * theirs.after.value)  # a rise
    assert in_us.spans[0].drift.value == pytest.approx(1.8 * springs.spans[0].drift.value)


def test_a_rate_is_per_thousand_miles(springs, in_us):
    ours, theirs = in_us.rate("1000 km").estimated, springs.rate("1000 km").estimated
    assert ours.value == pytest.approx(1.8 * 1.609344 * theirs.value)
    assert ours.budget[0].standard_uncertainty == pytest.approx(1.8 * 1.609344 * theirs.budget[0].standard_uncertainty)
    assert estimated_in(theirs, US, "s", per_distance=True).value == pytest.approx(1.609344 * theirs.value)


def test_the_page_in_us_units_has_no_metric_figure(in_us):
    ledger = str(SPRINGS / "ledger.csv")
    parts = [history.answer(in_us), history.services(in_us), history.spans(in_us), history.rates(in_us),
             history.conditions(in_us), history.again(in_us, ledger, item="", today="2026-04-01")]  # fmt: skip
    said = " ".join(text_of(part) for part in parts)
    assert not re.search(r"°C|\bkm\b|(?<=[\d\[ ])K\b", said)
    assert "odometer [miles]" in said
    assert "°F per 1,000 miles" in said
    drawing = history.states(replace(in_us, axis="odometer"))
    words = " ".join((re.sub(r"<[^>]+>", " ", drawing.html), drawing.description, *drawing.columns))
    assert "69,780 miles" in words  # 112,300 km
    assert not re.search(r"°C|\bkm\b|\[K\]|\d K\b", words)


@pytest.fixture(scope="module")
def hostile_page(tmp_path_factory) -> Path:
    """A page of two services in which every text tries to be markup, and so do the folders' names."""
    home = tmp_path_factory.mktemp("years")
    folders = []
    for year in YEARS[:2]:
        folder = Path(shutil.copytree(SPRINGS / year, home / f"{year} <img src=x onerror=alert(1)> {{y}}"))
        yaml = YAML()
        settings = yaml.load(folder / "experiment.yaml")
        settings["title"] = settings["question"] = settings["service"]["what"] = HOSTILE
        settings["vehicle"]["description"] = HOSTILE
        yaml.dump(settings, folder / "experiment.yaml")
        folders.append(str(folder))
    out = home / "history.html"
    assert main(["history", *folders, "--out", str(out), "--quiet"]) == 0
    assert sorted(p.name for p in home.iterdir()) == sorted([*(Path(f).name for f in folders), "history.html"])
    return out


def test_hostile_text_makes_no_element(hostile_page):
    read = Read(hostile_page.read_text(encoding="utf-8"))
    assert not read.all("img")
    assert not [a for _, a in read.elements if any(name.startswith("on") for name in a)]
    assert read.text.count(HOSTILE) == 3  # the vehicle, and what was done twice
    assert "<img src=x onerror=alert(1)> {y}" in read.text


def test_the_page_is_one_file_without_paths(hostile_page):
    html = hostile_page.read_text(encoding="utf-8")
    assert str(hostile_page.parent) not in html
    assert len(html.encode()) < 8_000_000


def test_a_refusal_leaves_the_earlier_page(tmp_path, capsys):
    out = tmp_path / "history.html"
    out.write_text("earlier", encoding="utf-8")
    assert main(["history", str(SPRINGS / "2024"), "--out", str(out), "--quiet"]) == 2
    assert "two experiments or more" in capsys.readouterr().err
    assert contents(tmp_path) == {"history.html": b"earlier"}


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["-p", "levl=0.9"], "level, season_sd, ledger, item, today"),
        (["-p", "folders=x"], "pullbook history DIR"),
        (["-p", "level=2"], "level: given 2.0"),
        (["--out", "page.txt"], "ends in .html"),
        (["--out", "nowhere/page.html"], "not a file"),
    ],
)
def test_wrong_options_are_refused(tmp_path, monkeypatch, capsys, options, said):
    monkeypatch.chdir(tmp_path)
    assert main(["history", str(SPRINGS), "--quiet", *options]) == 2
    assert said in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_another_outcome_is_told_in_its_own_unit_and_digits(tmp_path):
    """A share without a unit, for which higher is better, and whose changes are hundredths."""
    for year in YEARS:
        folder = Path(shutil.copytree(SPRINGS / year, tmp_path / year))
        settings = (folder / "experiment.yaml").read_text(encoding="utf-8")
        settings = settings.replace("outcome: peak_rise", "outcome: effectiveness").replace(
            "change: 2.0", "change: 0.02"
        )
        (folder / "experiment.yaml").write_text(settings, encoding="utf-8")
    found = read_history(experiment_folders(str(tmp_path)))
    html = history.answer(found).html
    assert "it got worse: it fell by" in html  # what fell is the worse here
    assert f"it fell by {-found.rate('1000 km').estimated.value:.4f} per 1,000 km" in html
    assert f">{found.services[0].change:+.3f}</td>" in history.services(found).html
    assert found.spans[0].share_lost.value > 0
