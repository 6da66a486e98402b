"""A program for the robot's controller: sweeps the head and prints ``angle_deg,echo_us,time_s``, in C++ or MicroPython.

Text only; not tried on hardware.  Servo pulses [us], angles [deg], 90 = straight ahead, reach [m].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SMALLEST_PING_MS = 60  # echoes of the ping before must have died away; common practice, no source
SERVO_FRAME_MS = 20
SLOWEST_SOUND_M_S = 320.0  # slower than in any air above -18 degC, so that the wait is never too short


@dataclass(frozen=True, slots=True)
class SenderPlan:
    """Pins and limits of the program.

    low_deg, high_deg, step_deg : the sweep; centre_us, us_per_deg : the servo's pulses
    """

    servo_pin: int = 9
    trigger_pin: int = 7
    echo_pin: int = 8
    low_deg: int = 10
    high_deg: int = 170
    step_deg: int = 5
    ping_ms: int = SMALLEST_PING_MS
    reach_m: float = 3.0
    centre_us: int = 1500
    us_per_deg: float = 11.1111

    def __post_init__(self) -> None:
        if not 0 <= self.low_deg < 90 < self.high_deg <= 180:
            raise ValueError("the limits must lie between 0 and 180 degrees, one on each side of 90")
        if not 1 <= self.step_deg <= 90:
            raise ValueError("the step must lie between 1 and 90 degrees")
        if not SMALLEST_PING_MS <= self.ping_ms <= 10_000:
            raise ValueError(f"a ping takes at least {SMALLEST_PING_MS} ms (and at most 10000), got {self.ping_ms}")
        if not 0.1 <= self.reach_m <= 8.0:
            raise ValueError("the reach must lie between 0.1 and 8 m")
        for angle in (self.low_deg, self.high_deg):
            pulse = self.centre_us + (angle - 90) * self.us_per_deg
            if not (math.isfinite(pulse) and 400 <= pulse <= 2600):
                raise ValueError(f"{angle} degrees would be a pulse of {pulse:.0f} us, outside 400 to 2600")

    @property
    def wait_us(self) -> int:
        """How long an echo is waited for [us]."""
        return math.ceil(2e6 * self.reach_m / SLOWEST_SOUND_M_S)

    @property
    def frames(self) -> int:
        """Servo pulses in a step, 20 ms apart, before the ping: with the wait they fill ping_ms."""
        return math.ceil(self.ping_ms / SERVO_FRAME_MS)


_CAUTION = """Made by sonargrid.  Not tried on hardware: read it before you run it.
Keep fingers, hair and cables clear of the head: it moves as soon as power is on.
Feed the servo from its own supply with a common ground, not from the controller's pin.
A ranger that answers with 5 V needs a divider before the pin of a 3.3 V controller."""

_BOARD = """@CAUTION@

const int SERVO_PIN = @servo_pin@;
const int TRIGGER_PIN = @trigger_pin@;
const int ECHO_PIN = @echo_pin@;
const int LOW_DEG = @low_deg@;    // the head never turns beyond these two
const int HIGH_DEG = @high_deg@;
const int STEP_DEG = @step_deg@;
const int FRAMES = @frames@;      // servo pulses before each ping, 20 ms apart
const unsigned long WAIT_US = @wait_us@;  // no echo after so long = nothing heard

// Hold the head at an angle for some servo pulses.
void holdHead(int angle, int frames) {
  long pulse = @centre_us@ + (long)((angle - 90) * @us_per_deg@);
  for (int i = 0; i < frames; i++) {
    digitalWrite(SERVO_PIN, HIGH);
    delayMicroseconds((unsigned int)pulse);
    digitalWrite(SERVO_PIN, LOW);
    delay(20 - pulse / 1000);
  }
}

// Ping once and print angle, echo time out and back, clock; an empty cell = nothing heard.
void sound(int angle) {
  holdHead(angle, FRAMES);
  digitalWrite(TRIGGER_PIN, HIGH);
  delayMicroseconds(10);
  digitalWrite(TRIGGER_PIN, LOW);
  unsigned long echo = pulseIn(ECHO_PIN, HIGH, WAIT_US);
  Serial.print(angle);
  Serial.print(",");
  if (echo > 0) {
    Serial.print(echo);
  }
  Serial.print(",");
  Serial.println(millis() / 1000.0, 3);
}

void setup() {
  Serial.begin(115200);
  pinMode(SERVO_PIN, OUTPUT);
  pinMode(TRIGGER_PIN, OUTPUT);
  pinMode(ECHO_PIN, INPUT);
  digitalWrite(TRIGGER_PIN, LOW);
  holdHead(90, 100);        // centre: does it look straight ahead?
  holdHead(LOW_DEG, 50);    // prove the travel: right, then left, then back; nothing may catch
  holdHead(HIGH_DEG, 50);
  holdHead(90, 50);
  holdHead(LOW_DEG, 50);
  Serial.println("angle_deg,echo_us,time_s");
}

// One sweep to the left and one back, again and again.
void loop() {
  int angle = LOW_DEG;
  for (; angle <= HIGH_DEG; angle += STEP_DEG) {
    sound(angle);
  }
  for (angle -= STEP_DEG; angle >= LOW_DEG; angle -= STEP_DEG) {
    sound(angle);
  }
}
"""

_MICROPYTHON = """@CAUTION@

import time
from machine import Pin, time_pulse_us

LOW_DEG, HIGH_DEG, STEP_DEG = @low_deg@, @high_deg@, @step_deg@  # the head never turns beyond the first two
FRAMES = @frames@  # servo pulses before each ping, 20 ms apart
WAIT_US = @wait_us@  # no echo after so long = nothing heard
servo = Pin(@servo_pin@, Pin.OUT, value=0)
trigger = Pin(@trigger_pin@, Pin.OUT, value=0)
echo = Pin(@echo_pin@, Pin.IN)


def hold_head(angle, frames):
    # Hold the head at an angle for some servo pulses.
    pulse = @centre_us@ + int((angle - 90) * @us_per_deg@)
    for _ in range(frames):
        servo.value(1)
        time.sleep_us(pulse)
        servo.value(0)
        time.sleep_us(20000 - pulse)


def sound(angle, start):
    # Ping once and print angle, echo time out and back, clock; an empty cell = nothing heard.
    hold_head(angle, FRAMES)
    trigger.value(1)
    time.sleep_us(10)
    trigger.value(0)
    heard = time_pulse_us(echo, 1, WAIT_US)
    clock = time.ticks_diff(time.ticks_ms(), start) / 1000
    print("%d,%s,%.3f" % (angle, heard if heard > 0 else "", clock))


def main():
    hold_head(90, 100)  # centre: does it look straight ahead?
    hold_head(LOW_DEG, 50)  # prove the travel: right, then left, then back; nothing may catch
    hold_head(HIGH_DEG, 50)
    hold_head(90, 50)
    hold_head(LOW_DEG, 50)
    print("angle_deg,echo_us,time_s")
    start = time.ticks_ms()
    angles = list(range(LOW_DEG, HIGH_DEG + 1, STEP_DEG))
    while True:  # one sweep to the left and one back, again and again
        for angle in angles + angles[::-1]:
            sound(angle, start)


main()
"""


def sender_program(kind: str, plan: SenderPlan = SenderPlan()) -> str:
    """Return the text of a program: ``board`` (C++ with setup and loop) or ``micropython``.

    Raises
    ------
    ValueError
        If the kind is unknown.

    Examples
    --------
    >>> "angle_deg,echo_us,time_s" in sender_program("board")
    True
    """
    if kind not in ("board", "micropython"):
        raise ValueError(f"the program is for 'board' or 'micropython', got '{kind}'")
    text, mark = (_BOARD, "// ") if kind == "board" else (_MICROPYTHON, "# ")
    text = text.replace("@CAUTION@", "\n".join(mark + line for line in _CAUTION.splitlines()))
    for name in (
        *("servo_pin", "trigger_pin", "echo_pin", "low_deg", "high_deg", "step_deg"),
        *("frames", "wait_us", "centre_us", "us_per_deg"),
    ):
        text = text.replace(f"@{name}@", str(getattr(plan, name)))
    return text
