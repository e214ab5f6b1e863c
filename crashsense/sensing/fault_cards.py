"""Faults that a sensor file may add to a part: names, units, defaults, examples.

Names in files carry their unit; :data:`FILE_NAMES` ties them to the fields of the faults.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields

from crashsense.errors import unknown_name
from crashsense.sensing.faults import FAULT_KINDS

#: Field of a fault -> (name in a file, SI value of one file unit); ``{u}`` and None: unit of the
#: sensor's kind. Fields that are not listed have the same name and unit in a file.
FILE_NAMES: Mapping[str, tuple[str, float | None]] = {
    "step": ("step_{u}", None),
    "level": ("level_{u}", None),
    "from_s": ("from_ms", 1e-3),
    "until_s": ("until_ms", 1e-3),
    "closing_speed_m_s": ("closing_speed_kmh", 1 / 3.6),
}

#: Stage of the chain -> in words.
STAGES = {
    "input": "the motion that the sensor feels",
    "front_end": "the electrical reading, before saturation and filter",
    "word": "the codes on the way to the control unit",
}


@dataclass(frozen=True)
class FaultParameter:
    """A parameter of a fault in a file: its meaning and a value for the example."""

    text: str
    unit: str
    example: str
    default: str = ""


_FROM = FaultParameter("when it begins, from time zero", "ms", "0.0")
_ALWAYS = FaultParameter(_FROM.text, "ms", "0.0", "always")
_UNTIL = FaultParameter("when it ends, from time zero", "ms", "20.0")

#: Kind -> (what happens, field -> parameter).
FAULT_CARDS: Mapping[str, tuple[str, Mapping[str, FaultParameter]]] = {
    "stuck_value": (
        "the code stays constant",
        {
            "from_s": _ALWAYS,
            "code": FaultParameter("constant code", "-", "12", "the last code before the fault"),
        },
    ),
    "offset_step": (
        "the reading moves by a step",
        {
            "step": FaultParameter("size of the step", "unit of the sensor", "5.0"),
            "from_s": _FROM,
        },
    ),
    "broken_wire": ("no data arrives; the channel is flagged as failed", {"from_s": _FROM}),
    "swapped_polarity": (
        "the sensor is mounted or wired the wrong way round",
        {"from_s": _ALWAYS},
    ),
    "swapped_channel": (
        "the sensor feels what another channel should feel: plugs exchanged",
        {
            "partner": FaultParameter("the other channel", "-", '"central_y"'),
            "from_s": _ALWAYS,
        },
    ),
    "wrong_gain": (
        "the reading, offset included, is a multiple of what it should be",
        {"factor": FaultParameter("that multiple", "-", "0.5"), "from_s": _ALWAYS},
    ),
    "late_word": (
        "codes arrive late by whole periods: the control unit reads older ones",
        {"words": FaultParameter("number of periods", "-", "1"), "from_s": _ALWAYS},
    ),
    "loose_mounting": (
        "the sensor rides on a loose bracket, a resonance between structure and sensor",
        {
            "resonance_hz": FaultParameter(
                "resonance, below a quarter of the internal rate", "Hz", "180.0"
            ),
            "quality": FaultParameter("quality factor", "-", "8.0"),
        },
    ),
    "noise_burst": (
        "white noise between two times",
        {
            "level": FaultParameter("standard deviation", "unit of the sensor", "10.0"),
            "from_s": _FROM,
            "until_s": _UNTIL,
        },
    ),
    "lost_frames": (
        "every code between two times is lost",
        {"from_s": _FROM, "until_s": FaultParameter(_UNTIL.text, "ms", "5.0")},
    ),
    "destroyed_at_crush": (
        "the sensor is crushed once the front has been pushed in far enough; then no data arrives",
        {
            "crush_m": FaultParameter("crush that destroys it", "m", "0.3"),
            "closing_speed_m_s": FaultParameter(
                "speed at contact; crush is the travel of the cabin from then on", "km/h", "56.0"
            ),
        },
    ),
}


def fault_file_names(kind: str, *, unit: str) -> dict[str, tuple[str, float | None]]:
    """Field of the fault -> (name in a file, SI value of one file unit or None: the sensor's own).

    *unit* is the sensor's unit in names (``g``, ``kpa``, ``deg_s``).

    >>> fault_file_names("lost_frames", unit="g")["until_s"]
    ('until_ms', 0.001)
    """
    if kind not in FAULT_KINDS:
        raise unknown_name("fault", kind, FAULT_KINDS)
    names = {}
    for item in fields(FAULT_KINDS[kind]):
        name, factor = FILE_NAMES.get(item.name, (item.name, 1.0))
        names[item.name] = (name.replace("{u}", unit), factor)
    return names


def fault_example(kind: str, *, part: str = "my_central", unit: str = "g") -> str:
    """The lines of a sensor file that add the fault to a part."""
    names = fault_file_names(kind, unit=unit)
    lines = [f"[[parts.{part}.faults]]", f'kind = "{kind}"']
    lines += [f"{names[field][0]} = {p.example}" for field, p in FAULT_CARDS[kind][1].items()]
    return "\n".join(lines) + "\n"


def fault_lines(kind: str) -> list[str]:
    """The card of a fault: what happens, parameters with unit and default, an example."""
    names = fault_file_names(kind, unit="g")
    told, parameters = FAULT_CARDS[kind]
    known = {item.name: item for item in fields(FAULT_KINDS[kind])}
    lines = [f"{kind}: {told}", f"  acts on {STAGES[FAULT_KINDS[kind].stage]}"]
    for field, parameter in parameters.items():
        name, factor = names[field]
        default = known[field].default
        if default is MISSING:
            shown = "required"
        else:
            value = parameter.default or f"{default / (factor or 1.0):g}"
            shown = f"default {value}"
        lines.append(f"  {name:<18} {f'[{parameter.unit}]':<21} {shown}: {parameter.text}")
        if factor is None:
            others = " or ".join(name[:-1] + other for other in ("kpa", "deg_s"))
            lines.append(f"  {'':<18} {'':<21} ({others} for another kind of sensor)")
    lines += ["  example:", *(f"    {line}" for line in fault_example(kind).splitlines())]
    return lines
