"""Severity: a crash recipe over a range of speeds, a misuse recipe from nominal to severe.

:func:`speed_sweep` returns a recipe at several speeds, each with what its kind of crash requires at
that speed; how is known to the module that registered itself for the recipe's model.

:func:`severity_sweep` goes from the nominal to the severe setting of a misuse recipe. ``NAME`` and
``NAME_severe`` differ in a few numbers of the same model. Share 0 is the nominal setting, 1 the
severe one; between them every number that differs runs linearly. A share above 1 goes on along the
same line, which only a recipe with an *open* end allows: past its bound on the velocity change the
front restraints are open.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from crashsense.errors import Fault, InputError, nearest, unknown_name
from crashsense.synthesis.recipe import Recipe, load_recipes
from crashsense.synthesis.recipe_file import RequirementEntry
from crashsense.wording import faults_of

SEVERE = "_severe"

#: Velocity change [m/s] past which the undercarriage hit is grey or fire (event matrix, memory).
OPEN_ABOVE_M_S = 5.0

FRONT = ("front_airbag_stage_1", "front_airbag_stage_2", "belt_pretensioner")


#: (recipe, speeds [km/h]) -> the recipe at each speed.
SpeedSweep = Callable[[Recipe, Sequence[float]], list[Recipe]]

#: Modules in this room that register what their models require at rising speed.
SWEEP_MODULES: tuple[str, ...] = ("frontal.severity", "side.severity")

_SWEEPS: dict[str, SpeedSweep] = {}


def register_speed_sweep(*models: str, sweep: SpeedSweep) -> None:
    """Make *sweep* the way to run recipes of the named models over a range of speeds."""
    for model in models:
        if model in _SWEEPS:
            raise ValueError(f"two speed sweeps for pulse model {model!r}")
        _SWEEPS[model] = sweep


def swept_models() -> tuple[str, ...]:
    """Names of the models whose recipes run over a range of speeds, sorted."""
    return tuple(sorted(_sweeps()))


def _sweeps() -> dict[str, SpeedSweep]:
    """Every registered sweep; those that ship are imported at the first call."""
    for module in SWEEP_MODULES:
        importlib.import_module(f"crashsense.synthesis.{module}")
    return _SWEEPS


def speed_sweep(recipe: Recipe | str, *, speeds_kmh: Sequence[float]) -> list[Recipe]:
    """Return a frontal, side or rear recipe at each speed.

    Each has its speed in its name (``wall_full_25_at_17.5``), draws of its own, and per belt state
    the requirements of its kind of crash at that speed: ``no_fire``, ``open`` or ``fire``.

    Parameters
    ----------
    recipe : of a model that requires something by speed (:func:`swept_models`); a recipe of the
        library also by its name or the name of one of its events
    speeds_kmh : at least one

    Raises
    ------
    InputError : an unknown name or something that is no recipe; a recipe of another model; or no
        speed, or all that the model refuses, at once
    """
    recipe = _recipe_of(recipe)
    model = recipe.model.name
    sweeps = _sweeps()
    if model not in sweeps:
        expected = f"a model with requirements by speed: {', '.join(swept_models())}"
        raise InputError([Fault(f"recipe {recipe.name}", "model", model, expected)])
    return sweeps[model](recipe, speeds_kmh)


def at_speeds(recipe: Recipe, speeds_kmh: Sequence[float]) -> list[tuple[float, Recipe]]:
    """Return the recipe at each speed [km/h], its requirements unchanged, named after the speed.

    Raises
    ------
    InputError : no speed, or all that the model refuses, at once
    """
    faults: list[Fault] = []
    found: list[tuple[float, Recipe]] = []
    if not len(speeds_kmh):
        faults.append(Fault(f"recipe {recipe.name}", "speeds_kmh", None, "at least one speed"))
    for speed in map(float, speeds_kmh):
        try:
            name = f"{recipe.name}_at_{speed:g}"
            found.append((speed, recipe.with_parameters(name=name, speed_kmh=speed)))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return found


def _recipe_of(given: object) -> Recipe:
    """A recipe as it is, or the one of the library with this name or an event of this name."""
    if isinstance(given, Recipe):
        return given
    if not isinstance(given, str):
        expected = "a recipe, or the name of one of the library"
        raise InputError([Fault("speed sweep", "recipe", given, expected)])
    recipes = load_recipes()
    for recipe in recipes:
        if given == recipe.name or given in recipe.event_names:
            return recipe
    raise unknown_name("recipe", given, [recipe.name for recipe in recipes])


@dataclass(frozen=True, eq=False)
class SeverityPair:
    """A nominal recipe and its severe setting."""

    nominal: Recipe
    severe: Recipe

    @property
    def differing(self) -> tuple[str, ...]:
        """Names of the parameters that differ."""
        ours, theirs = self.nominal.parameters.model_dump(), self.severe.parameters.model_dump()
        return tuple(key for key in ours if ours[key] != theirs[key])

    def at(self, share: float) -> Recipe:
        """The recipe at *share* of the way from nominal (0) to severe (1)."""
        return _between(self, share)


def severity_pairs(recipes: Iterable[Recipe]) -> dict[str, SeverityPair]:
    """Every recipe that has a severe setting, by the name of the nominal one."""
    known = {recipe.name: recipe for recipe in recipes}
    return {
        name: SeverityPair(recipe, known[name + SEVERE])
        for name, recipe in known.items()
        if name + SEVERE in known
    }


def severity_sweep(
    name: str, *, recipes: Iterable[Recipe], shares: Sequence[float]
) -> list[Recipe]:
    """Recipes at the given shares of the way from nominal to severe.

    Raises
    ------
    InputError : the recipe has no severe setting, or a share outside its range
    """
    pairs = severity_pairs(recipes)
    if name not in pairs:
        raise InputError([Fault("", "recipe", name, nearest(name, pairs))])
    return [pairs[name].at(share) for share in shares]


def _between(pair: SeverityPair, share: float) -> Recipe:
    nominal, severe = pair.nominal, pair.severe
    runs_on = nominal.matrix == "M07"
    if not (0.0 <= share <= 1.0 or (runs_on and share > 1.0)):
        expected = "0 to 1" + (", or above 1 into the open range" if runs_on else "")
        raise InputError([Fault(f"recipe {nominal.name}", "share", share, expected)])
    ours, theirs = nominal.parameters.model_dump(), severe.parameters.model_dump()
    values: dict[str, Any] = {}
    for key, low in ours.items():
        high = theirs[key]
        if low == high:
            values[key] = low
        elif isinstance(low, float) and isinstance(high, float):
            values[key] = low + share * (high - low)
        else:
            values[key] = low if share < 1.0 else high
    label = f"{nominal.name}_severity_{round(100 * share)}"
    try:
        parameters = nominal.model.parameters.model_validate(values)
    except ValidationError as error:
        layout = nominal.model.parameters
        raise InputError(
            faults_of(error, file=f"recipe {label}", within="parameters", layout=layout)
        ) from None
    recipe = replace(
        nominal,
        name=label,
        # the same occurrence: the draws of a sweep differ by nothing but the setting
        occurrence=nominal.occurrence,
        parameters=parameters,
        title=f"{nominal.title} ({100 * share:.0f} % of the way to the severe setting)",
    )
    return _opened(recipe) if share > 1.0 else recipe


def _opened(recipe: Recipe) -> Recipe:
    """The recipe with the front restraints open where its velocity change passes the bound."""
    change = abs(float(recipe.nominal().facts["velocity_change_m_s"][0]))
    if change <= OPEN_ABOVE_M_S:
        return recipe
    entry = RequirementEntry(
        expectation="open",
        basis=f"velocity change {change:.1f} m/s, above {OPEN_ABOVE_M_S:g}: grey (memory)",
    )
    requirements = {
        state: {r: entry if r in FRONT else kept for r, kept in entries.items()}
        for state, entries in recipe.requirements.items()
    }
    return replace(recipe, requirements=requirements)
