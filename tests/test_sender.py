"""The controller's program: compiled against stub headers, run on the host, its output read as a run."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from sonargrid.runs.run_files import load_run
from sonargrid.runs.sender import SenderPlan, sender_program
from sonargrid_cli.main import main

STUB = r"""
#include <cstdio>
#define HIGH 1
#define LOW 0
#define OUTPUT 1
#define INPUT 0
static double now_us = 0; static long pulse_us = 1500, longest = 0, shortest = 9999; static int servo_high = 0;
void pinMode(int, int) {}
void digitalWrite(int pin, int level) { if (pin == 9) servo_high = level; }
void delayMicroseconds(unsigned int us) {
  now_us += us;
  if (!servo_high) return;
  pulse_us = us;
  if (pulse_us > longest) longest = pulse_us;
  if (pulse_us < shortest) shortest = pulse_us;
}
void delay(unsigned long ms) { now_us += 1000.0 * ms; }
unsigned long millis() { return (unsigned long)(now_us / 1000); }
unsigned long pulseIn(int, int, unsigned long wait) {
  unsigned long echo = pulse_us > 2000 ? 0 : 2000 + (pulse_us - 1500);
  now_us += echo ? echo : wait; return echo;
}
struct Port {
  void begin(long) {}
  void print(int v) { std::printf("%d", v); }
  void print(unsigned long v) { std::printf("%lu", v); }
  void print(const char *v) { std::printf("%s", v); }
  void println(const char *v) { std::printf("%s\n", v); }
  void println(double v, int places) { std::printf("%.*f\n", places, v); }
} Serial;
"""
MAIN = 'int main() { setup(); loop(); loop(); std::fprintf(stderr, "%ld %ld", shortest, longest); }\n'
MACHINE = """
import time
state = {"now": 0, "pulse": 1500, "high": 0, "pings": 0}
class Done(Exception): ...
class Pin:
    OUT, IN = 1, 0
    def __init__(self, number, mode, value=0): self.number = number
    def value(self, level):
        if self.number == 9: state["high"] = level
def time_pulse_us(pin, level, wait):
    state["pings"] += 1
    if state["pings"] > 132: raise SystemExit
    echo = -1 if state["pulse"] > 2000 else 500 + state["pulse"]
    state["now"] += echo if echo > 0 else wait
    return echo
def sleep_us(us):
    state["now"] += us
    if state["high"]: state["pulse"] = us
time.sleep_us = sleep_us
time.ticks_ms = lambda: state["now"] // 1000
time.ticks_diff = lambda a, b: a - b
"""


def _check(text: str, folder: Path) -> None:
    (folder / "log.csv").write_text(text)
    run = load_run(folder / "log.csv")
    angle, clock = run.readings.angle, run.readings.time_s
    assert len(run.readings) == 132
    assert (angle.min(), angle.max()) == (10.0, 170.0)
    assert clock is not None and (clock[1:] - clock[:-1]).min() >= 0.06 - 0.0011  # printed to a millisecond
    assert set(run.readings.turning.tolist()) == {1, -1}
    silent = run.readings.distance == float("inf")
    assert (silent == (angle > 135.0)).all()  # the stub hears nothing beyond pulses of 2000 us
    assert main(["import", str(folder / "log.csv"), "-o", str(folder / "run"), "--yes"]) == 0
    assert (load_run(folder / "run").readings.distance == run.readings.distance).all()


def test_the_board_program_compiles_and_its_output_is_a_run(tmp_path: Path) -> None:
    (tmp_path / "stub.h").write_text(STUB)
    (tmp_path / "sender.cpp").write_text(sender_program("board") + MAIN)
    words = ["g++", "-Wall", "-Wextra", "-Werror", "-include", "stub.h", "sender.cpp", "-o", "sender"]
    subprocess.run(words, cwd=tmp_path, check=True)
    done = subprocess.run(["./sender"], cwd=tmp_path, check=True, capture_output=True, text=True)
    shortest, longest = map(int, done.stderr.split())
    assert shortest >= 1500 - 80 * 11.2 and longest <= 1500 + 80 * 11.2  # never beyond the limits
    _check(done.stdout, tmp_path)


def test_the_micropython_program_runs_and_its_output_is_a_run(tmp_path: Path) -> None:
    (tmp_path / "machine.py").write_text(MACHINE)
    (tmp_path / "sender.py").write_text(sender_program("micropython"))
    done = subprocess.run([sys.executable, "sender.py"], cwd=tmp_path, check=True, capture_output=True, text=True)
    _check(done.stdout, tmp_path)


@pytest.mark.parametrize("kind", ["board", "micropython"])
def test_it_says_that_nobody_tried_it(kind: str) -> None:
    text = sender_program(kind)
    assert "Not tried on hardware" in text.splitlines()[0]
    assert not re.search(r"@\w+@", text)


def test_limits_are_checked() -> None:
    for wrong in ({"ping_ms": 50}, {"low_deg": 100}, {"high_deg": 190}, {"us_per_deg": 20.0}, {"step_deg": 0}):
        with pytest.raises(ValueError, match=r"must|at least|would be"):
            SenderPlan(**wrong)


def test_the_command_prints_the_program(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sender", "--for", "board", "--low", "30", "--high", "150"]) == 0
    assert "LOW_DEG = 30;" in capsys.readouterr().out
    assert main(["sender", "--for", "micropython", "--ping-ms", "20"]) == 2
    assert "at least 60 ms" in capsys.readouterr().err
