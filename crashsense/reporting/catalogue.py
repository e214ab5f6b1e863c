"""The catalogue: every event of the library, drawn as an atlas.

For each event the channels that the rules of its family read, raw and behind a 400 Hz sensor, their
velocity, their spectrum, the ranges expected of its row of the matrix and what is from memory.
Panels of a class share their scales: a class is a kind of frontal crash at all its speeds, the side
or rear family, or a row of the matrix of rollover, rough road and misuse. Inline SVG, nothing to
load, readable in print.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.event import FAMILIES
from crashsense.occupant import FREE_TRAVEL_M
from crashsense.plotting import BLUE, GREY, INK, VERMILION
from crashsense.reporting.event_channels import Reading, event_readings, third_octaves
from crashsense.reporting.pages import environment
from crashsense.reporting.paths import FINE, Frame, path
from crashsense.reporting.svg import number, ticks
from crashsense.resources import CAUTION
from crashsense.results.views import decimate
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.misuse.levels import Measured, measure_levels
from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe import Recipe

#: Families whose events differ so much that a row of the matrix is a class.
BY_ROW = ("rollover", "rough_road", "misuse")

#: What of a frontal event's name is its kind: up to the first speed, overlap or count.
KIND = re.compile(r"[a-z]+(?:_[a-z]+)*(?:_[0-9]+deg)?")

WIDTH, HEIGHT = 232.0, 132.0
#: Most points of a trace in a panel.
MOST_POINTS = 140

TITLES = {
    "frontal": "Frontal",
    "side": "Side",
    "rear": "Rear",
    "rollover": "Rollover",
    "rough_road": "Rough road",
    "misuse": "Misuse",
}


@dataclass(frozen=True, eq=False)
class CatalogueEntry:
    """What the atlas draws of a recipe: its nominal draw.

    ``times_s`` and ``travel_m`` (free flight of an unbelted occupant; nil where the cabin does not
    slow down) share their shape (samples,). ``levels``: figures of its row beside their ranges.
    """

    name: str
    title: str
    family: str
    matrix: str
    expectation: str
    times_s: FloatArray
    travel_m: FloatArray
    readings: Sequence[Reading]
    levels: Sequence[Measured] = field(default_factory=tuple)
    notes: str = ""

    @property
    def group(self) -> str:
        """The class whose panels share their scales."""
        if self.family == "frontal":
            return f"frontal {kind_of_crash(self.name)}"
        return f"{self.family} {self.matrix}" if self.family in BY_ROW else self.family


def kind_of_crash(name: str) -> str:
    """The kind of a frontal event, by its name.

    >>> [kind_of_crash(name) for name in ("wall_full_8_left_lost", "wall_30deg_48", "odb_40_56")]
    ['wall_full', 'wall_30deg', 'odb']
    """
    found = KIND.match(name)
    return found.group() if found else name


def catalogue_entry(recipe: Recipe) -> CatalogueEntry:
    """Synthesise the nominal draw of a recipe and take what its panels need."""
    with engine.using(engine.requested()):
        synthesis = recipe.synthesise([0], seed=0)
        levels = measure_levels([recipe])
    size = next(iter(synthesis.signals.values())).shape[-1]
    times = synthesis.start_s + np.arange(size) / synthesis.rate_hz
    travel = np.zeros(size)
    if synthesis.cabin_x is not None and recipe.family == "frontal":
        origin = _origin(recipe, synthesis)
        flight = np.where(times >= origin, -synthesis.cabin_x[0], 0.0)
        step = 1.0 / synthesis.rate_hz
        travel = cumulative_trapezoid(cumulative_trapezoid(flight, step_s=step), step_s=step)
    return CatalogueEntry(
        name=recipe.name,
        title=recipe.title,
        family=recipe.family,
        matrix=recipe.matrix,
        expectation=_told(recipe),
        times_s=np.asarray(times),
        travel_m=travel,
        readings=event_readings(recipe, synthesis),
        levels=levels,
        notes=recipe.notes,
    )


def _told(recipe: Recipe) -> str:
    """The tag: fire if any restraint must fire, else what the front bag must do; by belt state.

    ``"fire unbelted, open belted"``.
    """
    words = {}
    for state in sorted(recipe.belts, reverse=True):
        entries = recipe.requirements[state]
        fires = any(entry.expectation == "fire" for entry in entries.values())
        front = entries["front_airbag_stage_1"].expectation.replace("_", " ")
        words[state] = "fire" if fires else front
    if len(set(words.values())) == 1:
        return next(iter(words.values()))
    return ", ".join(f"{word} {state}" for state, word in words.items())


def _origin(recipe: Recipe, synthesis: Synthesis) -> float:
    """The contact from which free flight counts [s]: time zero, or what the recipe names."""
    for entries in recipe.requirements.values():
        fact = entries["front_airbag_stage_1"].origin_fact
        if fact is not None:
            return float(synthesis.facts[fact][0])
    return 0.0


# -- scales of a class --------------------------------------------------------------------------


@dataclass(frozen=True)
class Scales:
    """Ranges that the panels of a class share: time [ms], values by kind, velocity, spectrum."""

    time_ms: tuple[float, float]
    values: Mapping[str, tuple[float, float]]
    velocity: tuple[float, float]
    spectrum: Mapping[str, tuple[float, float]]


#: Decades of a spectrum that are shown below its highest level.
DECADES = 3.0
#: Frequencies of the spectrum [Hz].
SPECTRUM_HZ = (1.0, 4000.0)


def scales_of(entries: Sequence[CatalogueEntry]) -> Scales:
    """The common scales of entries of one class."""
    readings = [reading for entry in entries for reading in entry.readings]
    values: dict[str, tuple[float, float]] = {}
    spectrum: dict[str, tuple[float, float]] = {}
    for kind in dict.fromkeys(reading.kind for reading in readings):
        those = [reading for reading in readings if reading.kind == kind]
        low = min(float(r.raw.min()) for r in those)
        high = max(float(r.raw.max()) for r in those)
        room = 0.05 * max(high - low, 1e-6)
        values[kind] = (low - room, high + room)
        top = max(float(_spectrum(r)[1].max()) for r in those)
        top = float(np.ceil(np.log10(max(top, 1e-9))))
        spectrum[kind] = (top - DECADES, top)
    speeds = [
        v for r in readings if r.velocity is not None for v in (r.velocity.min(), r.velocity.max())
    ]
    low, high = float(min(speeds, default=0.0)), float(max(speeds, default=0.0))
    room = 0.05 * max(high - low, 1e-3)
    times = [float(t) for r in readings for t in (r.times_ms[0], r.times_ms[-1])]
    return Scales((min(times), max(times)), values, (low - room, high + room), spectrum)


def _spectrum(reading: Reading) -> tuple[FloatArray, FloatArray]:
    return third_octaves(reading.raw, rate_hz=reading.rate_hz)


# -- panels -------------------------------------------------------------------------------------


def _panel(
    traces: Sequence[tuple[FloatArray, FloatArray, str, float]],
    *,
    label: str,
    caption: str,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    x_words: str,
    logarithmic: bool = False,
    level: float | None = None,
) -> str:
    """One panel with both axes; logarithmic axes take exponents of ten as ranges."""
    frame = Frame(x_range, y_range, 36.0, 16.0, WIDTH - 42.0, HEIGHT - 42.0)
    right, bottom = frame.left + frame.width, frame.top + frame.height
    out = [
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        f'aria-label="{escape(label, quote=True)}">'
    ]
    marks = ticks(*y_range, most=6)
    if logarithmic:
        marks = [float(k) for k in range(round(y_range[0]), round(y_range[1]) + 1)]
    for value in marks:
        y = frame.y(value)
        words = number(10.0**value) if logarithmic else number(value)
        out.append(f'<path class="g" d="M{frame.left:g} {y:.1f}H{right:g}"/>')
        out.append(f'<text x="{frame.left - 3:g}" y="{y + 3:.1f}" text-anchor="end">{words}</text>')
    across = ticks(*x_range, most=5)
    if logarithmic:
        across = [k for k in (0.0, 1.0, 2.0, 3.0) if x_range[0] <= k <= x_range[1]]
    for value in across:
        x = frame.x(value)
        words = number(10.0**value) if logarithmic else number(value)
        out.append(f'<path class="g" d="M{x:.1f} {frame.top:g}V{bottom:g}"/>')
        out.append(f'<text x="{x:.1f}" y="{bottom + 11:g}" text-anchor="middle">{words}</text>')
    if level is not None and y_range[0] < level < y_range[1]:
        out.append(f'<path class="l" d="M{frame.left:g} {frame.y(level):.1f}H{right:g}"/>')
    for x_values, y_values, colour, width in traces:
        x_thin, y_thin = decimate(x_values, np.clip(y_values, *y_range), most=MOST_POINTS)
        out.append(
            f'<path class="t" transform="scale({1 / FINE:g})" stroke="{colour}" '
            f'stroke-width="{FINE * width:g}" d="{path(x_thin, y_thin, frame=frame)}"/>'
        )
    out.append(f'<text x="2" y="10">{escape(caption)}</text>')
    out.append(f'<text x="{right:g}" y="{HEIGHT - 4:g}" text-anchor="end">{x_words}</text></svg>')
    return "".join(out)


#: Colours of the channels of an event, in order.
COLOURS = (BLUE, VERMILION, INK, GREY)
#: Colour of the true signal behind a sensor's output.
RAW = "#b8b8b8"


def panels(entry: CatalogueEntry, scales: Scales) -> list[str]:
    """Panels of an entry: each reading, velocity, spectrum and, frontal, free-flight travel."""
    out = []
    for place, reading in enumerate(entry.readings):
        colour = COLOURS[place]
        traces = [
            (reading.times_ms, reading.raw, RAW if reading.sensed is not None else colour, 0.8)
        ]
        if reading.sensed is not None:
            traces.append((reading.times_ms, reading.sensed, colour, 1.0))
        out.append(
            _panel(
                traces,
                label=f"{entry.name}: {reading.channel} against time",
                caption=f"{reading.channel} [{reading.unit}]",
                x_range=scales.time_ms,
                y_range=scales.values[reading.kind],
                x_words="ms",
            )
        )
    moving = [(k, r) for k, r in enumerate(entry.readings) if r.velocity is not None]
    if moving:
        out.append(
            _panel(
                [
                    (r.times_ms, r.velocity, COLOURS[k], 1.0)
                    for k, r in moving
                    if r.velocity is not None
                ],
                label=f"{entry.name}: velocity from the accelerations",
                caption="velocity [m/s], colours as channels",
                x_range=scales.time_ms,
                y_range=scales.velocity,
                x_words="ms",
            )
        )
    main = entry.readings[0]
    drawn = []
    for k, reading in enumerate(entry.readings):
        if reading.unit == main.unit:
            centres, levels = _spectrum(reading)
            drawn.append((np.log10(centres), np.log10(np.maximum(levels, 1e-12)), COLOURS[k], 1.0))
    out.append(
        _panel(
            drawn,
            label=f"{entry.name}: spectrum by third octaves",
            caption=f"spectrum, rms a third octave [{main.unit}]",
            x_range=(np.log10(SPECTRUM_HZ[0]), np.log10(SPECTRUM_HZ[1])),
            y_range=_widest(
                [scales.spectrum[r.kind] for r in entry.readings if r.unit == main.unit]
            ),
            x_words="Hz",
            logarithmic=True,
        )
    )
    if entry.travel_m.max(initial=0.0) > 0.0:
        out.append(
            _panel(
                [(1e3 * entry.times_s, 1e3 * entry.travel_m, INK, 1.0)],
                label=f"{entry.name}: free-flight travel of an unbelted occupant",
                caption="free-flight travel [mm], line: 127",
                x_range=scales.time_ms,
                y_range=(0.0, 300.0),
                x_words="ms",
                level=1e3 * FREE_TRAVEL_M,
            )
        )
    return out


def _widest(ranges: Sequence[tuple[float, float]]) -> tuple[float, float]:
    high = max(top for _, top in ranges)
    return high - DECADES, high


def _facts(entry: CatalogueEntry) -> list[str]:
    parts = []
    for reading in entry.readings:
        low, high = float(reading.raw.min()), float(reading.raw.max())
        peak = high if high > -low else low
        parts.append(f"{reading.channel} peak {peak:.3g} {reading.unit}")
    if entry.travel_m.max(initial=0.0) > 0.0:
        reached = np.flatnonzero(entry.travel_m >= FREE_TRAVEL_M)
        parts.append(
            f"127 mm at {1e3 * entry.times_s[reached[0]]:.0f} ms"
            if reached.size
            else f"travel {1e3 * float(entry.travel_m.max()):.0f} mm"
        )
    lines = [", ".join(parts)]
    if entry.levels:
        told = "; ".join(
            f"{m.quantity} {m.value:.3g} {m.unit} "
            f"({m.place} {m.low:.3g} to {m.high:.3g}, {m.basis})"
            for m in entry.levels
        )
        lines.append(f"Beside the ranges of row {entry.matrix}: {told}")
    if entry.notes:
        lines.append(entry.notes)
    return lines


def catalogue_page(entries: Sequence[CatalogueEntry], *, notes: Sequence[str] = ()) -> str:
    """Return the page as HTML text; entries are sorted by family, then in the given order.

    *notes*: paragraphs under the introduction.
    """
    families = []
    for family in FAMILIES:
        chosen = [entry for entry in entries if entry.family == family]
        scales = {
            group: scales_of([e for e in chosen if e.group == group])
            for group in dict.fromkeys(e.group for e in chosen)
        }
        shown = [
            {
                "name": entry.name,
                "title": entry.title,
                "tag": f"{entry.matrix} {entry.expectation}".strip(),
                "panels": panels(entry, scales[entry.group]),
                "facts": _facts(entry),
            }
            for entry in chosen
        ]
        if shown:
            families.append((TITLES[family], shown))
    return (
        environment()
        .get_template("catalogue.html.j2")
        .render(
            caution=CAUTION,
            size=len(entries),
            told=", ".join(f"{title.lower()} {len(shown)}" for title, shown in families),
            notes=notes,
            families=families,
        )
    )


def catalogue_entries(recipes: Iterable[Recipe]) -> list[CatalogueEntry]:
    """Entries of all *recipes*, in their order."""
    return [catalogue_entry(recipe) for recipe in recipes]
