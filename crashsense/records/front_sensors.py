"""Front sensors of a record: which channels they are, and whether they measured what a front does.

They sit where the crash is, and often break in it. One that does not pass stays out, with a
finding: the control unit then has a failed sensor there, and no record is refused for it.
"""

from __future__ import annotations

import numpy as np

from crashsense.records.findings import Finding
from crashsense.records.header import ChannelInfo
from crashsense.records.locations import FRONT_PLACE, place_of
from crashsense.records.motion import Judged, peak_class_60
from crashsense.records.signal_checks import velocity_at

#: Side of a front sensor -> the channel that it becomes.
FRONT_CHANNELS = {"left": "upfront_left_x", "right": "upfront_right_x"}

#: When the front of a car has felt more of a crash than the cell has [s], and by how much at least
#: and at most: it stops first. Out by the factor of g and m/s^2 it lies outside (practice).
_AT_S, _LEAST, _MOST = 0.030, 0.5, 15.0
#: No place of a car that a person survives in is brought to more [m/s]; the front of a car that
#: drives into a wall at 60 km/h stops by 20.
FASTEST_M_S = 60.0
#: Below this a velocity change tells no sign [m/s].
SURE_M_S = 1.0


def front_channels(channels: list[ChannelInfo]) -> dict[str, ChannelInfo]:
    """Return the front sensors among longitudinal channels: name of the event's channel -> channel.

    One a side, the lowest number first; one in the middle has no name in an event.
    """
    found: dict[str, ChannelInfo] = {}
    for channel in sorted(channels, key=lambda c: c.number):
        place = place_of(channel)
        if place.place == FRONT_PLACE and place.side in FRONT_CHANNELS:
            found.setdefault(FRONT_CHANNELS[place.side], channel)
    return found


def against_cell(
    front: Judged, cell: Judged, *, file: str, where: str, cell_name: str
) -> list[Finding]:
    """Check sign and unit of a front sensor by a channel of the cell, in a frontal impact."""
    of_cell = float(velocity_at(cell, np.array([_AT_S]))[0])
    if abs(of_cell) < SURE_M_S:
        return []
    mine = float(velocity_at(front, np.array([_AT_S]))[0])
    told = f"{cell_name} ({of_cell * 3.6:+.1f} km/h)"
    ratio = mine / of_cell
    expected = f"{_LEAST:g} to {_MOST:g} times that of {told}"
    note = ""
    if ratio < 0.0 and abs(mine) > SURE_M_S:
        expected, note = f"the sign of {told}", "sign looks flipped"
    elif ratio < _LEAST or peak_class_60(front) < _LEAST * peak_class_60(cell):
        note = "the front stops first: is it in another unit, or another place?"
    elif ratio > _MOST or abs(mine) > FASTEST_M_S:
        note = "looks like m/s^2 given as g"
    if not note:
        return []
    field = f"{where}: velocity at {_AT_S * 1e3:g} ms"
    seen = f"{mine * 3.6:+.1f} km/h"
    return [Finding("warning", "front sensor", file, field, seen, expected, note)]
