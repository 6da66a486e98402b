"""Runs with something wrong in them: each with the words, the line, the column and the hint that a user gets."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from run_texts import FORMAT, SWEEP, TWO_STATIONS, lay_run
from sonargrid.errors import InputFaults
from sonargrid.runs.run_files import load_run


@dataclass(frozen=True)
class Case:
    """One malformed run and what must be said of it (parts of the message and of the hint)."""

    name: str
    message: str
    hint: str = ""
    line: int | None = None
    column: str | None = None
    toml: str | bytes | None = None
    readings: str | bytes = SWEEP
    file: str = ""  # which file of a folder; the CSV by default where there is no run.toml


def csv(name: str, readings: str | bytes, message: str, hint: str, line: int | None, column: str | None = None) -> Case:
    return Case(name, message, hint, line, column, None, readings)


def toml(name: str, text: str | bytes, message: str, hint: str, line: int | None, column: str | None = None) -> Case:
    return Case(name, message, hint, line, column, text, SWEEP, "run.toml")


def keyed(name: str, text: str, message: str, hint: str, column: str) -> Case:
    """A fault in the third line of a run.toml: format, a table's header, the key."""
    return toml(name, FORMAT + text, message, hint, 3, column)


def station(name: str, text: str, message: str, hint: str, line: int | None, column: str) -> Case:
    """A fault in a [[station]] that stands after two marks, from line 11 on."""
    marks = '[[mark]]\nname = "P"\nx_m = 0\ny_m = 0\n[[mark]]\nname = "Q"\nx_m = 1\ny_m = 0\n\n'
    return toml(name, FORMAT + marks + "[[station]]\n" + text, message, hint, line, column)


PLACE = "x_m = 0\ny_m = 0\nheading_deg = 90\n"
TAPES = 'name = "A"\nfrom = {P = 0.6, Q = 0.8}\nside = "left"\nfacing = "Q"\n'
HEAD = "angle_deg,range_cm\n"

CASES = [
    # the header of the CSV
    csv("empty file", "", "the file is empty", "header row", None),
    csv("only blank lines", "\n \n\n", "the file is empty", "header row", None),
    csv("header only", HEAD, "no reading at all", "one reading a line", None),
    csv("no header", "10,50\n20,51\n", "no angle column", "must name the columns", 1),
    csv("no angle column", "range_cm\n50\n", "no angle column among: 'range_cm'", "name one column angle_deg", 1),
    csv("no distance column", "angle_deg\n50\n", "no distance column", "echo_us, range_m", 1),
    csv("distance misspelt", "angle_deg,rangecm\n1,2\n", "no distance column", "did you mean range_cm", 1),
    csv("upper case", "Angle_Deg,range_cm\n1,2\n", "no angle column", "did you mean angle_deg", 1),
    csv("two distances", "angle_deg,range_cm,range_m\n1,2,3\n", "2 distance columns", "exactly one", 1, "range_cm"),
    csv("two angles", "angle_deg,pulse_us,range_m\n1,2,3\n", "2 angle columns", "exactly one", 1, "pulse_us"),
    csv("doubled header", "angle_deg,range_cm,angle_deg\n1,2,3\n", "2 columns have this name", "once", 1, "angle_deg"),
    csv("semicolons", "angle_deg;range_cm\n10;50\n", "no angle column", "separated by commas", 1),
    csv("tabs", "angle_deg\trange_cm\n10\t50\n", "no angle column", "separated by commas", 1),
    csv("a part of a pose", "angle_deg,range_m,x_m,y_m\n1,2,3,4\n", "only a part of a pose", "heading_deg", 1, "x_m"),
    csv(
        "station and pose",
        "station,angle_deg,range_m,x_m,y_m,heading_deg\nA,1,2,3,4,5\n",
        "both `station` and a pose",
        "parked robots need station",
        1,
        "station",
    ),
    # bytes
    csv("utf-16", "angle_deg,range_cm\n10,50\n".encode("utf-16"), "UTF-16", "save the file as UTF-8", None),
    csv("latin-1", b"angle_deg,range_cm,note\n10,50,ok\n20,50,m\xfcde\n", "byte 0xfc", "as UTF-8", 3),
    csv("a NUL byte", b"angle_deg,range_cm\n10,50\n20,\x0050\n", "NUL byte", "as UTF-8", 3),
    csv("a long line", HEAD + "10,50\n" + "1" * 70_000 + ",5\n", "more than 64000 bytes", "one reading a line", 3),
    # rows
    csv("too few cells", HEAD + "10,50\n20\n", "1 cell, but the header has 2", "cut off", 3),
    csv("too many cells", HEAD + "10,50\n20,50,x\n", "3 cells, but the header has 2", "no comma stands after", 3),
    csv("trailing comma", HEAD + "10,50\n20,51,\n", "3 cells", "no comma stands after the last", 3),
    csv("decimal commas", HEAD + "10,50\n20,0,5\n", "3 cells", "write points: 0.5", 3),
    csv("semicolons below", HEAD + "10;50\n", "1 cell", "not by semicolons", 2),
    csv("header again", HEAD + "10,50\n" + HEAD + "20,50\n", "the header row once more", "one file holds one run", 3),
    csv("unclosed quote", HEAD + '10,"50\n20,50\n', "quotes are not closed", 'a quoted cell is "..."', 2),
    csv("quote in a cell", HEAD + '10,50\n20,"5"0\n', "quotes are not closed or stand inside", "doubled", 3),
    csv(
        "blank lines count",
        HEAD + "\n10,50\n\n20,x\n",
        "must be a plain decimal number, got 'x'",
        "1.2e-3",
        5,
        "range_cm",
    ),
    csv("lines in a quoted cell", 'note,angle_deg,range_cm\n"a\nb",10,50\nc,20,x\n', "got 'x'", "0.5", 4, "range_cm"),
    # cells
    csv("a word", HEAD + "ten,50\n", "must be a plain decimal number, got 'ten'", "such as 12", 2, "angle_deg"),
    csv("an underscore", HEAD + "10,5_0\n", "got '5_0'", "such as 12", 2, "range_cm"),
    csv("hexadecimal", HEAD + "10,0x1F\n", "got '0x1F'", "such as 12", 2, "range_cm"),
    csv("other digits", HEAD + "10,\u0665\u0660\n", "must be a plain decimal number", "such as 12", 2, "range_cm"),
    csv("a quoted decimal comma", HEAD + '10,"0,5"\n', "decimals have a point, got '0,5'", "write 0.5", 2, "range_cm"),
    csv("overflow", HEAD + "10,1e400\n", "the number is too large, got '1e400'", "", 2, "range_cm"),
    csv("infinity spelt out", HEAD + "10,infinity\n", "got 'infinity'", "such as 12", 2, "range_cm"),
    csv("minus infinity", HEAD + "10,-inf\n", "must be above 0, got -inf", "an empty cell or inf", 2, "range_cm"),
    csv("a unit in the cell", HEAD + "10,50cm\n", "got '50cm'", "such as 12", 2, "range_cm"),
    csv("a hard space", HEAD + "10,50\u00a0\n", "must be a plain decimal number", "such as 12", 2, "range_cm"),
    csv("no angle", HEAD + "10,50\n,51\n", "the cell is empty", "every reading needs one", 3, "angle_deg"),
    csv("angle nan", HEAD + "nan,50\n", "must be a plain decimal number, got 'nan'", "such as 12", 2, "angle_deg"),
    csv("angle too large", HEAD + "10,50\n181,50\n", "between 0 and 180 degrees, got 181", "ring of", 3, "angle_deg"),
    csv("angle negative", HEAD + "-1,50\n", "between 0 and 180 degrees, got -1", "90 (ahead)", 2, "angle_deg"),
    csv("bearing too large", "bearing_deg,range_m\n361,1\n", "between -360 and 360 degrees", "", 2, "bearing_deg"),
    csv("pulse too short", "pulse_us,range_m\n399,1\n", "between 400 and 2600 us, got 399", "", 2, "pulse_us"),
    csv(
        "distance zero",
        HEAD + "10,0\n",
        "must be above 0, got 0",
        "under [ranger] in run.toml: no_echo_at = [0]",
        2,
        "range_cm",
    ),
    csv("distance negative", HEAD + "10,-1\n", "must be above 0, got -1", "no_echo_at = [-1]", 2, "range_cm"),
    csv("sweep not whole", "sweep,angle_deg,range_m\n0.5,1,1\n", "must be a whole number, got 0.5", "", 2, "sweep"),
    csv("sweep empty", "sweep,angle_deg,range_m\n,1,1\n", "the cell is empty", "every reading", 2, "sweep"),
    csv(
        "turning unknown",
        "turning,angle_deg,range_m\nleft,1,1\n",
        "must be up or down, got 'left'",
        "empty",
        2,
        "turning",
    ),
    csv("time a word", "time_s,angle_deg,range_m\nnoon,1,1\n", "got 'noon'", "such as 12", 2, "time_s"),
    csv("pose too far", "angle_deg,range_m,x_m,y_m,heading_deg\n1,1,1e9,0,0\n", "got 1e9", "", 2, "x_m"),
    csv("only nan", HEAD + "10,nan\n20,nan\n", "not one measurement: 2 readings are nan", "in the unit", None),
    csv("wrong unit", "angle_deg,range_cm\n10,0.5\n20,0.7\n", "2 lie inside the blind zone", "in the unit", None),
    csv(
        "unknown station in a bare file",
        "station,angle_deg,range_m\nA,1,1\nB,2,1\nB,3,1\n",
        "unknown station 'B' (2 readings name it)",
        "add a [[station]]",
        3,
        "station",
    ),
    Case(
        "unknown station",
        "unknown station 'b'",
        "did you mean B?",
        2,
        "station",
        TWO_STATIONS,
        "station,angle_deg,range_m\nb,1,1\n",
        "readings.csv",
    ),
    Case(
        "no station column",
        "no column `station`, but the run has 2: A, B",
        "name of each row's station",
        None,
        "station",
        TWO_STATIONS,
        SWEEP,
        "readings.csv",
    ),
    Case(
        "an empty station cell",
        "the cell is empty, and the run has several stations",
        "known: A, B",
        3,
        "station",
        TWO_STATIONS,
        "station,angle_deg,range_m\nA,1,1\n,2,1\n",
        "readings.csv",
    ),
    # run.toml: the text
    toml("no TOML", 'format "sonargrid-run/1"\n', "not TOML", "key = value", 1),
    toml("a key twice", FORMAT + "title = 'a'\ntitle = 'b'\n", "cannot overwrite", "given once", 3, "title"),
    toml("a table twice", FORMAT + "[air]\n[head]\n[air]\n", "cannot declare air twice", "given once", 4, "air"),
    toml("a bare decimal", FORMAT + "[ranger]\nreach_m = .5\n", "invalid value", "not .5", 3, "ranger.reach_m"),
    toml("an open list", FORMAT + "[ranger]\nno_echo_at = [0,\nreach_m = 3\n", "not TOML", "key = value", None),
    toml("run.toml latin-1", FORMAT.encode() + b'title = "B\xe4nk"\n', "byte 0xe4", "as UTF-8", 2),
    toml("run.toml too large", FORMAT + "#" * 1_000_001, "at most 1000000", "belong into readings.csv", None),
    # run.toml: the keys
    toml("no format", "title = 'a'\n", "the key is missing", 'format = "sonargrid-run/1"', None, "format"),
    toml("another format", 'format = "sonargrid-run/2"\n', "got 'sonargrid-run/2'", "write format", 1, "format"),
    keyed("unknown key", "[ranger]\nreach = 3\n", "unknown key 'reach'", "did you mean reach_m?", "ranger.reach"),
    keyed("key elsewhere", "[head]\nreach_m = 3\n", "unknown key", "belongs under [ranger]", "head.reach_m"),
    toml("key at the top", FORMAT + "reach_m = 3\n", "unknown key", "belongs under [ranger]", 2, "reach_m"),
    toml("unknown table", FORMAT + "[rangers]\nreach_m = 3\n", "unknown key 'rangers'", "mean ranger?", 2, "rangers"),
    keyed(
        "a number as text",
        '[ranger]\nreach_m = "3"\n',
        "must be a number, got the text '3'",
        "quotes",
        "ranger.reach_m",
    ),
    keyed("a truth value", "[ranger]\nreach_m = true\n", "must be a number", "", "ranger.reach_m"),
    keyed(
        "TOML underscore", "[head]\npulse_centre_us = 1_500\n", "plain decimals", "write 1500", "head.pulse_centre_us"
    ),
    keyed("TOML hexadecimal", "[head]\npulse_centre_us = 0x5DC\n", "got 0x5DC", "write 1500", "head.pulse_centre_us"),
    keyed("TOML inf", "[ranger]\nreach_m = inf\n", "finite number, got inf", "", "ranger.reach_m"),
    keyed("TOML overflow", "[ranger]\nreach_m = 1e400\n", "finite number, got 1e400", "", "ranger.reach_m"),
    keyed(
        "half beam zero", "[ranger]\nhalf_beam_deg = 0\n", "above 0 and at most 90, got 0", "", "ranger.half_beam_deg"
    ),
    keyed("half beam large", "[ranger]\nhalf_beam_deg = 91\n", "at most 90, got 91", "", "ranger.half_beam_deg"),
    keyed("reach large", "[ranger]\nreach_m = 101\n", "at most 100, got 101", "metres", "ranger.reach_m"),
    keyed("reach blind", "[ranger]\nreach_m = 0.03\n", "above blind_zone_m", "hear", "ranger.reach_m"),
    keyed("scale zero", "[ranger]\nrange_scale = 0\n", "above 0", "", "ranger.range_scale"),
    keyed("divisor per inch", "[ranger]\nus_per_cm = 148\n", "at most 100, got 148", "per inch", "ranger.us_per_cm"),
    keyed("no_echo_at a number", "[ranger]\nno_echo_at = 0\n", "list of numbers", "[0, 999]", "ranger.no_echo_at"),
    keyed(
        "table not rising",
        "[ranger]\nhalf_beam_table = [[1, 20], [0.4, 28]]\n",
        "must rise",
        "[[0.4",
        "ranger.half_beam_table",
    ),
    keyed(
        "table of numbers",
        "[ranger]\nhalf_beam_table = [1, 20]\n",
        "rows, got [1, 20]",
        "[[0.4",
        "ranger.half_beam_table",
    ),
    keyed("pulse scale zero", "[head]\npulse_us_per_deg = 0\n", "must not be zero", "11.1111", "head.pulse_us_per_deg"),
    keyed("turns unknown", '[head]\nturns = "left"\n', "'ccw' or 'cw', got 'left'", "", "head.turns"),
    keyed("sigma negative", "[head]\nangle_sigma_deg = -1\n", "at least 0", "", "head.angle_sigma_deg"),
    keyed("air too hot", "[air]\ntemperature_c = 293\n", "at most 60, got 293", "", "air.temperature_c"),
    toml(
        "time without zone",
        FORMAT + "recorded_at = 2026-05-04T10:30:00\n",
        "has no time zone",
        "Z or an",
        2,
        "recorded_at",
    ),
    toml(
        "only a date", FORMAT + "recorded_at = 2026-05-04\n", "date and time of RFC 3339", "10:30:00Z", 2, "recorded_at"
    ),
    toml("title a number", FORMAT + "title = 3\n", "must be a text, got 3", 'write title = "3"', 2, "title"),
    toml("a table as key", FORMAT + "air = 20\n", "must be one table, got 20", "write [air]", 2, "air"),
    toml(
        "two speeds",
        FORMAT + "[ranger]\nus_per_cm = 58\nassumed_sound_speed_m_s = 340\n",
        "together",
        "keep one",
        None,
        "ranger.us_per_cm",
    ),
    toml("calibration missing", FORMAT + '[calibration]\nfile = "no.toml"\n', "cannot be found", "name right", None),
    # stations, marks, targets
    toml(
        "one bracket", FORMAT + '[station]\nname = "A"\n', "list of tables, got one table", "[[station]]", 2, "station"
    ),
    station("no name", PLACE, "the key is missing", "", 11, "station.1.name"),
    station(
        "no heading",
        'name = "A"\nx_m = 0\ny_m = 0\n',
        "the key is missing",
        "x_m, y_m, heading_deg",
        11,
        "station.A.heading_deg",
    ),
    station("name a number", "name = 1\n" + PLACE, "must be a text, got 1", 'name = "1"', 12, "station.1.name"),
    station("name empty", 'name = ""\n' + PLACE, "1 to 64 characters, got 0", "", 12, "station.1.name"),
    station("name long", f'name = "{"x" * 65}"\n' + PLACE, "1 to 64 characters, got 65", "", 12, "station.1.name"),
    station("name with a bell", 'name = "a\\u0007"\n' + PLACE, "control characters", "", 12, "station.1.name"),
    station(
        "name with a blank", 'name = "A "\n' + PLACE, "begin or end with a blank", 'write "A"', 12, "station.1.name"
    ),
    station("x and from", TAPES + "x_m = 0\n", "given together with `from`", "not both", 16, "station.A.x_m"),
    station("one tape", TAPES.replace(", Q = 0.8", ""), "two tape distances", "write from", 13, "station.A.from"),
    station(
        "unknown mark",
        TAPES.replace("P =", "R ="),
        "no mark of the name 'R'",
        "known marks: P, Q",
        13,
        "station.A.from",
    ),
    station("no side", TAPES.replace('side = "left"\n', ""), "got nothing", 'side = "left"', None, "station.A.side"),
    station(
        "facing nobody",
        TAPES.replace('facing = "Q"', 'facing = "Z"'),
        "no mark of the name 'Z'",
        "P, Q",
        15,
        "station.A.facing",
    ),
    station(
        "tapes too short",
        TAPES.replace("0.6", "0.1"),
        "cannot both hold: the marks are 1 m apart",
        "measure again",
        13,
        "station.A.from",
    ),
    station("a flat crossing", TAPES.replace("0.6", "0.201"), "cross at only", "farther apart", 13, "station.A.from"),
    station(
        "side without from",
        'name = "A"\nside = "left"\n' + PLACE,
        "goes with `from`",
        "leave it out",
        13,
        "station.A.side",
    ),
    station(
        "twice",
        'name = "A"\n' + PLACE + '[[station]]\nname = "A"\n' + PLACE,
        "a second station",
        "own name",
        17,
        "station.A.name",
    ),
    station(
        "unknown key in a station",
        'name = "A"\nheading = 3\n' + PLACE,
        "unknown key",
        "heading_deg",
        13,
        "station.A.heading",
    ),
    toml("target of no kind", FORMAT + "[[target]]\nx_m = 0\n", "got nothing", 'kind = "post"', None, "target.1.kind"),
    toml(
        "target of another kind",
        FORMAT + '[[target]]\nkind = "box"\n',
        "got 'box'",
        'kind = "post"',
        3,
        "target.1.kind",
    ),
    toml(
        "post without size",
        FORMAT + '[[target]]\nkind = "post"\nx_m = 0\ny_m = 0\n',
        "missing",
        "diameter_m",
        2,
        "target.1.diameter_m",
    ),
    toml(
        "corner with size",
        FORMAT + '[[target]]\nkind = "corner"\nx_m = 0\ny_m = 0\ndiameter_m = 1\n',
        "has no",
        "x_m, y_m",
        6,
        "target.1.diameter_m",
    ),
]


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_a_malformed_run_is_told(case: Case, tmp_path: Path) -> None:
    path = lay_run(tmp_path, case.toml, case.readings)
    with pytest.raises(InputFaults) as caught:
        load_run(path)
    fault = next((f for f in caught.value.faults if case.message in f.message), None)
    told = "\n".join(f"{f} | {f.hint}" for f in caught.value.faults)
    assert fault is not None, told
    assert case.hint in fault.hint and fault.hint, told
    assert (fault.line, fault.column) == (case.line, case.column), told
    if case.name != "calibration missing":
        assert fault.file == str(path / case.file if case.toml is not None else path)
    assert caught.value.exit_code == 1


def test_names_are_unique() -> None:
    names = [case.name for case in CASES]
    assert len(set(names)) == len(names) >= 60
