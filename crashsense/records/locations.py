"""Where a channel sits, and which channels may be used as the central sensor.

A record rarely has a channel at the control unit. A stiff place of the passenger cell, far from the
crush zone and with little ringing, comes closest: the rear-seat cross-member first, then sills,
centre of gravity, tunnel, floor. Places are found from the words of the channel's description, and
from its attachment code if the words name none.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from crashsense.records.header import ChannelInfo

#: Places that may be used as the central sensor, best first, with the reason of their rank.
CENTRAL_PLACES: dict[str, str] = {
    "control_unit": "the place of the central sensor itself",
    "rear_seat_crossmember": "stiff, far from the crush zone, low in ringing",
    "seat_crossmember": "stiff cross-member of the floor, nearer to the crush zone",
    "sill": "stiff side member of the passenger cell",
    "centre_of_gravity": "floor near the centre of gravity, some panel ringing",
    "tunnel": "where a control unit sits, but the panel rings",
    "floor": "floor panel, rings",
    "seat": "seat or its mounting: of the cell, but it is loaded by the occupant",
    "rear_deck": "far behind the passenger cell, rings",
}

#: Where front sensors sit: left and right ones become channels of their own (practice).
FRONT_PLACE = "radiator_support"

#: A place that neither words nor code tell.
UNKNOWN = "unknown"

_CROSS = r"(CROSS ?-?MEMBER|X ?-?MEMBER|XMBR|CROSSMBR)"
_WORDS: tuple[tuple[str, str], ...] = (
    # Order matters: the first that is found wins; excluded places come before the good ones.
    ("engine", r"\b(ENGINE|ENG|TRANSMISSION|GEARBOX|MOTOR|POWERTRAIN)\b"),
    ("control_unit", r"\b(CONTROL UNIT|ACU|SRS ECU|AIRBAG ECU|AIR ?BAG CONTROL|RCM|SDM)\b"),
    ("dash", r"\b(DASH|DASHPANEL|INSTRUMENT PANEL|I\.?P\.?|FIREWALL|COWL|STEERING|COLUMN)\b"),
    ("door", r"\bDOORS?\b"),
    ("radiator_support", r"\b(RADIATOR|UP ?-?FRONT)\b"),
    ("bumper", r"\b(BUMPER|HOOD|GRILL|GRILLE)\b"),
    ("frame", r"\b(FRAME|RAIL|SUBFRAME|LONGITUDINAL|SIDE ?-?MEMBER)\b"),
    (
        "other",
        r"\b(BRAKE|CALIPER|AXLE|WHEEL|KNUCKLE|ROOF|BARRIER|TROLLEY|SLED|SEAT ?BACK|HEAD ?REST|"
        r"TOE ?-?PAN|TOE ?-?BOARD|FOOT ?-?WELL|BATTERY|TANK|SHOCK|STRUT|TOWER)\b",
    ),
    ("pillar", r"\b([ABCD][- ]?)?(PILLAR|POST)\b"),
    ("rear_seat_crossmember", r"\b(REAR|RR|R/S|2ND ROW|SECOND ROW)\b.*\b" + _CROSS + r"\b"),
    ("seat_crossmember", r"\bSEAT\b.*\b" + _CROSS + r"\b"),
    ("other", r"\bFRONT\b.*\b" + _CROSS + r"\b"),
    ("seat_crossmember", r"\b" + _CROSS + r"\b"),
    ("sill", r"\b(SILLS?|ROCKER)\b"),
    (
        "centre_of_gravity",
        r"\b(C[./]? ?G\.?|COG|VCG|(CENT(ER|RE)|CTR) OF (GRAVITY|MASS))(\b|\s|$)",
    ),
    ("tunnel", r"\b(TUNNEL|CONSOLE)\b"),
    ("floor", r"\b(FLOOR|FLOOR ?-?PAN)\b"),
    ("seat", r"\bSEAT( ?-?(TRACK|PAN|BASE|RAIL|FRAME|MOUNT))?\b"),
    ("rear_deck", r"\b(DECK|TRUNK|CARGO|LOAD ?SPACE|SPARE)\b"),
)

#: Attachment codes, read where the words say nothing. Four letters: place (two), side (L, R, C) and
#: end (F, R, C, or U and L for upper and lower). From memory of the guide of the government's
#: database, edition 5, whose codes follow this scheme; and the main locations of the tables of
#: ISO/TS 13499 (RED B, edition 1.6.2: SILB sill beam, SECM seat cross-member, CRME cross-member,
#: VEHC vehicle, TUNN tunnel, FORA floor over the rear axle, CTUN control unit, APIL to DPIL).
_CODES: tuple[tuple[str, str], ...] = (
    ("engine", r"EN[GTBLRC]|TRN[^K]|TRAN|MOT|GEAR|TRCM"),
    ("control_unit", r"CTUN|ABSE|ACU|ECU"),
    ("centre_of_gravity", r"VEHC|VECG|VCG|CG|.*CG$"),
    ("rear_seat_crossmember", r"RSX|RSCM|RSC"),
    ("seat_crossmember", r"SECM|SXM|SX[LRC]|CRME|CRSM|XMEM|CRM|CM[LRCFR]|XM[LRC]"),
    ("sill", r"SILB|SILL|SI[LRCF]|SL[LRC]|SB[LR]|RCK|ROCK|RK[LR]|SD[LR]"),
    ("tunnel", r"TUN|TNL|TU[LRC]"),
    ("floor", r"FL|FP|FORA|FOR[LR]"),
    ("seat", r"SEAT|SEPN|SETR|SERM|SEFR|SE[LRC]|ST[LR][FR]"),
    ("dash", r"DASH|DASB|DP[LRC]|IP|CCBE|STC|STWH"),
    ("door", r"DOOR|DOPA|DR[LR]|DO[LR]"),
    ("pillar", r"[ABCD]PIL|[ABCD]P[LRUM]|PL[LR]"),
    ("frame", r"FRAM|FR[LRC]|FM[LR]|MSME|SIME|SUBF|SUB[LR]"),
    ("radiator_support", r"RACM|RAD"),
    ("bumper", r"BUMP|BUSY|BM[PLRC]"),
    ("rear_deck", r"RDK|RDEC|RRDK|RD[LRC]|TRNK|DK"),
)


@dataclass(frozen=True)
class Place:
    """Where a channel sits: place, side (``left``, ``right``, ``centre`` or empty), front or rear.

    ``from_words`` is False if only the attachment code gave it; ``level`` is ``upper``, ``lower``
    or empty; ``side_by_code`` is the side in the code, for a check against the description.
    """

    place: str
    side: str
    end: str
    from_words: bool
    level: str = ""
    side_by_code: str = ""

    @property
    def words(self) -> str:
        """Plain words for titles and messages."""
        end = self.end if self.place in ("sill", "floor", "seat", "door") else ""
        level = self.level if self.place in ("pillar", "door", "seat") else ""
        parts = [self.side, level, end, self.place]
        return " ".join(part.replace("_", " ") for part in parts if part)


def place_of(channel: ChannelInfo) -> Place:
    """Return where *channel* sits.

    The words of the description decide; where they name no place, the attachment code.
    """
    words, code = channel.words, re.sub(r"[^A-Z0-9]", "", channel.attachment)
    place = next((name for name, pattern in _WORDS if re.search(pattern, words)), None)
    from_words = place is not None
    if place is None:
        place = next((name for name, pattern in _CODES if re.match(pattern, code)), UNKNOWN)
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
    level = "upper" if re.search(r"\b(UPPER|UP|TOP)\b", words) else ""
    level = level or ("lower" if re.search(r"\b(LOWER|LOW|LWR|BOTTOM|BASE)\b", words) else "")
    side_by_code, end_by_code, level_by_code = _coded(code, place)
    side = side or side_by_code
    end = end or end_by_code
    level = level or level_by_code
    if place == "seat_crossmember" and end == "rear":
        place = "rear_seat_crossmember"
    return Place(place, side, end, from_words, level, side_by_code)


def _coded(code: str, place: str) -> tuple[str, str, str]:
    """Side, end and level that an attachment code gives.

    Four letters end in side and end: FLLR is floor, left, rear; LFRE and the like of longer codes
    (ISO/TS 13499: fine locations LE, RI, MI, FR, RE, UP, LO) are spelled in pairs.
    """
    sides = {"L": "left", "R": "right", "C": "centre"}
    if len(code) == 4 and place not in (
        "other",
        UNKNOWN,
        "engine",
        "centre_of_gravity",
        "control_unit",
    ):
        known = re.fullmatch(r"SILB|SILL|SECM|CRME|TUNN|FORA|SEAT|DASH|DOOR|FRAM|BUMP|.PIL", code)
        if known is None:
            ends = {"F": "front", "R": "rear", "C": ""}
            levels = {"U": "upper", "L": "lower"}
            return sides.get(code[2], ""), ends.get(code[3], ""), levels.get(code[3], "")
    pairs = [code[i : i + 2] for i in range(4, min(len(code), 10), 2)]
    side = {"LE": "left", "RI": "right", "MI": "centre", "CG": "centre"}
    end = {"FR": "front", "RE": "rear"}
    level = {"UP": "upper", "TP": "upper", "LO": "lower", "BO": "lower"}
    told = [
        next((names[pair] for pair in pairs if pair in names), "") for names in (side, end, level)
    ]
    return told[0], told[1], told[2]


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
