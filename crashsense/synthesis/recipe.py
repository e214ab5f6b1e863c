"""Recipes: TOML files from which events are synthesised.

A recipe names a physical model and its parameters, the basis of every number, the context and the
requirement of each restraint. Reading a recipe costs no physics; :meth:`Recipe.events` does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ValidationError

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS, MIRRORED
from crashsense.errors import Fault, InputError, UnknownNameError, nearest, unknown_name
from crashsense.event import (
    FAMILIES,
    MIRRORED_RESTRAINTS,
    Context,
    Event,
    Requirement,
    SignalBlock,
    Waiver,
)
from crashsense.files import read_text, toml_content
from crashsense.occupant import flights_of_draws
from crashsense.resources import folder as shipped_folder
from crashsense.signal import Signal
from crashsense.synthesis.mirror import mirrored_entry, mirrored_synthesis
from crashsense.synthesis.model import (
    CABIN,
    PulseModel,
    Synthesis,
    Tolerance,
    Variation,
    draw_variation,
    find_model,
)
from crashsense.synthesis.nominal_cache import digest_of, kept_recipes, nominal_block, prepare
from crashsense.synthesis.recipe_file import RecipeFile, RequirementEntry, read_requirements
from crashsense.synthesis.selection import select_events
from crashsense.synthesis.side_by_side import Steps
from crashsense.values import Shown
from crashsense.wording import faults_of, misread

#: Two times closer than this are the same time [s].
SAME_TIME_S = 1e-9

#: Fact of a model with front occupants: time to 127 mm of free flight [s], and the usual inflation
#: time [s] (rule of thumb, memory); how much later a stated time may be without a reason [s].
FREE_FLIGHT_FACT, INFLATION_S, LATER_S = "free_flight_127mm_s", 0.030, 0.003

#: Folder inside a recipe folder that holds vehicle files, which are not recipes.
VEHICLES = "vehicles"


#: Keys of a requirement that name a fact of the model.
FACT_KEYS = ("origin_fact", "not_before_fact")


@dataclass(frozen=True, eq=False)
class Recipe(Shown):
    """One recipe: cheap to read, physics on demand. Also the source of its events.

    ``mirrored_from`` is set on a recipe whose left and right were exchanged.
    """

    name: str
    title: str
    family: str
    model: PulseModel
    parameters: BaseModel
    belts: tuple[str, ...]
    requirements: Mapping[str, Mapping[str, RequirementEntry]]
    basis: Mapping[str, str]
    tolerances: Mapping[str, Tolerance]
    struck_side: str = "none"
    matrix: str = ""
    notes: str = ""
    still_moving: str = ""
    passenger_seat: str = "occupied"
    file: str = ""
    occurrence: str = ""
    is_mirrored: bool = False
    extra: Mapping[str, Any] = field(default_factory=dict)

    @property
    def varies(self) -> bool:
        """True if draws differ from nominal."""
        return bool(self.tolerances)

    @property
    def event_names(self) -> tuple[str, ...]:
        """Names of the events that the recipe yields: one, or one a belt state."""
        if len(self.belts) == 1:
            return (self.name,)
        return tuple(f"{self.name}_{state}" for state in self.belts)

    def __reduce__(self) -> tuple[Any, ...]:
        state = {key: getattr(self, key) for key in self.__dataclass_fields__}
        state["model"] = self.model.name
        return _rebuild, (state,)

    # -- physics -------------------------------------------------------------------------------

    def synthesise(
        self, draws: Iterable[int], *, seed: int, only: Collection[str] | None = None
    ) -> Synthesis:
        """Run the physical model for the given draws; *only*: see :class:`.model.Variation`."""
        variation = self._variation(draws, seed=seed, only=only)
        with engine.for_models():
            synthesis = self.model.simulate(self.parameters, variation)
        return mirrored_synthesis(synthesis) if self.is_mirrored else synthesis

    def _variation(
        self, draws: Iterable[int], *, seed: int, only: Collection[str] | None
    ) -> Variation:
        numbers = np.fromiter(draws, dtype=np.int64)
        variation = draw_variation(
            numbers, seed=seed, occurrence=self.occurrence, tolerances=self.tolerances
        )
        if only is not None:
            sides = MIRRORED if self.is_mirrored else {}
            variation = replace(variation, only=frozenset(sides.get(n, n) for n in only))
        return variation

    @cached_property
    def kept_as(self) -> str:
        """Name by which nominal signals are kept between runs."""
        return digest_of(self)

    @cached_property
    def _nominal(self) -> SignalBlock:
        return nominal_block(self, lambda: self.block([0], seed=0))

    def nominal(self) -> SignalBlock:
        """Return draw 0; no seed changes it."""
        return self._nominal

    def nominal_synthesis(self) -> Synthesis:
        """Return draw 0 as far as its block keeps it: without gaps and trace."""
        block = self.nominal()
        first = next(iter(block.signals.values()))
        moving = {name: s.samples for name, s in block.signals.items() if s.samples.any()}
        return Synthesis(
            signals=moving,
            rate_hz=first.rate_hz,
            start_s=first.start_s,
            cabin_x=block.cabin["x"].samples if "x" in block.cabin else None,
            cabin_y=block.cabin["y"].samples if "y" in block.cabin else None,
            quiet=frozenset(block.signals) - frozenset(moving),
            facts=block.facts,
        )

    def block(self, draws: Iterable[int], *, seed: int) -> SignalBlock:
        """Return the given draws with their required times; draw k depends on (seed, k) only."""
        return self._block(draws, seed=seed, only=None)

    def block_for(
        self, draws: Iterable[int], *, seed: int, channels: Collection[str]
    ) -> SignalBlock:
        """As :meth:`block`, for whoever reads these channels alone: other signals may be absent."""
        return self._block(draws, seed=seed, only=self._read_with(channels))

    def block_in_steps(
        self, draws: Iterable[int], *, seed: int, channels: Collection[str] | None = None
    ) -> Steps[SignalBlock]:
        """As :meth:`block`, or :meth:`block_for` some channels, in steps.

        :func:`crashsense.synthesis.side_by_side.side_by_side` runs some of them.
        """
        only = None if channels is None else self._read_with(channels)
        variation = self._variation(draws, seed=seed, only=only)
        synthesis = yield from self.model.in_steps(self.parameters, variation)
        return self._as_block(
            variation.draws, mirrored_synthesis(synthesis) if self.is_mirrored else synthesis
        )

    def _read_with(self, channels: Collection[str]) -> set[str]:
        """Channels that are read, and what requirements need of the model."""
        facts = {fact for key in FACT_KEYS for fact in self._stated[key]}
        return {*channels, *facts, *([CABIN] if "free_flight" in self._stated["timing"] else ())}

    @cached_property
    def _stated(self) -> Mapping[str, set[str]]:
        """What requirements state by key: facts that they name, their timing."""
        entries = [e for part in self.requirements.values() for e in part.values()]
        keys = (*FACT_KEYS, "timing")
        return {key: {getattr(entry, key) for entry in entries} - {None} for key in keys}

    def _block(
        self, draws: Iterable[int], *, seed: int, only: Collection[str] | None
    ) -> SignalBlock:
        numbers = np.fromiter(draws, dtype=np.int64)
        return self._as_block(numbers, self.synthesise(numbers, seed=seed, only=only))

    def _as_block(self, numbers: npt.NDArray[np.int64], synthesis: Synthesis) -> SignalBlock:
        self._refuse_moving_contacts(numbers, synthesis)
        note = f"synthesised from recipe {self.name} by model {self.model.name}"
        rows = dict(synthesis.signals)
        if synthesis.quiet:
            silence = np.zeros((1, synthesis.length))  # the same for all draws
            rows = dict.fromkeys(synthesis.quiet, silence) | rows
        signals = {}
        made: dict[int, Signal] = {}  # locations that move alike share one array, checked once
        for name, channel in CHANNELS.items():
            if name not in rows:
                continue
            samples = rows[name]
            where = {"unit": channel.unit, "axis": channel.axis, "location": channel.location}
            if id(samples) in made:
                signals[name] = made[id(samples)].at(**where)
                continue
            signals[name] = made[id(samples)] = Signal.owning(
                samples,
                rate_hz=synthesis.rate_hz,
                start_s=synthesis.start_s,
                history=(note,),
                **where,
            )
        flights: dict[Flight, FloatArray] = {}
        no_time = engine.given(np.full(numbers.size, np.nan))
        required = {
            event: {
                restraint: self._required(entry, synthesis, no_time, flights)
                for restraint, entry in self.requirements[state].items()
            }
            for event, state in zip(self.event_names, self.belts, strict=True)
        }
        return SignalBlock(
            draws=numbers,
            signals=signals,
            required_s=required,
            facts=dict(synthesis.facts),
            # That of other draws is drawn nowhere, and a big block would only carry it along.
            cabin={} if numbers.any() else _cabin_motion(synthesis),
        )

    def _refuse_moving_contacts(self, numbers: npt.NDArray[np.int64], synthesis: Synthesis) -> None:
        """Raise InputError where a contact that requirements name moves from draw to draw.

        A requirement has one origin and one earliest time, those of the nominal draw.
        """
        for key in FACT_KEYS:
            for name in sorted(self._stated[key]):
                times = self._fact(name, synthesis, numbers.size, key=key)
                if not numbers.any():
                    continue
                nominal = float(self.nominal().facts[name][0])
                moved = np.flatnonzero(np.abs(times - nominal) > SAME_TIME_S)
                if moved.size:
                    at = moved[0]
                    expected = (
                        f"a time that no tolerance moves: {1e3 * nominal:g} ms nominal,"
                        f" {1e3 * times[at]:g} ms in draw {numbers[at]}, and verdicts would count"
                        " from the nominal one"
                    )
                    raise InputError([Fault(f"recipe {self.name}", key, name, expected)])

    def _required(
        self,
        entry: RequirementEntry,
        synthesis: Synthesis,
        no_time: FloatArray,
        flights: dict[Flight, FloatArray],
    ) -> FloatArray:
        """Required times [s], shape (draws,); *no_time*: where none applies, one for all."""
        if entry.timing == "none":
            return no_time
        size, where = no_time.size, f"recipe {self.name}"
        if entry.timing == "explicit":
            if entry.required_ms is None:
                raise InputError([Fault(where, "required_ms", None, "a time for explicit timing")])
            return np.full(size, 1e-3 * entry.required_ms)
        if entry.timing == "free_flight":
            if synthesis.cabin_x is None:
                raise InputError(
                    [Fault(where, "timing", "free_flight", "a model with cabin motion")]
                )
            key = (entry.travel_mm, entry.inflation_ms, entry.origin_fact)
            if key not in flights:
                landed = flights_of_draws(
                    synthesis.cabin_x,
                    rate_hz=synthesis.rate_hz,
                    start_s=synthesis.start_s,
                    travel_m=1e-3 * entry.travel_mm,
                    origins_s=self._fact(entry.origin_fact, synthesis, size),
                )
                flights[key] = landed - 1e-3 * entry.inflation_ms
            return np.asarray(flights[key] + 1e-3 * entry.extra_ms)
        if entry.gap is None or entry.gap not in synthesis.gaps:
            known = nearest(str(entry.gap), synthesis.gaps)
            raise InputError([Fault(where, "gap", entry.gap, known)])
        closed = synthesis.gaps[entry.gap] <= 0.0
        times = synthesis.start_s + np.argmax(closed, axis=-1) / synthesis.rate_hz
        times = np.where(closed.any(axis=-1), times, np.nan)
        return np.asarray(times - 1e-3 * entry.inflation_ms + 1e-3 * entry.extra_ms)

    def _fact(
        self, name: str | None, synthesis: Synthesis, size: int, *, key: str = "origin_fact"
    ) -> FloatArray:
        if name is None:
            return np.zeros(size)
        if name not in synthesis.facts:
            known = nearest(name, synthesis.facts)
            raise InputError([Fault(f"recipe {self.name}", key, name, known)])
        return synthesis.facts[name]

    # -- events --------------------------------------------------------------------------------

    def events(self) -> list[Event]:
        """Synthesise the nominal signals and return the event, or one event a belt state."""
        block = self.nominal()
        # Rows of the block: signals are read only, and a library of them is large.
        signals = {name: signal.row(0, note="nominal") for name, signal in block.signals.items()}
        cabin = {axis: signal.row(0, note="nominal") for axis, signal in block.cabin.items()}
        quiet = frozenset(name for name, s in signals.items() if not s.samples.any())
        events = []
        for name, state in zip(self.event_names, self.belts, strict=True):
            requirements = {
                restraint: self._requirement(entry, block, name, restraint)
                for restraint, entry in self.requirements[state].items()
            }
            facts = {key: float(value[0]) for key, value in block.facts.items()}
            events.append(
                Event(
                    name,
                    family=self.family,
                    occurrence=self.occurrence,
                    context=Context(
                        belted=state == "belted",
                        passenger_seat_occupied=self.passenger_seat == "occupied",
                    ),
                    signals=signals,
                    cabin=cabin,
                    requirements=requirements,
                    source=self,
                    quiet=quiet,
                    title=self.title,
                    metadata={
                        "recipe": self.name,
                        "matrix": self.matrix,
                        "model": self.model.name,
                        "parameters": self.parameters.model_dump(mode="json"),
                        "basis": dict(self.basis),
                        "facts": facts,
                        "notes": self.notes,
                        "still_moving": self.still_moving,
                    },
                )
            )
        return events

    def _requirement(
        self, entry: RequirementEntry, block: SignalBlock, event: str, restraint: str
    ) -> Requirement:
        time = float(block.required_s[event][restraint][0])
        if entry.expectation == "fire" and not np.isfinite(time):
            expected = "a required time; the model never reaches the free travel or closes the gap"
            raise InputError([Fault(f"recipe {self.name}", restraint, entry.timing, expected)])
        own = float(block.facts.get(FREE_FLIGHT_FACT, np.array([np.nan]))[0]) - INFLATION_S
        stated = entry.timing == "explicit" and entry.expectation == "fire"
        if stated and time > own + LATER_S and not entry.reason:
            expected = (
                f"at most {1e3 * (own + LATER_S):.1f} ms: the event's own free flight gives"
                f" {1e3 * own:.1f}; or a reason beside it"
            )
            raise InputError(
                [Fault(f"recipe {self.name}", f"{restraint}.required_ms", 1e3 * time, expected)]
            )
        origin = entry.origin_fact
        early = entry.not_before_fact
        flies = entry.timing == "free_flight"
        return Requirement(
            entry.expectation,
            required_s=time if np.isfinite(time) else None,
            free_travel_m=1e-3 * entry.travel_mm if flies else None,
            inflation_s=1e-3 * entry.inflation_ms if flies else None,
            origin_s=float(block.facts[origin][0]) if origin else 0.0,
            not_before_s=float(block.facts[early][0]) if early else 0.0,
            basis=entry.basis,
            waiver=None
            if entry.waiver is None
            else Waiver(
                entry.waiver.why, entry.waiver.until, by=entry.waiver.by, on=entry.waiver.on
            ),
            order=entry.order_of(restraint, family=self.family),
        )

    # -- variants of the recipe ----------------------------------------------------------------

    def with_parameters(self, *, name: str, **changes: Any) -> Recipe:
        """Return the recipe under another name with some parameters changed (validated)."""
        values = {**self.parameters.model_dump(), **changes}
        try:
            parameters = self.model.parameters.model_validate(
                values, context={"folder": str(Path(self.file).parent)} if self.file else None
            )
        except ValidationError as error:
            layout = self.model.parameters
            raise InputError(
                faults_of(error, file=f"recipe {name}", within="parameters", layout=layout)
            ) from None
        return replace(self, name=name, occurrence=name, parameters=parameters)

    def mirrored(self) -> Recipe:
        """Return the recipe with left and right exchanged; same draws, same occurrence."""
        sides = {"left": "right", "right": "left", "none": "none"}
        return replace(
            self,
            name=f"{self.name}_mirrored",
            struck_side=sides[self.struck_side],
            is_mirrored=not self.is_mirrored,
            requirements={
                state: {MIRRORED_RESTRAINTS[r]: mirrored_entry(e) for r, e in entries.items()}
                for state, entries in self.requirements.items()
            },
        )


#: What a time of free flight depends on: travel, inflation time, fact that it counts from.
Flight = tuple[float, float, str | None]


def _cabin_motion(synthesis: Synthesis) -> dict[str, Signal]:
    """Rigid-body acceleration of the cabin by axis, as far as the model knows it; draw 0."""
    return {
        axis: Signal.owning(
            np.atleast_2d(samples)[:1].copy(),
            rate_hz=synthesis.rate_hz,
            start_s=synthesis.start_s,
            unit="m/s^2",
            axis=axis,
            location="cabin",
            history=("rigid-body motion",),
        )
        for axis, samples in (("x", synthesis.cabin_x), ("y", synthesis.cabin_y))
        if samples is not None
    }


def _rebuild(state: dict[str, Any]) -> Recipe:
    return Recipe(**{**state, "model": find_model(state["model"])})


def parse_recipe(text: str, *, path: str) -> Recipe:
    """Read one recipe from TOML text; every fault of the file is reported at once.

    Raises
    ------
    InputError : with one fault a field
    """
    data = toml_content(text, file=path)
    try:
        file = RecipeFile.model_validate(data)
    except ValidationError as error:
        raise InputError(faults_of(error, file=path, layout=RecipeFile)) from None
    faults: list[Fault] = []
    requirements, more = read_requirements(file, path=path)
    faults.extend(more)
    for key in file.parameters:
        if key not in file.basis:
            faults.append(Fault(path, f"basis.{key}", None, "the source of the parameter"))
    if len(set(file.belts)) != len(file.belts):
        faults.append(Fault(path, "belts", file.belts, "each belt state once"))
    try:
        model = find_model(file.model, file=path)
    except UnknownNameError as error:
        raise InputError([*faults, *error.faults]) from None
    for key in file.tolerances:
        if key not in model.tolerances:
            known = nearest(key, model.tolerances)
            faults.append(Fault(path, f"tolerances.{key}", key, known))
    parameters = None
    try:
        parameters = model.parameters.model_validate(
            file.parameters, context={"folder": str(Path(path).parent)}
        )
    except ValidationError as error:
        layout = model.parameters
        faults.extend(faults_of(error, file=path, within="parameters", layout=layout))
    faults.extend(misread(file.parameters, parameters, file=path, within="parameters"))
    if faults or parameters is None:
        raise InputError(faults)
    replaced = {k: Tolerance(t.kind, t.width, t.basis) for k, t in file.tolerances.items()}
    return Recipe(
        name=file.name,
        title=file.title,
        family=file.family,
        model=model,
        parameters=parameters,
        belts=tuple(file.belts),
        requirements=requirements,
        basis=file.basis,
        tolerances={**model.tolerances, **replaced},
        struck_side=file.struck_side,
        matrix=file.matrix,
        notes=file.notes,
        still_moving=file.still_moving,
        passenger_seat=file.passenger_seat,
        file=path,
        occurrence=file.name,
        is_mirrored=model.struck_left and file.struck_side == "right",
    )


def load_recipes(folder: str | Path | None = None) -> list[Recipe]:
    """Read every recipe below *folder* (the shipped library without one), sorted by family, name.

    All faults of all files are reported at once. Vehicle files (folder ``vehicles``) are skipped.
    The shipped files are parsed once, as long as none of them changes.
    """
    root = shipped_folder("pulses") if folder is None else Path(folder)
    if not root.is_dir():
        raise InputError([Fault(str(root), "", None, "a folder of recipe files (*.toml)")])
    files = sorted(root.rglob("*.toml"))
    if folder is not None:
        return _read_recipes(root, files)
    stamp = tuple((str(path), path.stat().st_mtime_ns) for path in files)
    # Copies: signals that a recipe has made are released with the recipe.
    return [replace(recipe) for recipe in _shipped_recipes(root, stamp)]


def recipe_of_event(name: str, *, folder: str | Path | None = None) -> Recipe:
    """Return the recipe that an event of a folder (the shipped library without one) comes from.

    A shipped recipe is in a file of its name, so that no other file is read for it.
    """
    if folder is None:
        recipes = (name, *(name.removesuffix(f"_{state}") for state in ("belted", "unbelted")))
        for path in sorted(shipped_folder("pulses").rglob("*.toml")):
            if path.stem in recipes and path.parent.name != VEHICLES:
                found = parse_recipe(read_text(path), path=str(path))
                if name in found.event_names:
                    return found
    known = load_recipes(folder)
    for recipe in known:
        if name in recipe.event_names:
            return recipe
    raise unknown_name("event", name, [event for recipe in known for event in recipe.event_names])


@lru_cache(maxsize=1)
def _shipped_recipes(root: Path, stamp: tuple[tuple[str, int], ...]) -> tuple[Recipe, ...]:
    files = [Path(path) for path, _ in stamp]
    return tuple(kept_recipes(files, read=lambda: _read_recipes(root, files)))


def _read_recipes(root: Path, files: Sequence[Path]) -> list[Recipe]:
    paths = [path for path in files if VEHICLES not in path.relative_to(root).parts]
    if not paths:
        raise InputError([Fault(str(root), "", None, "at least one recipe file (*.toml)")])
    recipes: list[Recipe] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            recipes.append(parse_recipe(read_text(path), path=str(path)))
        except InputError as error:
            faults.extend(error.faults)
    seen: dict[str, str] = {}
    for recipe in recipes:
        for name in {recipe.name, *recipe.event_names}:
            if name in seen:
                faults.append(
                    Fault(recipe.file, "name", name, f"a new name; taken by {seen[name]}")
                )
            seen[name] = recipe.file
    if faults:
        raise InputError(faults)
    return sorted(recipes, key=lambda r: (FAMILIES.index(r.family), r.name))


def load_events(
    names: Sequence[str] | str | None = None, *, folder: str | Path | None = None
) -> list[Event]:
    """Synthesise events by name, glob or family (all without *names*) from a recipe folder."""
    recipes = load_recipes(folder)
    known = {event: recipe.family for recipe in recipes for event in recipe.event_names}
    return events_of(recipes, set(select_events(names, known=known)))


def events_of(recipes: Sequence[Recipe], names: set[str] | None = None) -> list[Event]:
    """Return the events of some recipes, of those in *names* only, in the order of the recipes."""
    wanted = [r for r in recipes if names is None or names & set(r.event_names)]
    prepare(wanted)
    found = [event for recipe in wanted for event in recipe.events()]
    return [event for event in found if names is None or event.name in names]
