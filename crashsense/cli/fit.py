"""``crashsense fit vehicle``: a front structure fitted to your own wall test."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from crashsense.cli.printing import say
from crashsense.cli.targets import made, target_file
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from crashsense.synthesis.frontal.fit import Fit, WallRecord


@click.group(invoke_without_command=True)
@click.pass_context
def fit(context: click.Context) -> None:
    """Fit a model to your own measured record."""
    if context.invoked_subcommand is None:
        say(context.get_help())


@fit.command()
@click.argument("record", metavar="RECORD")
@click.option("--speed-kmh", type=float, help="Speed at the wall [km/h]; default: the record's.")
@click.option("--mass-kg", type=float, help="Mass as tested [kg]; default: the record's.")
@click.option("--start", default="small_car", show_default=True, help="Vehicle to start from.")
@click.option("--out", type=click.Path(dir_okay=False), default="my_car.toml", show_default=True)
@click.option(
    "--wall-force",
    type=click.Path(exists=True, dir_okay=False),
    help="CSV with time_s and total_kn, compression positive.",
)
@click.option("--rounds", type=click.IntRange(1), default=1000, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
def vehicle(
    record: str, speed_kmh: float | None, mass_kg: float | None, start: str, out: str,
    wall_force: str | None, rounds: int, seed: int,
) -> None:  # fmt: skip
    """Fit the front structure to a full-width wall test.

    RECORD is a record of a wall at 0 degrees (as of check-record); the mean of its events is taken.
    The fitted file works with every frontal recipe: name it in a plan, vehicle = "my_car.toml".
    """
    from crashsense.synthesis.frontal.fit import WITHOUT_RECORD, fit_vehicle, started, to_toml
    from crashsense.synthesis.frontal.vehicle import load_vehicle

    target = Path(out)
    if target.exists():
        raise InputError([Fault(out, "", None, "a new file; this one exists")])
    target_file(target, option="--out")
    measured = read_wall(record, speed_kmh=speed_kmh, mass_kg=mass_kg, wall_force=wall_force)
    car = started(load_vehicle(start, beside="."))
    car = car.model_copy(
        update={"name": target.stem, "title": f"Front structure fitted to {measured.name}"}
    )
    found = fit_vehicle(car, measured, seed=seed, rounds=rounds, report=_say)
    made(target).write_text(to_toml(found.vehicle), encoding="utf-8")
    say("\n".join(report_lines(found, without=WITHOUT_RECORD)))
    say(f"Wrote {target}")
    say(CAUTION)


def _say(number: int, cost: float) -> None:
    click.echo(f"round {number}: cost {cost:.1f}", err=True)


def read_wall(
    record: str, *, speed_kmh: float | None, mass_kg: float | None, wall_force: str | None
) -> WallRecord:
    """The mean pulse of a record's events, and the force on the wall where it was measured."""
    from crashsense.records import read_record
    from crashsense.synthesis.frontal.fit import WallRecord

    pulses = []
    rate = 0.0
    events = read_record(record)
    stated = {key: [e.metadata.get(key) for e in events] for key in ("speed_kmh", "mass_kg")}
    speed_kmh = next((v for v in [speed_kmh, *stated["speed_kmh"]] if v is not None), None)
    mass_kg = next((v for v in [mass_kg, *stated["mass_kg"]] if v is not None), None)
    if speed_kmh is None or mass_kg is None:
        missing = "--speed-kmh" if speed_kmh is None else "--mass-kg"
        raise InputError([Fault(record, missing, None, "a value; the record does not state it")])
    for event in events:
        signal = event.signals["central_x"]
        rate = signal.rate_hz
        first = round(-signal.start_s * rate)
        pulses.append(-signal.samples[first:] / 9.80665)
    if not pulses:
        raise InputError([Fault(record, "", None, "a record with a frontal crash")])
    size = min(pulse.size for pulse in pulses)
    force: Any = None
    if wall_force is not None:
        table = np.genfromtxt(wall_force, delimiter=",", names=True, comments="#")
        if table.dtype.names is None or not {"time_s", "total_kn"} <= set(table.dtype.names):
            raise InputError([Fault(wall_force, "", None, "columns time_s and total_kn")])
        grid = np.arange(size) / rate
        force = np.interp(grid, table["time_s"], table["total_kn"], right=0.0)
    return WallRecord(
        name=Path(record).name,
        speed_kmh=speed_kmh,
        mass_kg=mass_kg,
        deceleration_g=np.mean([pulse[:size] for pulse in pulses], axis=0),
        rate_hz=rate,
        wall_force_kn=force,
    )


def report_lines(found: Fit, *, without: tuple[str, ...]) -> list[str]:
    """Figures of a fit, and the numbers that were not fitted."""
    entry = found.vehicle.fit
    if entry is None:
        raise ValueError("a fitted vehicle")
    return [
        f"{entry.fitted} numbers fitted to {entry.to} values of {entry.record}"
        f" (seed {entry.seed}, {entry.rounds} rounds): cost {entry.start_cost:.1f} ->"
        f" {entry.cost:.1f}",
        "Misses (sums of squares, each in units of its tolerance):",
        *(f"  {name:<24}{value:8.1f}" for name, value in found.misses.items()),
        "Other conditions of the fit:",
        *(f"  {line}" for line in without),
        "Not fitted, kept from the starting vehicle: sensing locations, centre, upper body, sill,"
        " lengths that fold, damping of what is crushed, geometry.",
    ]
