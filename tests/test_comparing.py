"""Comparing beam models: what is left out, what may be said, files, pictures, and the command."""

from __future__ import annotations

import csv
import io
import json
import math
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from comparing_runs import bay
from mapping_runs import half_circles, with_rows
from sonargrid.comparing.comparison import Comparison, compare_beams, usual_settings
from sonargrid.comparing.contenders import KNOWN, known_models, settings_of
from sonargrid.comparing.findings import against_best, limits, verdict
from sonargrid.comparing.left_out import MOST_FOLDS, PIECES, by_fold, chosen, folds_of, left_out_maps
from sonargrid.comparing.trust import trust_of
from sonargrid.comparing.verdicts import LEAST_NATS, pair_of, pairs_of, student_half_width
from sonargrid.drawing.compare_picture import compare_figure, difference_colours, draw_comparison
from sonargrid.drawing.palette import theme_named
from sonargrid.drawing.trust_picture import draw_trust
from sonargrid.errors import UsageProblem
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.mapping import map_run
from sonargrid.results.compare_files import COLUMNS, compare_csv, compare_told
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run, Station
from sonargrid.runs.run_files import save_run
from sonargrid_cli.main import main

BY_COMPUTER = settings(derandomize=True, deadline=None, max_examples=50)
MODELS = ("centreline", "gaussian", "joint")
Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def found() -> Comparison:
    scene, run = bay(5)
    return compare_beams(run, MODELS, scene)


def _row(count: int) -> Run:
    places = tuple(Station(f"S{k}", 0.3 * k, 0.0, math.pi / 2) for k in range(count))
    return half_circles(stations=places, step_deg=10.0)


def test_student_intervals_are_scipys() -> None:
    rng = np.random.default_rng(3)
    for size in (2, 3, 6, 40):
        values = rng.normal(0.4, 2.0, size)
        low, high = stats.t.interval(0.95, size - 1, loc=values.mean(), scale=stats.sem(values))
        assert student_half_width(values) == pytest.approx(0.5 * (high - low), rel=1e-9)
    # t(9) at 97.5 % is 2.262 in every printed table
    assert student_half_width([0.0, 2.0] * 5) * math.sqrt(10) / np.std([0.0, 2.0] * 5, ddof=1) == pytest.approx(
        2.262, abs=5e-4
    )
    assert math.isnan(student_half_width([1.0]))


@BY_COMPUTER
@given(st.lists(st.tuples(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0)), min_size=0, max_size=9))
def test_a_pair_is_the_same_from_both_sides(values: list[tuple[float, float]]) -> None:
    scores = {"a": [a for a, _ in values], "b": [b for _, b in values]}
    one, other = pair_of("a", "b", scores), pair_of("b", "a", scores)
    assert one.tie == other.tie
    assert one.difference == pytest.approx(other.difference)
    assert one.difference >= 0.0
    if not one.tie:
        assert one.better == other.better
        assert one.difference - one.half_width > 0.0
        assert one.difference >= LEAST_NATS
        assert one.folds >= 4


@pytest.mark.parametrize(
    ("gaps", "reason"),
    [
        ([1.0, 1.1, 0.9], "fewer than 4 left out"),
        ([2.0, -1.0, 1.5, 0.2], "interval across 0"),
        ([0.2, 0.21, 0.2, 0.19], "below 0.3 nats per ping"),
        ([1.0, 1.1, 0.9, 1.0], ""),
    ],
)
def test_the_three_rules_of_a_tie(gaps: list[float], reason: str) -> None:
    pair = pair_of("a", "b", {"a": gaps, "b": [0.0] * len(gaps)})
    assert pair.reason == reason
    assert pair.as_dict()["verdict"] == ("tie" if reason else "a")


def test_each_tie_is_told_with_its_own_reason(found: Comparison) -> None:
    gaps = {
        "a": [1.0, 1.1, 0.9, 1.0],
        "b": [0.9, 1.0, 0.8, 0.9],
        "c": [1.5, -1.0, 1.5, 0.5],
        "d": [0.0, 0.1, -0.1, 0.0],
    }
    trials = tuple(replace(found.trials[0], name=name, scores=np.array(s)) for name, s in gaps.items())
    folds = replace(found.folds, names=("A", "B", "C", "D"))
    told = verdict(replace(found, trials=trials, pairs=pairs_of(gaps), folds=folds))
    assert told.startswith("a foretells this run better than d. ")
    assert "a and b tie: less than 0.3 nats per ping apart" in told
    assert "a and c tie: the left-out stations differ too much" in told


def test_whole_stations_are_left_out() -> None:
    _, run = bay(4)
    folds = folds_of(run, calibrated(run))
    assert (folds.unit, folds.names, folds.warnings) == ("station", ("A", "B", "C", "D"), ())
    assert np.array_equal(folds.of_ping, run.readings.station)


def test_a_long_way_is_left_out_in_pieces() -> None:
    run = _row(MOST_FOLDS + 3)
    folds = folds_of(run, calibrated(run))
    assert folds.unit == "piece"
    assert len(folds) == PIECES
    assert "15 stations" in folds.warnings[0]
    # neighbours go together, every station whole
    assert np.all(np.diff(folds.of_ping[np.argsort(run.readings.station, kind="stable")]) >= 0)


def test_one_station_leaves_out_every_other_sweep_and_says_what_that_means() -> None:
    run = half_circles(sweeps=4)
    rows = replace(run.readings, sweep=np.repeat(np.arange(4), len(run.readings) // 4))
    run = replace(run, readings=rows)
    folds = folds_of(run, calibrated(run))
    assert folds.names == ("even sweeps", "odd sweeps")
    assert np.array_equal(folds.of_ping, rows.sweep % 2)
    assert "one station" in folds.warnings[0]
    split, fold = by_fold(calibrated(run), folds)
    assert len(split.rays) == 2 * len(calibrated(run).rays)
    assert np.array_equal(fold[split.ray], folds.of_ping)
    compared = compare_beams(run, ["cone", "joint"])
    assert all(pair.tie for pair in compared.pairs)
    assert "4 stations are the least" in verdict(compared)
    assert "spot" in limits(compared)[0]


def test_one_sweep_has_no_score_and_still_a_comparison() -> None:
    run = half_circles()
    compared = compare_beams(run, ["cone", "gaussian"])
    assert len(compared.folds) == 0
    assert math.isnan(compared.trials[0].mean)
    assert "no score" in compared.warnings[0]
    assert "by eye" in verdict(compared)
    assert limits(compared) == ()
    assert draw_comparison(compared)[1:4] == b"PNG"
    told = compare_told(compared, {})
    assert told["pairs"] == []
    assert told["models"][0]["nats_per_ping"] is None


@pytest.mark.parametrize("beam", ["centreline", "gaussian", "tapered"])
def test_a_station_subtracted_is_the_map_without_it(beam: str) -> None:
    _, run = bay(4)
    pings = calibrated(run)
    folds = folds_of(run, pings)
    frame = map_run(run, MapSettings(beam=beam, cell_m=0.05)).grid.frame
    own = MapSettings(beam=beam, cell_m=0.05, extent_m=frame.extent_m)
    for fold, left in enumerate(left_out_maps(run, pings, folds, frame, own)):
        rows = with_rows(run, run.readings.station != fold)
        # bit for bit: sums of the additive solver are exact
        assert np.array_equal(left, map_run(rows, own).grid.log_odds)


def test_the_joint_solver_is_asked_again_without_the_station() -> None:
    _, run = bay(4)
    pings = calibrated(run)
    frame = map_run(run, MapSettings(cell_m=0.04)).grid.frame
    own = MapSettings(solver="joint", cell_m=0.04, extent_m=frame.extent_m)
    first = next(left_out_maps(run, pings, folds_of(run, pings), frame, own))
    rows = with_rows(run, run.readings.station != 0)
    assert np.array_equal(first, map_run(rows, own).grid.log_odds)


def test_chosen_readings_keep_what_they_say() -> None:
    _, run = bay(4)
    pings = calibrated(run)
    keep = np.arange(len(pings)) % 3 == 1
    some = chosen(pings, keep)
    assert np.array_equal(some.range_m, pings.range_m[keep])
    assert np.array_equal(some.bearing_rad, pings.bearing_rad[keep])
    assert np.array_equal(some.station, pings.station[keep])
    assert np.unique(some.ray).size == len(some.rays)


def test_the_order_of_the_models_does_not_matter(found: Comparison) -> None:
    _, run = bay(5)
    other = compare_beams(run, MODELS[::-1])
    for trial in found.trials:
        same = next(one for one in other.trials if one.name == trial.name)
        assert np.array_equal(trial.scores, same.scores)
    assert [trial.name for trial in found.ranked] == [trial.name for trial in other.ranked]


def test_a_comparison_names_models_and_pairs(found: Comparison) -> None:
    assert [trial.name for trial in found.trials] == list(MODELS)
    assert len(found.pairs) == 3
    assert found.pair("joint", "centreline") == found.pair("centreline", "joint")
    with pytest.raises(KeyError, match="no pair of joint and cone"):
        found.pair("joint", "cone")
    assert all(trial.map.grid.frame == found.trials[0].map.grid.frame for trial in found.trials)
    assert found.ranked[0].name in verdict(found)
    assert against_best(found, found.ranked[0].name) == "best"
    assert {against_best(found, trial.name) for trial in found.ranked[1:]} <= {"tie", "worse"}


def test_the_truth_gives_what_score_gives(found: Comparison) -> None:
    from sonargrid.scores.scoring import score

    scene, _ = bay(5)
    for trial in found.trials:
        assert trial.truth == score(trial.map, scene).grid
    assert found.things is not None
    assert found.things.things == 2


@pytest.mark.parametrize(
    ("beams", "words"),
    [
        (["gausian", "cone"], "unknown beam model or solver 'gausian'; known: centreline, .*joint"),
        (["cone", "cone"], "cone is named twice"),
        (["cone"], "name two models or more"),
        ([], "name two models or more"),
    ],
)
def test_what_cannot_be_compared(beams: list[str], words: str) -> None:
    with pytest.raises(UsageProblem, match=words):
        compare_beams(bay(4)[1], beams)


def test_measured_takes_part_where_there_is_a_table() -> None:
    _, run = bay(4)
    assert "measured" not in known_models(run)
    with_table = replace(run, ranger=replace(run.ranger, half_beam_table=((0.4, 0.5), (1.0, 0.4))))
    assert "measured" in known_models(with_table)


def test_the_joint_solver_may_hear_with_other_beams() -> None:
    compared = compare_beams(bay(4)[1], ["joint", "joint:cone"])
    assert [trial.map.method for trial in compared.trials] == ["joint solver", "cone beam, joint solver"]
    assert not np.array_equal(compared.trials[0].scores, compared.trials[1].scores)
    assert settings_of("soft", MapSettings()) == settings_of("joint", MapSettings())
    assert all(settings_of(name, MapSettings()).named() for name in KNOWN)


def test_too_many_readings_are_compared_on_larger_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sonargrid.comparing.comparison.MOST_ENTRIES", 20_000)
    compared = compare_beams(bay(4)[1], ["cone", "gaussian"])
    assert compared.trials[0].map.grid.cell_m > usual_settings(bay(4)[1]).cell_m
    assert any("too much time" in words for words in compared.warnings)


def test_counted_in_full_a_map_claims_more(found: Comparison) -> None:
    scene, _ = bay(5)
    trust = {one.name: one for one in trust_of(found, scene)}
    gaussian = trust["gaussian"]
    assert max(b.claimed for b in gaussian.full) > max(b.claimed for b in gaussian.weighed)
    assert sum(b.count for b in gaussian.full) == sum(b.count for b in gaussian.weighed)
    assert gaussian.prior == pytest.approx(gaussian.true_share)
    assert trust["joint"].prior == pytest.approx(float(found.trials[2].map.grid.meta["prior"]))
    assert json.dumps(gaussian.as_dict())
    with pytest.raises(ValueError, match="no model to draw"):
        draw_trust((), "nothing")


def test_the_table_as_csv(found: Comparison) -> None:
    text = compare_csv(found)
    assert text.count("\r\n") == 4
    rows = list(csv.DictReader(io.StringIO(text)))
    assert tuple(rows[0]) == COLUMNS
    assert [row["model"] for row in rows] == [trial.name for trial in found.ranked]
    assert rows[0]["verdict"] == "best"
    assert rows[0]["behind_best"] == ""
    assert float(rows[1]["behind_best"]) >= 0.0
    assert float(rows[0]["nats_per_ping"]) == pytest.approx(found.ranked[0].mean, abs=1e-5)


def test_repeats_counted_in_full_make_a_map_too_sure() -> None:
    # the same sweeps ten times over are no news
    scene, run = bay(4)
    often = with_rows(run, np.tile(np.arange(len(run.readings)), 10))
    for one in trust_of(compare_beams(often, ["gaussian", "tapered"]), scene):
        assert one.full_error > 2.0 * one.weighed_error
        sure = [b for b in one.full if b.claimed > 0.9]
        claimed, true = (sum(b.count * value(b) for b in sure) for value in (lambda b: b.claimed, lambda b: b.observed))
        assert claimed > 1.5 * true


def _size(png: bytes) -> tuple[int, int]:
    return struct.unpack(">II", png[16:24])  # PNG specification: width and height open the IHDR chunk


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_picture_holds_all_words(found: Comparison, theme: str) -> None:
    figure = compare_figure(found, theme)
    assert figure.width == 1600
    assert _size(draw_comparison(found, theme)) == (figure.width, figure.height)
    said = [words.text for words in figure.words()]
    for name in MODELS:
        assert said.count(name) == 2
    assert said.count(f"minus {found.ranked[0].name}") == 2
    inside = [0 <= words.x <= figure.width and 0 <= words.y <= figure.height for words in figure.words()]
    assert all(inside)
    with pytest.raises(ValueError, match="unknown theme"):
        compare_figure(found, "dim")


def test_differences_are_page_coloured_where_maps_agree() -> None:
    look = theme_named("light")
    colours = difference_colours(np.array([[-1.0, 0.0, 1.0]]), look)[0]
    assert colours[1].tolist() == [255, 255, 255]
    assert colours[0][2] > colours[0][0]  # blue
    assert colours[2][0] > colours[2][2]  # orange


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.chdir(tmp_path)
    save_run(bay(4)[1], "bay")
    assert main(["compare", "bay", "--beams", "cone,gaussian", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads(Path("bay_compare/compare.json").read_text())
    assert sorted(path.name for path in Path("bay_compare").iterdir()) == ["compare.csv", "compare.json", "compare.png"]
    assert set(told["files"]) == {"compare.csv", "compare.png"}
    assert len(told["models"][0]["left_out"]) == 4
    # the same again into the same folder; another run's folder is left alone
    assert main(["compare", "bay", "--beams", "cone,gaussian"]) == 0
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "cannot say" in out
    save_run(bay(4)[1], "other")
    assert main(["compare", "other", "--beams", "cone,gaussian", "-o", "bay_compare"]) == 1
    assert "holds the comparison of another run" in capsys.readouterr().err


def test_the_command_with_surveyed_targets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.chdir(tmp_path)
    save_run(bay(4)[1], "bay")
    assert main(["compare", "bay", "--against", "bay"]) == 1
    assert "target" in capsys.readouterr().err
    with open("bay/run.toml", "a", encoding="utf-8") as file:
        file.write('\n[[target]]\nkind = "post"\nx_m = 0.9\ny_m = 1.4\ndiameter_m = 0.1\n')
    assert main(["compare", "bay", "--beams", "cone,gaussian", "--against", "bay", "--trust"]) == 0
    said = capsys.readouterr().out
    assert "Against the truth" in said
    assert "every ping in full" in said
    assert max(len(line) for line in said.splitlines()) <= 80
    assert _size(Path("bay_compare/trust.png").read_bytes())[0] == 1600


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--sample", "two_flowerpots", "--trust"], 2, "--trust needs the truth"),
        (["--sample", "two_flowerpots", "--beams", "cone,gausian"], 2, "did you mean 'gaussian'"),
        (["--sample", "two_flowerpots", "--beams", "cone"], 2, "two models or more"),
        (["--sample", "two_flowerpots", "--beams", "cone,measured"], 1, "needs a calibrated beam"),
        (["--sample", "two_flowerpots", "--theme", "dim"], 2, "unknown theme"),
        (["--sample", "two_flowerpots", "--cell", "50m"], 2, "a cell of 50 m is larger than the map"),
        (["nowhere"], 1, "no such run"),
        (["--sample", "two_flowerpots", "--against", "nowhere.toml"], 1, "nowhere.toml"),
    ],
)
def test_the_command_refuses(
    words: list[str], code: int, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["compare", *words]) == code
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_floor_that_nobody_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.chdir(tmp_path)
    save_run(bay(4)[1], "bay")
    assert main(["compare", "bay", "--beams", "cone,gaussian", "--extent=10,10,11,11"]) == 0
    assert "tie" in capsys.readouterr().out
    assert _size(Path("bay_compare/compare.png").read_bytes())[0] == 1600


def test_pairs_are_told_once() -> None:
    scores = {name: np.arange(5.0) + k for k, name in enumerate("abc")}
    assert {frozenset((p.better, p.worse)) for p in pairs_of(scores)} == {
        frozenset("ab"),
        frozenset("ac"),
        frozenset("bc"),
    }
