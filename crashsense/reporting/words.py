"""Words, marks and anchors that the parts of the page share."""

from __future__ import annotations

import re
from typing import Any

#: Verdict -> the mark beside its word.
MARKS = {
    "on_time": "●",
    "held": "○",
    "late": "▲",
    "missed": "✕",
    "early": "◀",
    "inadvertent": "◆",
    "rule_error": "!",
    "open_fired": "·",
    "open_held": "·",
    "not_evaluated": "?",
    "in_order": "●",
    "not_challenged": "–",
    "alone": "◆",
    "out_of_order": "✕",
    "too_soon": "◀",
    "too_late": "▲",
}

#: Words of the glossary that the page of a run explains.
PAGE_WORDS = (
    "demand",
    "required time",
    "fire time",
    "time margin",
    "demand margin",
    "on_time",
    "late",
    "missed",
    "early",
    "held",
    "inadvertent",
    "order",
    "in_order",
    "alone",
    "out_of_order",
    "too_soon",
    "too_late",
    "open",
    "never challenged",
    "not judged",
    "draw",
    "nominal",
    "separation",
    "c",
    "m",
    "held_by",
    "arming",
    "single-point protection",
    "gating",
    "hidden clipping",
)

RESTRAINT_WORDS = {
    "front_airbag_stage_1": "front bag, stage 1",
    "front_airbag_stage_2": "front bag, stage 2",
    "belt_pretensioner": "belt pretensioner",
    "side_airbag_left": "side bag, left",
    "side_airbag_right": "side bag, right",
    "curtain_left": "curtain, left",
    "curtain_right": "curtain, right",
    "passenger_airbag_stage_1": "passenger bag, stage 1",
    "passenger_airbag_stage_2": "passenger bag, stage 2",
    "passenger_pretensioner": "passenger pretensioner",
    "knee_airbag": "knee bag",
    "second_pretensioner": "second pretensioner",
    "battery_cut_off": "battery cut-off",
}


def restraint_words(restraint: object) -> str:
    """Name of a restraint, or of two in order, on the page.

    >>> restraint_words("curtain_left")
    'curtain, left'
    >>> restraint_words("front_airbag_stage_2_after_stage_1")
    'front bag, stage 2 after stage 1'
    """
    name, after, other = str(restraint).partition("_after_")
    own = RESTRAINT_WORDS.get(name, name)
    if not after:
        return own
    return f"{own} after {RESTRAINT_WORDS.get(other, other.replace('_', ' '))}"


def must_words(expectation: str) -> str:
    """The kind of a requirement, in the column "must".

    >>> must_words("no_fire"), must_words("order")
    ('not fire', 'in order')
    """
    return {"fire": "fire", "order": "in order"}.get(expectation, "not fire")


def slug(text: str) -> str:
    """A name as a page anchor.

    >>> slug("Wall 56 (belted)")
    'wall-56-belted'
    """
    return re.sub(r"[^a-z0-9_]+", "-", text.lower()).strip("-")


def anchor(event: str) -> str:
    """Anchor of an event's section."""
    return f"event-{slug(event)}"


def finite(value: Any) -> float | None:
    """A number, or None for a missing or not-a-number value."""
    return None if value is None or value != value else float(value)


def signed(value: float) -> str:
    """A margin with its sign, two decimals; more where they would show only zeros.

    >>> signed(0.25), signed(-0.004)
    ('+0.25', '−0.004')
    """
    text = f"{value:+.2f}" if abs(value) >= 0.005 or value == 0.0 else f"{value:+.1g}"
    return text.replace("-", "−")


def one_decimal(value: float | None) -> str:
    """A time in ms, empty where there is none.

    >>> one_decimal(-3.04), one_decimal(None)
    ('−3.0', '')
    """
    return "" if finite(value) is None else f"{value:.1f}".replace("-", "−")
