"""Lesson 4: what a filter costs."""

from __future__ import annotations

from math import sqrt

from crashsense.filters.causal import lowpass_delay, lowpass_sections
from crashsense.lessons.form import Exercise, Lesson, Part


def _delay_ms(corner_hz: float) -> float:
    rate = 1e6
    sections = lowpass_sections(kind="bessel", order=3, corner_hz=corner_hz, rate_hz=rate)
    return 1e3 * lowpass_delay(sections, rate_hz=rate)


def _corner_of_class(channel_class: int) -> float:
    """Frequency [Hz] at which the filter of a channel class, run on a sine, leaves 1 / sqrt(2)."""
    import numpy as np
    from scipy.optimize import brentq
    from scipy.signal import sosfreqz

    from crashsense.filters.channel_class import channel_class_sections

    rate = 100_000.0
    sections = channel_class_sections(rate_hz=rate, channel_class=channel_class)

    def beyond(hz: float) -> float:
        _, response = sosfreqz(sections, worN=np.array([hz]), fs=rate)
        return float(np.abs(response[0]) ** 2 - 1.0 / sqrt(2.0))  # two passes

    return float(brentq(beyond, 0.5 * channel_class, 4.0 * channel_class))


LESSON = Lesson(
    number=4,
    name="filters_and_delay",
    title="filters and delay",
    question="What does a quieter signal cost, in milliseconds?",
    parts=(
        Part(
            """
A crash signal rings. A low-pass filter takes the ringing away, and takes time: a filter in a car is
**causal**, it knows the past only, and what it lets through arrives late. Sensors use Bessel filters
because these delay all slow frequencies alike and do not overshoot.

The delay of slow content of a Bessel filter of third order with its -3 dB point at `f` is

`delay = 1.756 / (2 pi f)`,

0.70 ms for 400 Hz. The factor comes from the polynomial of the filter, `s^3 + 6 s^2 + 15 s + 15`,
which has delay 1 and is 3 dB down at 1.756.
""",
            """
from crashsense.filters.causal import lowpass_delay, lowpass_sections

rate_hz = 1e6   # as good as an analogue filter
for corner_hz in (100, 200, 400, 800):
    sections = lowpass_sections(kind="bessel", order=3, corner_hz=corner_hz, rate_hz=rate_hz)
    print(f"{corner_hz:4d} Hz: {1e3 * lowpass_delay(sections, rate_hz=rate_hz):.3f} ms")
""",
        ),
        Part(
            """
Laboratories filter too, with the [[channel class|channel classes]] of SAE J211 and ISO 6487. These
run once forward and once **backward** over a record, so nothing is late; the price is that they look
into the future, which no control unit can. A record filtered to class 60 shows a smooth pulse that
no control unit ever saw at that time. Never tune a rule on such a signal.
""",
            """
import numpy as np
from crashsense.filters.causal import causal_lowpass
from crashsense.filters.channel_class import channel_class_filter
from crashsense.plotting import BLUE, GREY, VERMILION, new_figure, tidy

rate_hz = 10_000.0
times = np.arange(-0.02, 0.06, 1 / rate_hz)
step = np.where(times >= 0, 20.0, 0.0)
sections = lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=rate_hz)
late = causal_lowpass(step, sections=sections)
laboratory = channel_class_filter(step, rate_hz=rate_hz, channel_class=60)
print(f"half of the step: causal {1e3 * times[np.argmax(late >= 10.0)]:.1f} ms, "
      f"class 60 {1e3 * times[np.argmax(laboratory >= 10.0)]:.1f} ms")
print(f"class 60 begins to rise before anything happened: {laboratory[times < -0.0005].max():.1f} g "
      "half a ms before")
figure = new_figure(7.0, 3.6)
axes = figure.subplots()
axes.plot(1e3 * times, step, color=GREY, label="true")
axes.plot(1e3 * times, late, color=BLUE, label="in the car: Bessel, 400 Hz")
axes.plot(1e3 * times, laboratory, color=VERMILION, ls="--", label="laboratory: class 60")
axes.set_xlim(-8, 12)
axes.set_xlabel("time [ms]")
axes.set_ylabel("deceleration [g]")
axes.legend(frameon=False)
tidy(axes)
""",
        ),
        Part(
            """
The filter is one part of the delay. Ahead of it the [[element]] itself lags, by `1 / (Q w)` at low
frequency: with a resonance of many kilohertz that is little beside the filter. Behind it the word
travels over a bus, the control unit reads all words of a tick and computes. All of that together, for
the central sensor of the shipped [[sensor set]]:
""",
            """
from crashsense import load_sensor_set

sensors = load_sensor_set("standard")
part = sensors.sensor("central_x")
own = 1 / (part.quality * 2 * np.pi * part.resonance_hz)
print(f"element alone, {part.resonance_hz / 1e3:.0f} kHz: {1e3 * own:.3f} ms")
print(f"from motion to decision: {1e3 * sensors.delay_s('central_x'):.2f} ms, of which the bus, "
      f"the reading and the task {1e3 * sensors.transport_s('central_x'):.2f} ms")
""",
        ),
    ),
    sources=(
        "Delay 1.756 / (2 pi f): Bessel polynomial of third order, any text on filters; 0.699 ms "
        "at 400 Hz by hand.",
        "Channel classes: SAE J211-1 and ISO 6487, -3 dB at 1.667 times the class, from memory.",
    ),
    exercises=(
        Exercise(
            "What is the delay of a third-order Bessel filter with its -3 dB point at 250 Hz?",
            "ms",
            lambda: _delay_ms(250.0),
            "Delay and corner are inversely proportional.",
        ),
        Exercise(
            "At which frequency is the laboratory filter of class 180 down by 3 dB?",
            "Hz",
            lambda: _corner_of_class(180),
            "The class is not the corner: see the sources for the ratio.",
        ),
    ),
    minutes=25,
    teacher="""
Ten minutes of reading, fifteen for the exercises and the picture. Ask why the laboratory curve
begins to rise before contact, and let the class decide in which direction a rule tuned on it
will disappoint.

0.7 ms looks like little. In a side impact, where the decision is due after about 6 ms, it is more
than a tenth of the time there is.
""",
)
