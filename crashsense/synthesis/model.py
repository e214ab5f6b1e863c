"""Interface of a physical pulse model: validated parameters in, signals and motion out."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense import draws as random_draws
from crashsense.arrays import FloatArray, IntArray
from crashsense.draws import WordArray
from crashsense.errors import unknown_name
from crashsense.synthesis.side_by_side import Steps
from crashsense.values import Shown

if TYPE_CHECKING:
    from pydantic import BaseModel


#: Among what is read of a model: the motion of the cabin, from which free flight is computed.
CABIN = "cabin"


@dataclass(frozen=True)
class Tolerance:
    """How one quantity of a model varies from draw to draw.

    ``kind``: ``"scale"`` (relative, normal, cut at 3 sigma: the quantity is multiplied by 1 + d),
    ``"shift"`` (absolute, normal, cut at 3 sigma: d is added), ``"uniform"`` (d uniform in
    -width..+width, added) or ``"phase"`` (d uniform in 0..1). Draw 0 has d = 0 always.
    """

    kind: str
    width: float
    basis: str


@dataclass(frozen=True, eq=False)
class Variation(Shown):
    """The deviations of a block of draws from nominal, and its noise, all by name.

    ``deviations[name]`` has shape (draws,); ``noise(role, width)`` returns standard normal numbers
    of shape (draws, width). The nominal draw has deviation 0 and, for each role, one stated noise
    that neither a seed nor the name of the occurrence changes: a copy under another name has the
    same nominal signals.

    ``only``: names of channels and facts that are read, and :data:`CABIN` where the motion of the
    cabin is; None: all. A model may leave out others, and makes the same of those that it makes.
    """

    draws: npt.NDArray[np.int64]
    seed: int
    occurrence: str
    deviations: Mapping[str, FloatArray] = field(default_factory=dict)
    only: frozenset[str] | None = None

    def reads(self, *names: str) -> bool:
        """True if one of the channels or facts (or :data:`CABIN`) is read."""
        return self.only is None or not self.only.isdisjoint(names)

    @property
    def size(self) -> int:
        """Number of draws."""
        return int(self.draws.size)

    def deviation(self, name: str) -> FloatArray:
        """Deviation of the named quantity, zeros where it does not vary, shape (draws,)."""
        known = self.deviations.get(name)
        return np.zeros(self.size) if known is None else known

    def factor(self, name: str) -> FloatArray:
        """1 + deviation, shape (draws,)."""
        return 1.0 + self.deviation(name)

    def noise(self, role: str, width: int) -> FloatArray:
        """White noise of unit deviation, shape (draws, width); one stream a role."""
        start, step = self.noise_rows([role])
        return random_draws.noise_of(start[0], step[0], width)

    def noise_rows(self, roles: Sequence[str]) -> tuple[WordArray, WordArray]:
        """Rows of :func:`crashsense.draws.noise_of` that hold it, two arrays (roles, draws)."""

        def rows(draws: IntArray, seed: int, names: Sequence[tuple[str, ...]]) -> list[WordArray]:
            found = random_draws.rows_of_names(draws, "noise", seed, names)
            return [words.reshape(len(names), draws.size) for words in found]

        out = rows(self.draws, self.seed, [(self.occurrence, "pulse", role) for role in roles])
        nominal = self.draws == 0
        if nominal.any():
            names = [("pulse", role, "nominal") for role in roles]
            one = rows(np.ones(1, dtype=np.int64), 0, names)
            for words, own in zip(out, one, strict=True):
                words[:, nominal] = own
        return out[0], out[1]


def draw_variation(
    draws: npt.NDArray[np.int64],
    *,
    seed: int,
    occurrence: str,
    tolerances: Mapping[str, Tolerance],
) -> Variation:
    """Draw the deviations of every tolerance for the given draws."""

    def drawn(numbers: Callable[..., FloatArray], names: Sequence[str]) -> FloatArray:
        axes = [(occurrence, "pulse", "tolerance", name) for name in names]
        return numbers(axes, draws, width=1, seed=seed)[:, :, 0]

    normal = [name for name, one in tolerances.items() if one.kind in ("scale", "shift")]
    deviates = np.clip(drawn(random_draws.normals_of, normal), -3.0, 3.0)
    uniform = [name for name in tolerances if name not in normal]
    shares = drawn(random_draws.uniforms_of, uniform)
    deviations = {
        name: tolerances[name].width * row for name, row in zip(normal, deviates, strict=True)
    }
    nominal = draws == 0
    for name, share in zip(uniform, shares, strict=True):
        deviations[name] = share
        if tolerances[name].kind == "uniform":
            deviations[name] = tolerances[name].width * (2.0 * np.where(nominal, 0.5, share) - 1.0)
    return Variation(draws=draws, seed=seed, occurrence=occurrence, deviations=deviations)


@dataclass(frozen=True, eq=False)
class Synthesis(Shown):
    """What a model returns: arrays of shape (draws, samples) in SI, J211 axes.

    Parameters
    ----------
    signals : channel -> samples, the true signals at the sensing locations (local ringing included)
    rate_hz, start_s : common time base
    cabin_x, cabin_y : true rigid-body acceleration of the cabin [m/s^2], from which free flight is
        computed (never from local ringing); None where the model has none, or it is not read. In
        ground axes: of a body that rolls over, ``cabin_y`` is not what a sensor on it reads
    gaps : name -> distance [m] still open between struck structure and occupant, falling with time,
        for requirements by gap closure
    quiet : channels that are silent in this event (only offset and noise arrive); do not list them
        in ``signals``
    facts : name -> shape (draws,): crush [m], velocity change [m/s], ...
    trace : name -> samples of inner quantities, for cards and tests (forces, energies, crush).
        ``reading_y``: ``central_y`` before ringing, where the body turns so far that it differs
        from ``cabin_y``
    """

    signals: Mapping[str, FloatArray]
    rate_hz: float
    start_s: float
    cabin_x: FloatArray | None = None
    cabin_y: FloatArray | None = None
    gaps: Mapping[str, FloatArray] = field(default_factory=dict)
    quiet: frozenset[str] = frozenset()
    facts: Mapping[str, FloatArray] = field(default_factory=dict)
    trace: Mapping[str, FloatArray] = field(default_factory=dict)

    @property
    def length(self) -> int:
        """Number of samples of every signal, silent ones included."""
        made = (*self.signals.values(), self.cabin_x, self.cabin_y)
        return next(samples.shape[-1] for samples in made if samples is not None)


@dataclass(frozen=True)
class PulseModel(Shown):
    """A physical model that recipes name by ``model = "..."``.

    ``parameters`` is a pydantic model that validates the recipe's ``[parameters]`` table (units in
    the names: ``speed_kmh``, ``mass_kg``; ranges by ``Field``). ``simulate(parameters, variation)``
    integrates all draws of the variation in one batch. With ``struck_left = True`` the model
    always strikes the left side, and a recipe whose ``struck_side`` is right is its mirror image.
    ``steps``: the same for some hundred draws at most, in steps that wait for what is integrated,
    so that several events march side by side; None for a model that does not wait.
    """

    name: str
    parameters: type[BaseModel]
    simulate: Callable[[Any, Variation], Synthesis]
    tolerances: Mapping[str, Tolerance]
    title: str
    struck_left: bool = False
    steps: Callable[[Any, Variation], Steps[Synthesis]] | None = None

    def in_steps(self, parameters: Any, variation: Variation) -> Steps[Synthesis]:
        """Run the model in steps; one that does not wait takes a single one."""
        if self.steps is None:
            return self.simulate(parameters, variation)
        return (yield from self.steps(parameters, variation))


#: Module in this room -> pulse models that it registers when it is imported.
SHIPPED: Mapping[str, tuple[str, ...]] = {
    "frontal.impact": ("frontal_impact",),
    "combined": ("kerb_then_wall",),
    "misuse.blows": ("blow", "hard_blow", "kerb_slide"),
    "misuse.door_blows": ("door_blow", "door_slam"),
    "road.ride": (
        "kerb_climb", "pothole", "road_hump", "road_dip", "jump_landing", "rail_crossing",
        "random_road", "washboard", "cobbles", "braking",
    ),
    "side.side_impact": ("side_impact",),
    "side.rear_impact": ("rear_impact",),
    "rollover.roll": ("rollover",),
}  # fmt: skip

_MODELS: dict[str, PulseModel] = {}


def register_model(model: PulseModel) -> PulseModel:
    """Make *model* known to recipes by its name."""
    if model.name in _MODELS:
        raise ValueError(f"pulse model {model.name!r} is registered twice")
    _MODELS[model.name] = model
    return model


def find_model(name: str, *, file: str = "") -> PulseModel:
    """Return the model called *name*; its module is imported now if it has not been."""
    if name not in _MODELS:
        module = next((module for module, names in SHIPPED.items() if name in names), None)
        if module is None:
            raise unknown_name("model", name, known_models(), file=file)
        importlib.import_module(f"crashsense.synthesis.{module}")
    return _MODELS[name]


def known_models() -> tuple[str, ...]:
    """Names of all pulse models, sorted."""
    return tuple(sorted({*_MODELS, *(name for names in SHIPPED.values() for name in names)}))
