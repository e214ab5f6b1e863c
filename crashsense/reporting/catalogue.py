"""The catalogue page: every event of the library as a small multiple on the same axes.

Central x against time (inverse hyperbolic sine scale, so that a kerb and a wall share an axis) and
free-flight travel of an unbelted occupant. Inline SVG, nothing to load, readable in print.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
import numpy.typing as npt

from crashsense.event import FAMILIES
from crashsense.occupant import FREE_TRAVEL_M
from crashsense.resources import CAUTION
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe import Recipe
from crashsense.units import STANDARD_GRAVITY

FloatArray = npt.NDArray[np.float64]

#: Axes shared by all panels: time [s], acceleration [g], travel [mm].
TIME_S = (-0.05, 0.30)
LARGEST_G = 150.0
LARGEST_MM = 300.0
#: Acceleration [g] below which the scale is nearly linear.
KNEE_G = 2.0
GRADUATION_G = (-100, -30, -10, -3, 0, 3, 10, 30, 100)

WIDTH, HEIGHT = 208, 112
#: Buckets of time of which the lowest and highest value are drawn.
BUCKETS = 80

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
    """One panel: what is drawn of a recipe.

    ``times_s``, ``central_x`` [m/s^2], ``travel_m`` share their shape (samples,); ``central_x`` is
    None where the location is quiet or absent.
    """

    name: str
    title: str
    family: str
    matrix: str
    times_s: FloatArray
    central_x: FloatArray | None
    travel_m: FloatArray
    expectation: str


def catalogue_entry(recipe: Recipe) -> CatalogueEntry:
    """Synthesise the nominal draw of a recipe and take what its panel needs."""
    synthesis = recipe.synthesise([0], seed=0)
    size = next(iter(synthesis.signals.values())).shape[-1]
    times = synthesis.start_s + np.arange(size) / synthesis.rate_hz
    x = synthesis.signals.get("central_x")
    travel = np.zeros(size)
    if synthesis.cabin_x is not None:
        origin = _origin(recipe, synthesis)
        flight = np.where(times >= origin, -synthesis.cabin_x[0], 0.0)
        step = 1.0 / synthesis.rate_hz
        speed = cumulative_trapezoid(flight, step_s=step)
        travel = cumulative_trapezoid(speed, step_s=step)
    return CatalogueEntry(
        name=recipe.name,
        title=recipe.title,
        family=recipe.family,
        matrix=recipe.matrix,
        times_s=np.asarray(times),
        central_x=None if x is None else x[0],
        travel_m=travel,
        expectation=_told(recipe),
    )


def _told(recipe: Recipe) -> str:
    """The tag: fire if any restraint must, else what the front bag must; by belts if they differ.

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


def _across(times: FloatArray) -> FloatArray:
    share = (times - TIME_S[0]) / (TIME_S[1] - TIME_S[0])
    return np.asarray(share * WIDTH)


def _height_of_g(values: FloatArray) -> FloatArray:
    scaled = np.arcsinh(np.clip(values, -LARGEST_G, LARGEST_G) / KNEE_G)
    return np.asarray(0.5 * HEIGHT * (1.0 - scaled / np.arcsinh(LARGEST_G / KNEE_G)))


def _height_of_mm(values: FloatArray) -> FloatArray:
    share = np.clip(values, 0.0, LARGEST_MM) / LARGEST_MM
    return np.asarray(HEIGHT * (1.0 - share))


def _extremes(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest value of each bucket of time, in the order in which they come."""
    inside = (times >= TIME_S[0]) & (times <= TIME_S[1])
    times, values = times[inside], values[inside]
    if times.size <= 2 * BUCKETS:
        return times, values
    parts = np.array_split(np.arange(times.size), BUCKETS)
    chosen: list[int] = []
    for part in parts:
        pair = {int(part[values[part].argmin()]), int(part[values[part].argmax()])}
        chosen.extend(sorted(pair))
    return times[chosen], values[chosen]


def _points(x: FloatArray, y: FloatArray) -> str:
    drawn = [f"{a:.0f},{b:.1f}" for a, b in zip(x, y, strict=True)]
    return " ".join(p for k, p in enumerate(drawn) if k == 0 or p != drawn[k - 1])


def panel(entry: CatalogueEntry) -> str:
    """One panel as inline SVG."""
    lines = []
    zero = _across(np.zeros(1))[0]
    lines.append(f'<line class="zero" x1="{zero:.0f}" y1="0" x2="{zero:.0f}" y2="{HEIGHT}"/>')
    middle = HEIGHT / 2
    lines.append(f'<line class="zero" x1="0" y1="{middle:.0f}" x2="{WIDTH}" y2="{middle:.0f}"/>')
    limit = _height_of_mm(np.array([1e3 * FREE_TRAVEL_M]))[0]
    lines.append(f'<line class="limit" x1="0" y1="{limit:.1f}" x2="{WIDTH}" y2="{limit:.1f}"/>')
    inside = (entry.times_s >= TIME_S[0]) & (entry.times_s <= TIME_S[1])
    every = max(1, int(inside.sum()) // 50)
    times, travel = entry.times_s[inside][::every], 1e3 * entry.travel_m[inside][::every]
    if travel.max(initial=0.0) > 0.5:
        drawn = _points(_across(times), _height_of_mm(travel))
        lines.append(f'<polyline class="travel" points="{drawn}"/>')
    if entry.central_x is not None:
        times, values = _extremes(entry.times_s, entry.central_x / STANDARD_GRAVITY)
        drawn = _points(_across(times), _height_of_g(values))
        lines.append(f'<polyline class="x" points="{drawn}"/>')
    label = escape(f"{entry.title}: central x and free-flight travel against time", quote=True)
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">'
        + "".join(lines)
        + "</svg>"
    )


def _caption(entry: CatalogueEntry) -> str:
    parts = []
    if entry.central_x is None:
        parts.append("central x quiet")
    else:
        low, high = entry.central_x.min(), entry.central_x.max()
        peak = (high if high > -low else low) / STANDARD_GRAVITY
        parts.append(f"peak {peak:.1f} g")
    reached = np.flatnonzero(entry.travel_m >= FREE_TRAVEL_M)
    if reached.size:
        parts.append(f"127 mm at {1e3 * entry.times_s[reached[0]]:.0f} ms")
    else:
        parts.append(f"travel {1e3 * max(0.0, float(entry.travel_m.max())):.0f} mm")
    if entry.times_s[-1] > TIME_S[1] + 0.01:
        parts.append(f"runs on to {entry.times_s[-1]:.2g} s")
    return ", ".join(parts)


def _key() -> str:
    """The axes, drawn once: all panels share them."""
    marks = []
    for value in GRADUATION_G:
        y = _height_of_g(np.array([float(value)]))[0]
        marks.append(f'<text x="-4" y="{y + 3:.1f}" text-anchor="end">{value}</text>')
        marks.append(f'<line class="zero" x1="0" y1="{y:.1f}" x2="{WIDTH}" y2="{y:.1f}"/>')
    for value in (0, 100, 127, 200, 300):
        y = _height_of_mm(np.array([float(value)]))[0]
        marks.append(f'<text x="{WIDTH + 4}" y="{y + 3:.1f}">{value}</text>')
    for time in (0.0, 0.1, 0.2, 0.3):
        x = _across(np.array([time]))[0]
        marks.append(
            f'<text x="{x:.0f}" y="{HEIGHT + 12}" text-anchor="middle">{1e3 * time:.0f}</text>'
        )
        marks.append(f'<line class="zero" x1="{x:.0f}" y1="0" x2="{x:.0f}" y2="{HEIGHT}"/>')
    marks.append(f'<text x="{WIDTH / 2}" y="{HEIGHT + 24}" text-anchor="middle">time, ms</text>')
    marks.append('<text x="-4" y="-8" text-anchor="end">central x, g</text>')
    marks.append(f'<text x="{WIDTH - 20}" y="-8">travel, mm</text>')
    return (
        f'<svg class="key" viewBox="-70 -22 {WIDTH + 130} {HEIGHT + 52}" role="img" '
        f'aria-label="Axes of all panels">{"".join(marks)}</svg>'
    )


STYLE = """
body{font:14px/1.4 system-ui,sans-serif;margin:1.5rem;color:#111;background:#fff}
.caution{border:2px solid #111;padding:.5rem .8rem;font-weight:600}
.grid{display:grid;grid-template-columns:repeat(auto-fill,minmax(208px,1fr));gap:.9rem}
figure{margin:0;break-inside:avoid}svg{width:100%;border:1px solid #bbb;background:#fff}
svg.key{max-width:430px;border:0}svg.key text{font:9px sans-serif}
figcaption{font-size:11px}figcaption b{font-size:12px}
.x{fill:none;stroke:#00429d;stroke-width:1}
.travel{fill:none;stroke:#b35900;stroke-width:1.6;stroke-dasharray:5 3}
.zero{stroke:#ccc;stroke-width:.6}.limit{stroke:#b35900;stroke-width:.5;stroke-dasharray:1 3}
.tag{border:1px solid #555;border-radius:3px;padding:0 .25em}
"""


def catalogue_page(entries: Sequence[CatalogueEntry], *, notes: Sequence[str] = ()) -> str:
    """The page as HTML text; entries come out by family, then in the given order.

    *notes*: paragraphs under the introduction.
    """
    counts = {family: sum(e.family == family for e in entries) for family in FAMILIES}
    told = ", ".join(f"{TITLES[f].lower()} {n}" for f, n in counts.items() if n)
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width,initial-scale=1">',
        "<title>Catalogue of events</title>",
        f"<style>{STYLE}</style></head><body>",
        "<h1>Catalogue of events</h1>",
        f'<p class="caution">{escape(CAUTION)}</p>',
        f"<p>{len(entries)} recipes: {told}. One fictional car; synthetic signals. Nominal draw of",
        "each. <b>Solid</b>: central x as the structure feels it, before any sensor (inverse",
        "hyperbolic sine scale). <b>Dashed</b>: free-flight travel of an unbelted occupant from",
        "first contact (kerb, then wall: from the wall); dotted line at 127 mm. All panels share",
        f"the axes; travel ends at {LARGEST_MM:.0f} mm. Where the cabin moves forward, no travel",
        "is drawn.</p>",
        *(f"<p>{escape(note)}</p>" for note in notes),
        _key(),
    ]
    for family in FAMILIES:
        chosen = [entry for entry in entries if entry.family == family]
        if not chosen:
            continue
        parts.append(f'<h2>{TITLES[family]} ({len(chosen)})</h2><div class="grid">')
        for entry in chosen:
            row = f"{entry.matrix} " if entry.matrix else ""
            parts.append(
                f"<figure>{panel(entry)}<figcaption><b>{escape(entry.name)}</b> "
                f'<span class="tag">{row}{escape(entry.expectation)}</span><br>'
                f"{escape(entry.title)}<br>{_caption(entry)}</figcaption></figure>"
            )
        parts.append("</div>")
    parts.append("</body></html>")
    return "\n".join(parts) + "\n"


def catalogue_entries(recipes: Iterable[Recipe]) -> list[CatalogueEntry]:
    """Panels of all *recipes*, in their order."""
    return [catalogue_entry(recipe) for recipe in recipes]
