"""The layout of a recipe file, and how its requirements are read: common, then by belt state."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from crashsense.errors import Fault, nearest
from crashsense.event import ALL_RESTRAINTS, RESTRAINTS, Order, stated_order, usual_order
from crashsense.wording import faults_of

BELT_STATES = ("belted", "unbelted")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class WaiverEntry(_Strict):
    """An agreed exception in a recipe."""

    why: str = Field(min_length=1)
    until: date
    by: str = ""
    on: date | None = None


class RequirementEntry(_Strict):
    """What one restraint must do, as written in a recipe.

    ``timing``: ``free_flight`` (time to *travel_mm* of free flight less *inflation_ms* plus
    *extra_ms*, from the cabin's own rigid-body motion, counted from the time *origin_fact* of the
    model or from time zero), ``explicit`` (*required_ms*) or ``gap_closure`` (the time at which
    the model's gap *gap* has closed, less *inflation_ms*). Times named by *origin_fact* and
    *not_before_fact* must be the same in every draw.

    ``after``, ``delay_ms`` and ``order_basis``: which restraint fires before this one, the shortest
    delay or shortest and longest, and where that comes from; without ``after`` what is usual
    (:func:`crashsense.event.usual_order`), with ``none`` nothing.

    A time that is stated (``explicit``) more than 3 ms after that of the event's own free flight is
    a fault, unless *reason* says why.
    """

    expectation: Literal["fire", "no_fire", "open"]
    timing: Literal["free_flight", "explicit", "gap_closure", "none"] = "none"
    travel_mm: float = Field(default=127.0, ge=1, le=2000)
    inflation_ms: float = Field(default=30.0, ge=0, le=500)
    extra_ms: float = Field(default=0.0, ge=-5000, le=5000)
    required_ms: float | None = Field(default=None, ge=-20_000, le=20_000)
    gap: str | None = None
    origin_fact: str | None = None
    not_before_fact: str | None = None
    basis: str = Field(min_length=1)
    reason: str = ""
    waiver: WaiverEntry | None = None
    after: str | None = None
    delay_ms: list[float] | None = None
    order_basis: str = ""

    def order_of(self, restraint: str, *, family: str) -> Order | None:
        """The order that it states, or the usual one."""
        if self.after is None:
            return usual_order(restraint, self.expectation, family=family)
        return stated_order(restraint, self.model_dump(), file="recipe", where=restraint)[0]


class ToleranceEntry(_Strict):
    """A tolerance of the model that the recipe replaces."""

    kind: Literal["scale", "shift", "uniform", "phase"]
    #: a share, or (``shift``) an amount in the unit of what it shifts
    width: float = Field(ge=0, le=100)
    basis: str = Field(min_length=1)

    @model_validator(mode="after")
    def _possible(self) -> ToleranceEntry:
        if self.kind != "shift" and self.width > 1.0:
            raise ValueError(f"width: 0 to 1 for kind {self.kind}, not {self.width:g}")
        return self


class RecipeFile(_Strict):
    """The layout of a recipe file.

    ``passenger_seat``: whether somebody sits there. ``still_moving``: why the event does not end at
    rest within the noise of its sensors (a car that drives on, say); empty where it does.
    """

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_]*$")
    title: str = Field(min_length=1)
    family: Literal["frontal", "side", "rear", "rollover", "rough_road", "misuse"]
    model: str
    matrix: str = ""
    belts: list[Literal["belted", "unbelted"]] = Field(min_length=1, max_length=2)
    struck_side: Literal["left", "right", "none"] = "none"
    passenger_seat: Literal["occupied", "empty"] = "occupied"
    notes: str = ""
    still_moving: str = ""
    parameters: dict[str, Any]
    basis: dict[str, str]
    tolerances: dict[str, ToleranceEntry] = {}
    requirements: dict[str, Any] = {}


def _default_requirements(file: RecipeFile) -> dict[str, RequirementEntry]:
    """Requirements of the restraints that a recipe does not list (design rules of the library)."""
    if file.family in ("misuse", "rough_road"):
        entry = RequirementEntry(expectation="no_fire", basis="misuse and rough road fire nothing")
        return dict.fromkeys(RESTRAINTS, entry)
    far = {"left": "right", "right": "left"}.get(file.struck_side)
    defaults = {}
    for restraint in RESTRAINTS:
        if restraint == f"side_airbag_{far}":
            basis = "the bag on the far side must not fire"
            defaults[restraint] = RequirementEntry(expectation="no_fire", basis=basis)
        else:
            basis = "not required by the event; not scored"
            defaults[restraint] = RequirementEntry(expectation="open", basis=basis)
    return defaults


def read_requirements(
    file: RecipeFile, *, path: str
) -> tuple[dict[str, dict[str, RequirementEntry]], list[Fault]]:
    """Resolve the ``[requirements]`` table: common entries, then entries of one belt state."""
    faults: list[Fault] = []
    defaults = _default_requirements(file)
    layers: dict[str, dict[str, Any]] = {"": {}, "belted": {}, "unbelted": {}}
    for key, value in file.requirements.items():
        if key in BELT_STATES and isinstance(value, Mapping):
            layers[key] = dict(value)
            if key not in file.belts:
                expected = f"only belt states listed in belts: {', '.join(file.belts)}"
                faults.append(Fault(path, f"requirements.{key}", None, expected))
        else:
            layers[""][key] = value
    read: dict[str, dict[str, RequirementEntry]] = {"": {}, "belted": {}, "unbelted": {}}
    for state, entries in layers.items():
        for restraint, entry in entries.items():
            where = ".".join(part for part in ("requirements", state, restraint) if part)
            if restraint not in ALL_RESTRAINTS:
                known = nearest(restraint, [*ALL_RESTRAINTS, *BELT_STATES])
                faults.append(Fault(path, where, restraint, known))
                continue
            try:
                checked = RequirementEntry.model_validate(entry)
            except ValidationError as error:
                layout = RequirementEntry
                faults.extend(faults_of(error, file=path, within=where, layout=layout))
                continue
            if checked.expectation == "fire" and checked.timing == "none":
                faults.append(
                    Fault(path, f"{where}.timing", "none", "free_flight, explicit or gap_closure")
                )
            _, wrong = stated_order(restraint, checked.model_dump(), file=path, where=where)
            faults.extend(wrong)
            read[state][restraint] = checked
    return {state: {**defaults, **read[""], **read[state]} for state in file.belts}, faults
