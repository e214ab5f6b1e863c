"""Lesson 3: noise, resolution, bits."""

from __future__ import annotations

from math import sqrt

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.sensing.catalogue import find_part
from crashsense.units import STANDARD_GRAVITY


def _step_g(range_g: float, bits: int) -> float:
    full = 2 ** (bits - 1) - 1
    part = find_part("central_120g").changed(
        range=range_g * STANDARD_GRAVITY, bits=bits, code_limit=full, failed_code=full + 1
    )
    return part.step / STANDARD_GRAVITY


LESSON = Lesson(
    number=3,
    name="noise_and_codes",
    title="noise, resolution, bits",
    question="What is the smallest acceleration that the control unit can see?",
    parts=(
        Part(
            """
The control unit does not receive an acceleration. It receives a whole number, the [[code]], a few
thousand times a second. A word of 10 bits has codes from -512 to 511. If all of them are used for
the [[range]] of +/-120 g, one code is worth

`step = range / (2^(bits - 1) - 1) = 120 g / 511 = 0.23 g`.

A real word keeps some codes back: to say that the sensor has failed, or is starting up. The parts
of the library use 480 of the 511 codes for data, so one code is worth a little more.
""",
            """
from crashsense.sensing.catalogue import find_part
from crashsense.units import STANDARD_GRAVITY

part = find_part("central_120g")
all_codes = part.changed(code_limit=511, failed_code=512)
print(f"all codes for data      {all_codes.step / STANDARD_GRAVITY:.3f} g a code")
print(f"{part.code_limit} codes for data      {part.step / STANDARD_GRAVITY:.3f} g a code")
""",
        ),
        Part(
            """
Rounding to codes adds an error of up to half a code either way. If the signal moves over many codes
the error is spread evenly, and its root mean square is `step / sqrt(12)`.

The other limit is noise. It is stated as a density, in g for each root of a hertz, because what
arrives depends on how much bandwidth is let through: `rms = density x sqrt(bandwidth)`. Two things
make it: gas molecules that hit the proof mass of the [[element]], `sqrt(4 kB T w / (m Q))`, and the
amplifier. White noise that has passed the whole band up to half the sampling rate:
""",
            """
from math import sqrt
from crashsense.sensing import mechanics
from crashsense.sensing.chain import noise_deviation

rounding = part.step / sqrt(12)
noise = noise_deviation(part, rate_hz=part.sample_rate_hz)
gas = mechanics.noise_density(mass=12e-9, resonance_hz=16_000, quality=1.2)
print(f"rounding to codes       {1e3 * rounding / STANDARD_GRAVITY:6.1f} mg rms")
print(f"noise of the part       {1e3 * noise / STANDARD_GRAVITY:6.1f} mg rms over "
      f"{part.sample_rate_hz / 2:.0f} Hz")
print(f"gas on a mass of 12 ug  {1e6 * gas / STANDARD_GRAVITY:6.1f} ug for each root hertz")
""",
        ),
        Part(
            """
So with ten bits the codes, not the noise, are the limit of a wide part: noise far below a code is
hardly seen. Is that bad? A crash rule adds up hundreds of samples; errors that change their sign
average out. What does not average out is an offset of half a code that stays: integrated over
100 ms, half a code of 0.25 g is a velocity error of 0.12 m/s.
""",
            """
import numpy as np
from crashsense.plotting import BLUE, VERMILION, new_figure, tidy
from crashsense.sensing.chain import quantise

times = np.arange(0, 0.05, 1 / part.sample_rate_hz)
true = 1.5 * STANDARD_GRAVITY * np.sin(2 * np.pi * 25 * times)
figure = new_figure(7.0, 3.6)
axes = figure.subplots()
axes.plot(1e3 * times, true / STANDARD_GRAVITY, color=BLUE, label="true")
codes, _ = quantise(true[None, :], step=part.step, limit=part.code_limit)
axes.step(1e3 * times, codes[0] * part.step / STANDARD_GRAVITY, where="post", color=VERMILION,
          label=f"received, {part.bits} bits")
axes.set_xlabel("time [ms]")
axes.set_ylabel("acceleration [g]")
axes.legend(frameon=False)
tidy(axes)
""",
        ),
    ),
    sources=(
        "One code: 120 g / 511 = 0.235 g, by hand.",
        "Rounding error step / sqrt(12): the standard deviation of an even spread, any text on "
        "digital signals.",
        "Noise of the gas: Gabrielson, IEEE Trans. Electron Devices 40(5), 1993 (from memory).",
        "Codes kept back in a word: as in an open sensor bus specification, from memory.",
    ),
    exercises=(
        Exercise(
            "A part of +/-25 g has a 10-bit word of which all 511 positive codes are data. How "
            "much is one code?",
            "g",
            lambda: _step_g(25.0, 10),
            "Full scale over the number of positive codes.",
        ),
        Exercise(
            "A part of +/-120 g has a 12-bit word of which all positive codes are data. What "
            "is the root mean square of its rounding error?",
            "mg",
            lambda: 1e3 * _step_g(120.0, 12) / sqrt(12.0),
            "First the value of a code, with 2^11 - 1 positive codes; then divide by the root of "
            "12.",
        ),
    ),
    minutes=25,
    teacher="""
Ten minutes of reading, fifteen for the exercises and the experiment: let students change `bits` and
the amplitude of the sine in the script, down to half a code, and say what the control unit sees.

A common mistake is to divide the whole span, 240 g, by 511, or the range by 1024.
""",
)
