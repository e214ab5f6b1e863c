"""Where a channel sits, and which channels may stand in for the central sensor.

A record rarely has a channel at the control unit. A stiff place of the passenger cell, far from the
crush zone and low in ringing, comes nearest: the rear-seat cross-member first, then sills, centre
of gravity, tunnel, floor. Places are found from the words of the channel's description, and from
its attachment code where the words say nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from crashsense.errors import Fault, InputError, nearest
from crashsense.records.findings import Finding
from crashsense.records.header import ChannelInfo, Record

#: Places that may stand in for the central sensor, best first, with the reason of their rank.
CENTRAL_PLACES: dict[str, str] = {
    "rear_seat_crossmember": "stiff, far from the crush zone, low in ringing",
    "seat_crossmember": "stiff cross-member of the floor, nearer to the crush zone",
    "sill": "stiff side member of the passenger cell",
    "centre_of_gravity": "floor near the centre of gravity, some panel ringing",
    "tunnel": "where a control unit sits, but the panel rings",
    "floor": "floor panel, rings",
    "rear_deck": "far behind the passenger cell, rings",
}

#: Places of the body or driveline that are never taken for the central sensor unless asked for.
OTHER_PLACES = ("engine", "other")

_WORDS: tuple[tuple[str, str], ...] = (
    # Order matters: the first that is found wins; excluded places come before the good ones.
    ("engine", r"\b(ENGINE|ENG|TRANSMISSION|GEARBOX|MOTOR|POWERTRAIN)\b"),
    (
        "other",
        r"\b(BRAKE|CALIPER|DASH|DASHPANEL|INSTRUMENT PANEL|I\.?P\.?|FIREWALL|STEERING|COLUMN|HOOD|"
        r"BUMPER|RADIATOR|SUBFRAME|RAIL|AXLE|WHEEL|KNUCKLE|DOOR|ROOF|PILLAR|POST|BARRIER|TROLLEY|"
        r"SLED|SEAT ?BACK|SEAT ?TRACK|SEAT ?PAN|HEAD ?REST|TOE ?-?PAN|TOE ?-?BOARD|"
        r"FOOT ?-?WELL|BATTERY|TANK|SHOCK|STRUT|TOWER)\b",
    ),
    (
        "rear_seat_crossmember",
        r"\b(REAR|RR|R/S|2ND ROW|SECOND ROW)\b.*\b(CROSS ?-?MEMBER|X ?-?MEMBER|XMBR|CROSSMBR)\b",
    ),
    ("seat_crossmember", r"\bSEAT\b.*\b(CROSS ?-?MEMBER|X ?-?MEMBER|XMBR|CROSSMBR)\b"),
    ("other", r"\bFRONT\b.*\b(CROSS ?-?MEMBER|X ?-?MEMBER|XMBR|CROSSMBR)\b"),
    ("seat_crossmember", r"\b(CROSS ?-?MEMBER|X ?-?MEMBER|XMBR|CROSSMBR)\b"),
    ("sill", r"\b(SILL|ROCKER)\b"),
    (
        "centre_of_gravity",
        r"\b(C[./]? ?G\.?|COG|VCG|(CENT(ER|RE)|CTR) OF (GRAVITY|MASS))(\b|\s|$)",
    ),
    ("tunnel", r"\b(TUNNEL|CONSOLE)\b"),
    ("floor", r"\b(FLOOR|FLOOR ?-?PAN)\b"),
    ("rear_deck", r"\b(DECK|TRUNK|CARGO|LOAD ?SPACE|SPARE)\b"),
)

#: Attachment codes (from memory of the format's guide), read only where the words say nothing.
_CODES: tuple[tuple[str, str], ...] = (
    ("engine", r"EN|TRN[^K]|MOT"),
    ("centre_of_gravity", r"VECG|VCG|CG|.*CG$"),
    ("sill", r"SI[LRCF]|SL[LR]|RCK|ROCK"),
    ("rear_seat_crossmember", r"RSX|CRSM|XMEM|CRM"),
    ("tunnel", r"TUN|TNL"),
    ("floor", r"FL|FP"),
    ("rear_deck", r"RDK|RDEC|RRDK|TRNK|DK"),
)


@dataclass(frozen=True)
class Place:
    """Where a channel sits: place, side (``left``, ``right``, ``centre`` or empty), front or rear.

    ``from_words`` is False if only the attachment code told.
    """

    place: str
    side: str
    end: str
    from_words: bool

    @property
    def words(self) -> str:
        """Plain words for titles and messages."""
        parts = [self.side, self.end if self.place in ("sill", "floor") else "", self.place]
        return " ".join(part.replace("_", " ") for part in parts if part)


def place_of(channel: ChannelInfo) -> Place:
    """Return where *channel* sits.

    The words of the description decide; where they name no place, the attachment code.
    """
    words, code = channel.words, re.sub(r"[^A-Z0-9]", "", channel.attachment)
    place = next((name for name, pattern in _WORDS if re.search(pattern, words)), None)
    from_words = place is not None
    if place is None:
        place = next((name for name, pattern in _CODES if re.match(pattern, code)), "other")
    side = ""
    if re.search(r"\b(LEFT|LFT|LT|LH|LHS|L/H|L|DRIVER|DRIVERS)\b", words):
        side = "left"
    elif re.search(r"\b(RIGHT|RGT|RT|RH|RHS|R/H|R|PASSENGER)\b", words):
        side = "right"
    elif re.search(r"\b(CENT(ER|RE)|MID|MIDDLE)\b", words) or place in ("centre_of_gravity",):
        side = "centre"
    end = "rear" if re.search(r"\b(REAR|RR|LR)\b", words) else ""
    end = end or ("front" if re.search(r"\b(FRONT|FRT|RF|LF)\b", words) else "")
    if not side and re.search(r"\b(LF|LR)\b", words):
        side = "left"
    if not side and re.search(r"\b(RF|RR)\b", words):
        side = "right"
    # Codes of sill and floor end in side and end: FLLR is floor, left, rear.
    if len(code) == 4 and place in ("sill", "floor", "seat_crossmember", "rear_seat_crossmember"):
        side = side or {"L": "left", "R": "right", "C": "centre"}.get(code[2], "")
        end = end or {"F": "front", "R": "rear"}.get(code[3], "")
    if place == "seat_crossmember" and end == "rear":
        place = "rear_seat_crossmember"
    return Place(place, side, end, from_words)


def is_body_acceleration(channel: ChannelInfo, axis: str) -> bool:
    """Whether *channel* is a linear acceleration of a vehicle (not of an occupant) along *axis*."""
    return (
        channel.vehicle > 0
        and channel.sensor in ("AC", "ACC", "ACCEL", "")
        and channel.occupant in ("", "NA", "N/A", "00", "0", "NONE", "-", "VE", "VEH")
        and axis_of(channel) == axis.upper()
    )


def axis_of(channel: ChannelInfo) -> str:
    """Return ``X``, ``Y``, ``Z`` or nothing: from the field, or the last letter of the words."""
    if channel.axis not in ("", "NA", "N/A"):
        return channel.axis[:1]
    letters = re.findall(r"(?<![-\w])[XYZ](?![-\w])", channel.words)
    return letters[-1] if letters else ""


#: Status flags of the format that make a channel unfit for sensing (from memory of its guide).
FAILED_STATUS = {
    "CF": "channel failed",
    "NO": "no data",
    "MN": "meaningless data",
    "LO": "data lost",
}
#: Status flags of a usable channel; any other one is reported as unknown.
GOOD_STATUS = {
    "": "not stated",
    "AM": "as measured",
    "CD": "computed data",
    "NA": "not stated",
}


def is_failed(channel: ChannelInfo) -> bool:
    """Whether the header marks the channel as failed."""
    return channel.status in FAILED_STATUS


@dataclass(frozen=True)
class Choice:
    """A channel taken for the central sensor, and why."""

    channel: ChannelInfo
    place: Place
    side: str
    why: str
    asked_for: bool


def choose(
    record: Record, *, channel: object = None
) -> tuple[dict[int, list[Choice]], list[Finding]]:
    """Choose the channels that stand in for the central sensor, vehicle by vehicle.

    Without a wish: for each vehicle the best place (:data:`CENTRAL_PLACES`) that has a usable
    longitudinal channel with a file; there one channel a side, primary before redundant, rear
    before front. With *channel* (number, several numbers, or the name of a place): those.

    Returns vehicle -> choices, and findings. Raises :class:`InputError` for a wish that cannot be
    met, or if no channel can be taken.
    """
    if channel is not None and channel != "" and channel != ():
        return _asked_for(record, channel), []
    chosen: dict[int, list[Choice]] = {}
    findings: list[Finding] = []
    file = record.path.name
    listed = [c for c in record.channels if is_body_acceleration(c, "x")]
    for vehicle in sorted({c.vehicle for c in listed} | {v.number for v in record.vehicles}):
        choices = best_of_vehicle(record, vehicle)
        if choices:
            chosen[vehicle] = choices
        elif len(record.vehicles) > 1:
            expected = "a longitudinal body channel with a file"
            note = "no event for this vehicle"
            findings.append(
                Finding("info", "channels", file, f"vehicle {vehicle}", None, expected, note)
            )
    if not chosen:
        raise InputError([_nothing_usable(record, listed)])
    taken = {choice.channel.number for choices in chosen.values() for choice in choices}
    findings += [
        _refused(record, info)
        for info in listed
        if info.number not in taken
        and place_of(info).place != "other"
        and (is_failed(info) or (is_short(record, info) and info.number in record.files))
    ]
    return chosen, findings


def best_of_vehicle(record: Record, vehicle: int) -> list[Choice]:
    """Return the sound channels at the best place of the cell, one a side; there may be none."""
    usable = [
        (c, place_of(c))
        for c in record.channels
        if is_body_acceleration(c, "x")
        and c.vehicle == vehicle
        and not is_failed(c)
        and c.number in record.files
    ]
    return _best_place([pair for pair in usable if not is_short(record, pair[0])] or usable)


def is_short(record: Record, channel: ChannelInfo) -> bool:
    """Whether a channel stops well before the others along x do, as the header lists them."""
    ends = [
        c.last_point * c.step_s
        for c in record.channels
        if is_body_acceleration(c, "x") and c.last_point is not None and c.step_s is not None
    ]
    if channel.last_point is None or channel.step_s is None:
        return False
    return channel.last_point * channel.step_s < 0.9 * max(ends)


def _best_place(usable: list[tuple[ChannelInfo, Place]]) -> list[Choice]:
    for rank, (name, reason) in enumerate(CENTRAL_PLACES.items(), start=1):
        here = [(c, p) for c, p in usable if p.place == name]
        if not here:
            continue
        order = {"rear": 0, "": 1, "front": 2}
        here.sort(key=lambda pair: (pair[0].redundant, order[pair[1].end], pair[0].number))
        best: dict[str, tuple[ChannelInfo, Place]] = {}
        for info, place in here:
            best.setdefault(place.side, (info, place))
        if set(best) - {""}:
            best.pop("", None)
        if {"left", "right"} & set(best):
            best.pop("centre", None)
        why = f"{name.replace('_', ' ')}: {reason} (rank {rank} of {len(CENTRAL_PLACES)})"
        return [
            Choice(info, place, side, why, False) for side, (info, place) in sorted(best.items())
        ]
    return []


def _refused(record: Record, channel: ChannelInfo) -> Finding:
    what = FAILED_STATUS.get(channel.status, "shorter than the others")
    until = (
        f", last point at {channel.last_point * channel.step_s * 1e3:.1f} ms"
        if channel.last_point is not None and channel.step_s is not None
        else ""
    )
    return Finding(
        "info",
        "channel status",
        record.path.name,
        f"channel {channel.number} ({place_of(channel).words})",
        f"{channel.status} ({what}{until})",
        "a sound channel",
        "refused for sensing unless asked for by its number; never padded",
    )


def _nothing_usable(record: Record, listed: list[ChannelInfo]) -> Fault:
    file = record.path.name
    expected = (
        f"a longitudinal acceleration channel of the body ({', '.join(CENTRAL_PLACES)}) with a "
        f"file {record.path.stem}.NNN beside the header, or a channel asked for by number"
    )
    if not listed:
        return Fault(file, "channels", f"{len(record.channels)} listed, none suits", expected)
    without = [c.number for c in listed if c.number not in record.files]
    shown = ", ".join(str(n) for n in without[:8]) + (" ..." if len(without) > 8 else "")
    seen = f"{len(listed)} longitudinal body channels listed"
    if without:
        seen += f", no file for {shown}"
    present = [c for c in listed if c.number in record.files]
    if present:
        seen += ", with a file: " + ", ".join(
            f"{c.number} ({'failed' if is_failed(c) else place_of(c).words})" for c in present[:8]
        )
    return Fault(file, "channels", seen, expected)


def _asked_for(record: Record, wish: object) -> dict[int, list[Choice]]:
    faults: list[Fault] = []
    wanted: list[ChannelInfo] = []
    for item in _items(wish):
        found, fault = _find(record, item)
        wanted += [c for c in found if c not in wanted]
        if fault is not None:
            faults.append(fault)
    if faults:
        raise InputError(faults)
    chosen: dict[int, list[Choice]] = {}
    for info in wanted:
        place = place_of(info)
        choices = chosen.setdefault(info.vehicle, [])
        taken = {choice.side for choice in choices}
        side = place.side if place.side not in taken else f"{place.side}_{info.number}".strip("_")
        why = f"{place.words}: asked for"
        choices.append(Choice(info, place, side, why, True))
    return chosen


def _items(wish: object) -> list[str]:
    parts = wish if isinstance(wish, (list, tuple, set, frozenset)) else str(wish).split(",")
    return [str(part).strip() for part in parts if str(part).strip()]


def _find(record: Record, item: str) -> tuple[list[ChannelInfo], Fault | None]:
    file = record.path.name
    if re.fullmatch(r"\d+", item):
        info = record.channel(int(item))
        with_file = ", ".join(str(n) for n in sorted(record.files)[:12]) or "none"
        if info is None:
            expected = f"a channel that the header lists; files are here for: {with_file}"
            return [], Fault(file, "channel", item, expected)
        if not is_body_acceleration(info, "x"):
            expected = "a longitudinal (x) acceleration of the vehicle body"
            seen = f"{item} ({info.sensor or '?'} {info.axis or '?'} at {info.attachment or '?'})"
            return [], Fault(file, "channel", seen, expected)
        if info.number not in record.files:
            expected = f"a file {record.path.stem}.{info.number:03d} beside the header"
            return [], Fault(file, f"channel {item}", "no file", expected)
        return [info], None
    name = item.lower().replace("-", "_").replace(" ", "_")
    here = [
        c
        for c in record.channels
        if is_body_acceleration(c, "x")
        and c.number in record.files
        and not is_failed(c)
        and not c.redundant
        and name in (place_of(c).place, c.attachment.lower())
    ]
    if here:
        return here, None
    known = {place_of(c).place for c in record.channels if c.number in record.files}
    expected = f"a channel number or a place, {nearest(name, known or set(CENTRAL_PLACES))}"
    return [], Fault(file, "channel", item, expected)
