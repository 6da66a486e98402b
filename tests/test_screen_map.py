"""Maps on a terminal: what is drawn where, that it fits, and when it is plain."""

from __future__ import annotations

import json
import math
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.drawing.palette import THEMES, rgb
from sonargrid.drawing.pictures import MapContent
from sonargrid.drawing.screen_map import LEFT_COLUMNS, UPPER_HALF, plain_text, screen_map
from sonargrid.drawing.screen_squares import chips_of, settled, squares_of
from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame
from sonargrid.runs.readings import Station
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]


def content(rows: int = 60, columns: int = 80, **more: object) -> MapContent:
    """A floor of 1 cm cells, free but for one dark cell at (0.605, 0.405) m."""
    probability = np.full((rows, columns), 0.2)
    if rows > 40 and columns > 60:
        probability[40, 60] = 0.95
    return MapContent(GridFrame(0.01, (0, 0), rows, columns), probability, **more)  # type: ignore[arg-type]


def post(x_m: float, y_m: float, diameter_m: float = math.nan) -> Object:
    return Object("post", x_m, y_m, 0.01, 0.01, 0.0, 0.5, 0.0, 2, 20, diameter_m=diameter_m)


def wall() -> Object:
    return Object("wall", 0.4, 0.1, 0.01, 0.01, 0.0, 0.5, 0.0, 2, 20, width_m=0.5, heading_rad=0.0)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(1, 300), st.integers(1, 300), st.integers(20, 160), st.integers(3, 60), st.booleans(),
)  # fmt: skip
def test_it_fits_whatever_the_floor_and_the_screen(rows: int, columns: int, wide: int, high: int, plain: bool) -> None:
    lines = screen_map(content(rows, columns, things=(post(0.1, 0.1),)), wide, high, plain=plain)
    body = lines[: next(i for i, line in enumerate(lines) if line[0].text.lstrip().startswith(("+", "└")))]
    assert 1 <= len(body) <= high
    for line in lines[: len(body) + 1]:
        assert len("".join(piece.text for piece in line)) <= wide
    if plain:
        assert plain_text(lines).isascii()
        assert all(piece.front is None and piece.back is None for line in lines for piece in line)


def test_a_square_is_square_and_keeps_the_one_dark_cell() -> None:
    squares = squares_of(content(), 40, 15)
    assert squares.probability.shape == (30, 40) and squares.edge_m == pytest.approx(0.02)
    row, column = np.argwhere(squares.probability > 0.9)[0]
    assert (int(row), int(column)) == (int((0.60 - 0.405) / 0.02), int(0.605 / 0.02))
    assert np.count_nonzero(squares.probability > 0.9) == 1, "the strongest sign, once"


def test_a_mean_is_the_mean_of_its_cells() -> None:
    rng = np.random.default_rng(5)
    frame = GridFrame(0.01, (0, 0), 24, 36)
    chance = rng.uniform(0.3, 0.6, frame.shape)
    squares = squares_of(MapContent(frame, chance), 12, 4)
    slow = [[chance[24 - 3 * r - 3 : 24 - 3 * r, 3 * c : 3 * c + 3].mean() for c in range(12)] for r in range(8)]
    assert squares.probability == pytest.approx(np.array(slow))


def test_floor_without_a_word_is_cut_off() -> None:
    frame = GridFrame(0.01, (-200, -200), 400, 400)
    chance = np.full(frame.shape, 0.5)
    chance[180:260, 180:220] = 0.1
    squares = squares_of(MapContent(frame, chance, stations=(Station("A", 0.3, 0.0),)), 60, 30)
    low_m, right_m = squares.top_m - squares.edge_m * squares.probability.shape[0], squares.left_m + 60 * squares.edge_m
    assert -0.35 < squares.left_m < -0.2 and right_m > 0.3 and squares.top_m < 0.7 and low_m > -0.4


def test_north_is_up_and_numbers_stand_on_their_things() -> None:
    made = content(things=(post(0.1, 0.55), post(0.7, 0.05)), stations=(Station("dock", 0.4, 0.3, math.pi),))
    rows = plain_text(screen_map(made, 48, 15, plain=True)).splitlines()
    first, second = (next(i for i, row in enumerate(rows) if row[LEFT_COLUMNS:].count(n)) for n in "12")
    assert first < second
    column = rows[first][LEFT_COLUMNS:].index("1")
    assert column == int(0.1 / (0.8 / 40))
    assert "<dock" in "\n".join(rows)


def test_colours_are_the_palettes() -> None:
    made = content(things=(post(0.2, 0.3), wall()), stations=(Station("A", 0.5, 0.5, 0.0),))
    lines = screen_map(made, 48, 15, "light")
    pieces = [piece for line in lines[:15] for piece in line]
    look = THEMES["light"]
    chips = {piece.text: piece.back for piece in pieces if UPPER_HALF not in piece.text}
    assert chips["1"] == rgb(look.thing) and chips["2"] == rgb(look.wall) and chips["→A"] == rgb(look.station)
    shown = {colour for piece in pieces for colour in (piece.front, piece.back)}
    assert rgb(look.wall) in shown
    words = plain_text(lines)
    assert "1 m" not in words and "10 cm" in words and "station, facing its arrow" in words and "wall, corner" in words


def test_a_wide_uncertainty_is_a_rim_and_a_moving_robot_a_way() -> None:
    vague = Object("echo", 0.4, 0.3, 0.08, 0.05, 0.0, 0.3, 0.0, 1, 9)
    path = tuple(Station(str(n), 0.1 + 0.01 * n, 0.5) for n in range(20))
    made = content(things=(vague,), stations=path, moving=True)
    squares = squares_of(made, 40, 15)
    row, column = np.nonzero(squares.marks == 3)
    assert row.size and np.ptp(column) * squares.edge_m == pytest.approx(2 * 2.4477 * 0.08, abs=2.1 * squares.edge_m)
    words = plain_text(screen_map(made, 48, 15))
    assert "95 % ellipse" in words and "the robot's way" in words
    assert [chip.text[1:] for chip in chips_of(made, plain=True) if chip.station] == ["start", "end"]


def test_chips_never_share_a_place() -> None:
    crowd = tuple(post(0.4 + 0.001 * n, 0.3) for n in range(15))
    made = content(things=crowd)
    squares = squares_of(made, 40, 15)
    texts = settled(chips_of(made, plain=True), squares)
    assert len({id(chip) for _, chip in texts.values()}) == 15
    assert len(texts) == sum(len(str(n)) for n in range(1, 16))


def test_strange_names_stay_harmless() -> None:
    made = content(stations=(Station("a\x1b[31m\n", 0.4, 0.3), Station("温室の入口です九", 0.2, 0.2)))
    assert (
        "\x1b" not in plain_text(screen_map(made, 48, 15))
        and plain_text(screen_map(made, 48, 15, plain=True)).isascii()
    )
    with pytest.raises(ValueError, match="needs room"):
        squares_of(made, 0, 3)


# the commands


@pytest.fixture
def sweep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    rows = "".join(f"{angle},{'50' if 75 <= angle <= 105 else ''}\n" for angle in range(0, 181, 5))
    (tmp_path / "sweep.csv").write_text("angle_deg,range_cm\n" + rows, encoding="utf-8")
    return "sweep.csv"


def test_map_and_count_show_the_same_floor_in_plain_letters_when_piped(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "--show"]) == 0
    mapped = capsys.readouterr().out
    assert main(["count", sweep, "--show"]) == 0
    counted = capsys.readouterr().out
    drawn = mapped.split("\n\n")[0]
    assert drawn == counted.split("\n\n")[0] and drawn.isascii() and max(map(len, drawn.splitlines())) <= 80
    assert "^A" in drawn and "# occupied" in drawn and "written to" in mapped and "give or take" in counted
    assert main(["map", sweep, "--show", "-q"]) == 0
    assert capsys.readouterr().out == drawn + "\n"


@pytest.mark.parametrize("words", [["map", "--show", "--json"], ["count", "--show", "--csv"]])
def test_one_way_to_say_it(words: list[str], sweep: str, capsys: Capture) -> None:
    assert main([words[0], sweep, *words[1:]]) == 2
    assert "exclude one another" in capsys.readouterr().err


def on_terminal(words: list[str], **variables: str) -> str:
    """Return what a command writes where it believes to have a terminal of 72 columns."""
    ours, theirs = pty.openpty()
    env = {
        **os.environ,
        "TERM": "xterm-256color",
        "COLORTERM": "truecolor",
        "COLUMNS": "72",
        "LINES": "40",
        **variables,
    }
    env["PYTHONIOENCODING"] = "utf-8"
    command = [sys.executable, "-m", "sonargrid_cli", *words]
    process = subprocess.Popen(command, stdout=theirs, stderr=subprocess.PIPE, env=env)
    os.close(theirs)
    said = b""
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:  # the other end is closed: a pseudo-terminal's way to say that it is over
            break
        if not part:
            break
        said += part
    os.close(ours)
    assert process.stderr is not None
    faults = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=120) == 0, faults
    return said.decode("utf-8").replace("\r\n", "\n")


def test_a_colour_screen_gets_half_blocks_unless_no_color_is_set(sweep: str) -> None:
    coloured = on_terminal(["map", sweep, "--show", "-q"])
    assert UPPER_HALF in coloured and "\x1b[38;2;" in coloured
    flat = re.sub(r"\x1b\[[0-9;]*m", "", coloured)
    assert max(map(len, flat.splitlines())) <= 72
    assert re.findall(r"\x1b\[[0-9;]*m", coloured)[-1] == "\x1b[0m", "colours are switched off at the end"
    plain = on_terminal(["map", sweep, "--show", "-q", "--force"], NO_COLOR="1")
    assert plain.isascii() and "\x1b" not in plain
    dumb = on_terminal(["map", sweep, "--show", "-q", "--force"], TERM="dumb")
    assert dumb == plain


def test_the_summary_is_untouched_by_showing(sweep: str) -> None:
    assert main(["map", sweep, "--show", "-q"]) == 0
    assert json.loads(Path("sweep_map/summary.json").read_text("utf-8"))["commands"] == [
        f"sonargrid map {sweep} --show -q"
    ]
