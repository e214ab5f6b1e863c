"""The keys of a plan: the one list that plan file, command line, Python and run folder read.

A new key is one line of :class:`PlanKeys`. Imports nothing of the numeric stack, so that the help
of a command can show the list.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import Field, asdict, dataclass, field, fields
from functools import cache
from typing import TYPE_CHECKING, Any, Literal, get_args, get_type_hints

from crashsense.errors import Fault, InputError, nearest

if TYPE_CHECKING:
    from pydantic import BaseModel

#: Most draws of a plan; the largest seed is what a column of the tables holds.
MOST_DRAWS, LARGEST_SEED = 100_000_000, 2**63 - 1

Keep = Literal["fire_curves", "traces_nominal", "traces_failed", "drawn"]


def key(
    default: Any,
    option: str = "",
    *,
    says: str,
    metavar: str | None = None,
    least: int | None = None,
    most: int | None = None,
    choices: tuple[str, ...] = (),
    of: Literal["draws", "records", ""] = "",
) -> Any:
    """Declare a key: its *option* on the command line and what its help *says*.

    *least*, *most*: bounds of a number, *least* also entries of a list; *choices*: values that the
    command line takes, where that is not said by the type; *of*: whether the key says how draws are
    made, or is about records alone.
    """
    about: dict[str, Any] = {"option": option, "says": says, "metavar": metavar, "of": of}
    about |= {"least": least, "most": most, "choices": choices}
    if isinstance(default, list):
        return field(default_factory=lambda: list(default), metadata=about)
    return field(default=default, metadata=about)


@dataclass(frozen=True, kw_only=True)
class PlanKeys:
    """What a plan file may hold, and its defaults.

    Entries of a plan that is resolved are names or absolute paths. ``sensor_draws = "own"``: each
    event is met by sensors and noise of its own, so that counts over events add up; ``"shared"``:
    draw k is one car, whose sensors and noise meet every event: comparisons over events are sharper
    and the noise is made once, but counts over events are then correlated.
    """

    events: list[str] | None = key(
        None,
        "--events",
        metavar="NAME|GLOB|FAMILY|FILE",
        least=1,
        says="Events of the library, or a recipe file or folder; may be repeated.",
    )
    records: list[str] = key(
        [], "--records", metavar="PATH", says="Measured record; may be repeated."
    )
    vehicle: str | None = key(
        None,
        "--vehicle",
        metavar="NAME|FILE",
        says="A vehicle of your own in place of that of every frontal recipe.",
    )
    sensor_sets: list[str] = key(
        ["standard"], "--sensor-set", metavar="NAME|FILE", least=1, says="May be repeated."
    )
    restraints: list[str] = key(
        [],
        "--restraint",
        metavar="NAME|covered",
        says="Restraints that the run is about, and no others; covered: those with a rule.",
    )
    passenger_seat: str | None = key(
        None,
        "--passenger-seat",
        choices=("occupied", "empty"),
        says="Whether somebody sits there, in place of what the events say.",
    )
    faults: list[str] = key(
        [],
        "--fault",
        metavar="CHANNEL:KIND[:FROM_MS]",
        says="Fault of a sensor in every sensor set (central_x:lost:20); may be repeated.",
    )
    build: list[str] = key(
        [],
        "--build",
        metavar="CHANNEL:ROLE:SIGMA",
        says="Drawn quantity of a sensor that is held (central_x:sensitivity:-3); may be repeated.",
    )
    temperature_c: float | None = key(
        None, "--temperature", least=-200, most=500, says="[degC] held in every draw."
    )
    algorithms: list[str] = key(
        ["plain", "guarded"], "--algorithm", metavar="NAME|FILE", least=1, says="May be repeated."
    )
    requirements: str | dict[str, Any] | None = key(
        None,
        "--requirements",
        metavar="FILE",
        says="Table (CSV) of requirements of your own, by event name, glob or family.",
    )
    draws: int = key(
        0,
        "--draws",
        least=0,
        most=MOST_DRAWS,
        of="draws",
        says="Random draws beside the nominal one.",
    )
    seed: int = key(
        1,
        "--seed",
        least=0,
        most=LARGEST_SEED,
        of="draws",
        says="Seed of the draws (default 1).",
    )
    vary: Literal["pulse", "sensor", "both", "none"] = key(
        "both", "--vary", of="draws", says="Which tolerances are drawn (default both)."
    )
    sensor_draws: Literal["own", "shared"] = key(
        "own",
        "--sensor-draws",
        of="draws",
        says="Sensors of a draw: each event's own (default), or shared by all events.",
    )
    keep: list[Keep] = key([], "--keep", says="Table to keep beside the verdicts; may be repeated.")
    rules_in_process: bool = key(
        False,
        "--rules-in-process",
        says="Run Python rules of your own in this process: faster, and they can harm it.",
    )
    channel: str | int | None = key(
        None,
        "--channel",
        of="records",
        says="Records: the channel to take, by its name or number.",
    )
    belts: str | None = key(
        None, "--belts", choices=("belted", "unbelted"), of="records", says="Records: belt state."
    )
    expect: str | None = key(
        None,
        "--expect",
        choices=("fire", "no_fire", "open"),
        of="records",
        says="Records: what stage 1 must do.",
    )
    required_from: str | int | None = key(
        None,
        "--required-from",
        of="records",
        says="Records: the channel that sets the required time.",
    )

    def written(self) -> dict[str, Any]:
        """Return the keys that have a value, as a plan file and a run folder hold them."""
        return {name: value for name, value in asdict(self).items() if value is not None}

    def of(self, what: str) -> dict[str, Any]:
        """Return the keys that say how draws are made (``"draws"``), or are about ``"records"``."""
        return {k.name: getattr(self, k.name) for k in KEYS if k.metadata["of"] == what}


KEYS: tuple[Field[Any], ...] = fields(PlanKeys)

#: Keys that hold names, paths or, from Python, objects.
ENTRIES = ("events", "records", "sensor_sets", "algorithms")


@cache
def types() -> dict[str, Any]:
    """Return the type of each key."""
    return get_type_hints(PlanKeys)


def is_list(name: str) -> bool:
    """True if a key holds a list."""
    return "list[" in str(types()[name])


def words(name: str) -> tuple[str, ...]:
    """Return the allowed values of a key, or of the entries of its list; empty if any."""
    kind = types()[name]
    inner = (get_args(kind) or (kind,))[0] if is_list(name) else kind
    return tuple(w for w in get_args(inner) if isinstance(w, str))


def check_names(given: Mapping[str, Any]) -> None:
    """Refuse names that are no key of a plan."""
    known = [one.name for one in KEYS]
    if unknown := [name for name in given if name not in known]:
        raise InputError([Fault("plan", "key", name, nearest(name, known)) for name in unknown])


@cache
def _layout() -> type[BaseModel]:
    from pydantic import ConfigDict, create_model
    from pydantic import Field as Checked

    entries: dict[str, Any] = {}
    for one in KEYS:
        least, most = one.metadata["least"], one.metadata["most"]
        if is_list(one.name):
            limits = {"min_length": least}
        else:
            limits = {"ge": least, "le": most, "strict": types()[one.name] in (int, bool) or None}
        given = {name: value for name, value in limits.items() if value is not None}
        default = getattr(PlanKeys(), one.name)
        entries[one.name] = (types()[one.name], Checked(default=default, **given))
    return create_model("PlanKeys", __config__=ConfigDict(extra="forbid"), **entries)


def checked_keys(data: Mapping[str, Any], *, file: str) -> PlanKeys:
    """Check what a plan file holds; every fault is reported at once."""
    from pydantic import ValidationError

    from crashsense.wording import faults_of

    try:
        return PlanKeys(**dict(_layout().model_validate(dict(data))))
    except ValidationError as error:
        raise InputError(faults_of(error, file=file)) from None
