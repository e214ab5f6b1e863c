"""What the figure of an event draws, kept between calls: the draws behind it take the longest."""

from __future__ import annotations

import hashlib
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.event import Event
from crashsense.reporting import event_channels, event_figure
from crashsense.reporting.event_channels import Reading
from crashsense.reporting.event_figure import EventMotion, event_motion, required_times
from crashsense.synthesis.nominal_cache import Kept, kept_numbers
from crashsense.synthesis.recipe import Recipe

#: Fields that follow from the event itself, or are taken apart.
_NOT_KEPT = ("title", "required", "readings")

_SPREAD = "_spread"


def kept_motion(recipe: Recipe, event: Event, *, draws: int) -> EventMotion:
    """Return :func:`~crashsense.reporting.event_figure.event_motion`, computed once.

    It is kept in the folder of the nominal signals, under everything that it depends on: the
    recipe, the code, the event and the number of draws.
    """
    origin = event.requirements["front_airbag_stage_1"].origin_s
    about = f"motion {event.name} {draws} {origin!r} {_code()}"
    texts, arrays = kept_numbers(
        recipe, about=about, make=lambda: _packed(event_motion(recipe, event, draws=draws))
    )
    motion = _unpacked(texts, arrays)
    return replace(motion, title=event.title, required=required_times(event.requirements))


def _code() -> str:
    """Checksum of the modules above synthesis that make the numbers."""
    files = (event_channels.__file__, event_figure.__file__, __file__)
    return hashlib.sha256(b"".join(Path(file).read_bytes() for file in files)).hexdigest()


def _packed(motion: EventMotion) -> Kept:
    """Texts, numbers and None of a motion and its readings, and their arrays, by name."""
    texts: dict[str, Any] = {"": len(motion.readings)}
    arrays: dict[str, FloatArray] = {}
    parts: list[EventMotion | Reading] = [motion, *motion.readings]
    for number, part in enumerate(parts):
        for field in fields(part):
            value, name = getattr(part, field.name), f"{number} {field.name}"
            if isinstance(value, np.ndarray):
                arrays[name] = value
            elif field.name.endswith(_SPREAD) and value is not None:
                arrays[name] = np.stack(value)
            elif field.name not in _NOT_KEPT:
                texts[name] = value
    return texts, arrays


def _unpacked(texts: dict[str, Any], arrays: dict[str, FloatArray]) -> EventMotion:
    def part(number: int) -> dict[str, Any]:
        start = f"{number} "
        found = {
            name.removeprefix(start): value
            for name, value in (*texts.items(), *arrays.items())
            if name.startswith(start)
        }
        return {
            name: tuple(value) if name.endswith(_SPREAD) and value is not None else value
            for name, value in found.items()
        }

    readings = [Reading(**part(number)) for number in range(1, texts[""] + 1)]
    return EventMotion(title="", required=(), readings=readings, **part(0))
