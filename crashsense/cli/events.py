"""``crashsense events``: list, show and export the events of a recipe folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crashsense.errors import Fault, InputError, nearest
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from crashsense.event import Event
    from crashsense.synthesis.recipe import Recipe

_FOLDER = click.option(
    "--folder", type=click.Path(), default=None, help="A recipe folder of your own."
)


@click.group(invoke_without_command=True)
@click.option("--family", default=None, help="Only events of this family.")
@click.option("--restraint", default=None, help="Only events that state more than 'open' for it.")
@click.option("--expectation", default=None, help="fire, no_fire or open (of any restraint).")
@click.option("--format", "style", default="text", help="text or json.")
@_FOLDER
@click.pass_context
def events(
    context: click.Context,
    family: str | None,
    restraint: str | None,
    expectation: str | None,
    style: str,
    folder: str | None,
) -> None:
    """List the events of the library or of a folder; show and export single ones."""
    if context.invoked_subcommand is not None:
        given = {
            "--family": family,
            "--restraint": restraint,
            "--expectation": expectation,
            "--folder": folder,
            "--format": None if style == "text" else style,
        }
        faults = [
            Fault("command line", name, value, f"the option after {context.invoked_subcommand!r}")
            for name, value in given.items()
            if value is not None
        ]
        if faults:
            raise InputError(faults)
        return
    _check_filters(family, restraint, expectation, style)
    from crashsense.synthesis import load_recipes

    rows = [
        row
        for recipe in load_recipes(folder)
        for row in _rows(recipe)
        if family in (None, row["family"]) and _fits(row["expectations"], restraint, expectation)
    ]
    if style == "json":
        click.echo(json.dumps({"schema": 1, "caution": CAUTION, "events": rows}, indent=1))
        return
    width = max((len(row["name"]) for row in rows), default=10)
    current = None
    for row in rows:
        if row["family"] != current:
            current = row["family"]
            click.echo(f"\n{current}" if row is not rows[0] else str(current))
        fires = [r for r, e in row["expectations"].items() if e == "fire"]
        holds = [r for r, e in row["expectations"].items() if e == "no_fire"]
        word = f"fire {', '.join(fires)}" if fires else ("no fire" if holds else "open")
        click.echo(f"  {row['name']:<{width}}  {row['matrix']:<4} {row['title']}  [{word}]")
    click.echo(f"\n{len(rows)} events. crashsense events show NAME   card and figure of one")


def _check_filters(
    family: str | None, restraint: str | None, expectation: str | None, style: str
) -> None:
    from crashsense.event import EXPECTATIONS, FAMILIES, RESTRAINTS

    checks = (
        ("--family", family, FAMILIES),
        ("--restraint", restraint, RESTRAINTS),
        ("--expectation", expectation, EXPECTATIONS),
        ("--format", style, ("text", "json")),
    )
    faults = [
        Fault("command line", name, value, nearest(value, known))
        for name, value, known in checks
        if value is not None and value not in known
    ]
    if faults:
        raise InputError(faults)


def _fits(expectations: dict[str, str], restraint: str | None, expectation: str | None) -> bool:
    if restraint is not None:
        found = expectations[restraint]
        return found != "open" if expectation is None else found == expectation
    return expectation is None or expectation in expectations.values()


def _rows(recipe: Recipe) -> list[dict[str, Any]]:
    """What a program needs to know of the recipe's events, without physics."""
    from crashsense.event import RESTRAINTS

    return [
        {
            "name": name,
            "title": recipe.title,
            "family": recipe.family,
            "matrix": recipe.matrix,
            "recipe": recipe.name,
            "file": Path(recipe.file).name,
            "model": recipe.model.name,
            "occurrence": recipe.occurrence,
            "belted": state == "belted",
            "struck_side": recipe.struck_side,
            "varies": recipe.varies,
            "parameters": recipe.parameters.model_dump(mode="json"),
            "basis": dict(recipe.basis),
            "tolerances": {
                key: {"kind": t.kind, "width": t.width, "basis": t.basis}
                for key, t in recipe.tolerances.items()
            },
            "expectations": {r: recipe.requirements[state][r].expectation for r in RESTRAINTS},
            "requirements": {
                r: recipe.requirements[state][r].model_dump(mode="json") for r in RESTRAINTS
            },
            "notes": recipe.notes,
        }
        for name, state in zip(recipe.event_names, recipe.belts, strict=True)
    ]


def _find(name: str, folder: str | None) -> tuple[Recipe, Event]:
    from crashsense.errors import unknown_name
    from crashsense.synthesis import load_recipes

    recipes = load_recipes(folder)
    for recipe in recipes:
        if name in recipe.event_names:
            return recipe, next(event for event in recipe.events() if event.name == name)
    raise unknown_name("event", name, [n for recipe in recipes for n in recipe.event_names])


@events.command()
@click.argument("name")
@click.option("--figure", type=click.Path(), default=None, help="File (.png, .svg, .pdf) to draw.")
@_FOLDER
def show(name: str, figure: str | None, folder: str | None) -> None:
    """Print the card of an event and draw its motion to a file (NAME.png without --figure)."""
    recipe, event = _find(name, folder)
    target = Path(figure if figure is not None else f"{name}.png")
    _check_target(target, (".png", ".svg", ".pdf"), option="--figure")
    click.echo(CAUTION + "\n")
    for line in card(recipe, event):
        click.echo(line)
    draw(recipe, event, target)
    click.echo(f"\nFigure: {target}")


def _check_target(path: Path, endings: tuple[str, ...], *, option: str) -> None:
    faults = []
    if path.suffix.lower() not in endings:
        faults.append(Fault("command line", option, str(path), f"a name in {', '.join(endings)}"))
    if not path.absolute().parent.is_dir():
        faults.append(Fault("command line", option, str(path), "a file in an existing folder"))
    if faults:
        raise InputError(faults)


def card(recipe: Recipe, event: Event) -> list[str]:
    """The card of an event: model, parameters with basis, requirements, key figures."""
    lines = [
        event.title,
        f"  event {event.name}, family {event.family}, matrix row {recipe.matrix or '-'}",
        f"  model {recipe.model.name}: {recipe.model.title}",
        f"  context: {'belted' if event.context.belted else 'unbelted'}",
        "",
        "Parameters",
    ]
    for key, value in recipe.parameters.model_dump(mode="json").items():
        basis = recipe.basis.get(key, "default of the model")
        lines.append(f"  {key:<22} {value!s:<18} {basis}")
    lines += ["", "Requirements (time to fire from time zero)"]
    for restraint, entry in event.requirements.items():
        time = "" if entry.required_s is None else f"{1e3 * entry.required_s:.1f} ms"
        lines.append(f"  {restraint:<22} {entry.expectation:<8} {time:<9} {entry.basis}")
    lines += ["", "Figures"]
    for label, value in key_figures(recipe, event):
        lines.append(f"  {label:<40} {value}")
    lines += ["", "Tolerances (standard deviation, or half width if uniform)"]
    for key, tolerance in recipe.tolerances.items():
        lines.append(f"  {key:<22} {tolerance.kind:<8} {tolerance.width:<7g} {tolerance.basis}")
    if recipe.notes:
        lines += ["", recipe.notes]
    return lines


def key_figures(recipe: Recipe, event: Event) -> list[tuple[str, str]]:
    """Peak, velocity change and duration of the cabin, and what the model states of itself."""
    import numpy as np

    from crashsense.units import STANDARD_GRAVITY

    synthesis = recipe.synthesise([0], seed=0)
    out = []
    for axis, cabin in (("x", synthesis.cabin_x), ("y", synthesis.cabin_y)):
        if cabin is None or not cabin.any():
            continue
        samples = cabin[0]
        window = max(1, round(0.005 * synthesis.rate_hz))
        total = np.concatenate([[0.0], np.cumsum(samples)])
        mean = np.abs(total[window:] - total[:-window]) / window
        duration = float(np.count_nonzero(np.abs(samples) > 0.05 * np.abs(samples).max()))
        out += [
            (f"cabin {axis}: peak of 5 ms mean", f"{mean.max() / STANDARD_GRAVITY:.1f} g"),
            (
                f"cabin {axis}: velocity change",
                f"{3.6 * abs(total[-1]) / synthesis.rate_hz:.1f} km/h",
            ),
            (
                f"cabin {axis}: duration above 5 % of peak",
                f"{1e3 * duration / synthesis.rate_hz:.0f} ms",
            ),
        ]
    out += [(key, f"{float(value[0]):.4g}") for key, value in synthesis.facts.items()]
    for channel, signal in event.signals.items():
        if signal.unit == "m/s^2" and signal.samples.any():
            peak = float(np.abs(signal.samples).max()) / STANDARD_GRAVITY
            out.append((f"{channel}: peak", f"{peak:.1f} g"))
    return out


def draw(recipe: Recipe, event: Event, path: Path) -> None:
    """Draw acceleration, velocity, displacement and free-flight travel to a file."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from crashsense.occupant import FREE_TRAVEL_M
    from crashsense.signal import cumulative_trapezoid
    from crashsense.units import STANDARD_GRAVITY

    synthesis = recipe.synthesise([0], seed=0)
    name = next(
        (n for n in ("central_x", "central_y", "central_z") if n in event.signals),
        next(iter(event.signals)),
    )
    loud = max(
        (n for n in ("central_x", "central_y", "central_z") if n in event.signals),
        key=lambda n: float(np.abs(event.signals[n].samples).max()),
        default=name,
    )
    cabin = synthesis.cabin_x if loud.endswith("x") else synthesis.cabin_y
    signal = event.signals[loud]
    times = 1e3 * signal.times_s
    rigid = signal.samples if cabin is None else cabin[0]
    step = 1.0 / signal.rate_hz
    velocity = cumulative_trapezoid(rigid, step_s=step)
    start = float(synthesis.facts.get("speed_m_s", np.zeros(1))[0]) if loud.endswith("x") else 0.0
    moved = cumulative_trapezoid(velocity, step_s=step)
    since = np.maximum(0.0, 1e-3 * times)
    figure = Figure(figsize=(8.0, 10.0), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(4, 1, sharex=True)
    axes[0].plot(times, signal.samples / STANDARD_GRAVITY, color="0.6", lw=0.5, label=loud)
    axes[0].plot(times, rigid / STANDARD_GRAVITY, color="C0", lw=1.2, label="rigid body")
    axes[0].set_ylabel("acceleration [g]")
    axes[0].legend(loc="lower right", fontsize=8)
    axes[1].plot(times, 3.6 * (start + velocity), color="C0")
    axes[1].set_ylabel("velocity [km/h]")
    axes[2].plot(times, 1e3 * (start * since + moved), color="C0")
    axes[2].set_ylabel("displacement [mm]")
    axes[3].plot(times, 1e3 * np.abs(moved), color="C0", label="free flight")
    axes[3].axhline(1e3 * FREE_TRAVEL_M, color="0.4", ls="--", lw=0.8, label="127 mm")
    axes[3].set_ylabel("free-flight travel [mm]")
    axes[3].set_ylim(0.0, 400.0)
    axes[3].set_xlabel("time from first contact [ms]")
    for restraint, entry in event.requirements.items():
        if entry.required_s is not None and entry.expectation == "fire":
            axes[3].axvline(1e3 * entry.required_s, color="C3", lw=0.8)
            axes[3].annotate(
                restraint, (1e3 * entry.required_s, 390.0), rotation=90, fontsize=6, va="top"
            )
    axes[3].legend(loc="lower right", fontsize=8)
    axes[0].set_title(event.title)
    figure.savefig(path, metadata={} if path.suffix == ".png" else {"Date": None})


@events.command()
@click.argument("name")
@click.option("--out", required=True, type=click.Path(), help="File to write (.csv, .parquet).")
@_FOLDER
def export(name: str, out: str, folder: str | None) -> None:
    """Write the signals of an event to CSV or Parquet, with metadata."""
    target = Path(out)
    _check_target(target, (".csv", ".parquet"), option="--out")
    _, event = _find(name, folder)
    write_signals(event, target)
    click.echo(f"{target}: {len(event.signals)} signals")


def write_signals(event: Event, path: Path) -> None:
    """Write ``time_s`` and one column a signal; metadata as JSON (CSV: a first comment line)."""
    import numpy as np

    from crashsense.channels import CHANNELS

    first = next(iter(event.signals.values()))
    columns = {"time_s": np.round(first.times_s, 9)}
    for name, signal in event.signals.items():
        if signal.rate_hz != first.rate_hz or signal.size != first.size:
            raise InputError([Fault(event.name, name, signal.rate_hz, "one time base for all")])
        channel = CHANNELS[name]
        columns[channel.file_name] = signal.samples / channel.file_scale
    metadata = {
        "schema": 1,
        "event": event.name,
        "title": event.title,
        "family": event.family,
        "occurrence": event.occurrence,
        "belted": event.context.belted,
        "driver_seat_occupied": event.context.driver_seat_occupied,
        "passenger_seat_occupied": event.context.passenger_seat_occupied,
        "quiet": sorted(event.quiet),
        "rate_hz": first.rate_hz,
        "axes": "SAE J211 / J1733: +x forward, +y right, +z down; rest value removed",
        "rest_value_removed": True,
        "requirements": {
            restraint: {
                "expectation": entry.expectation,
                "required_time_ms": None if entry.required_s is None else 1e3 * entry.required_s,
                "origin_ms": 1e3 * entry.origin_s,
                "not_before_ms": 1e3 * entry.not_before_s,
                "basis": entry.basis,
                "waiver": None if entry.waiver is None else vars(entry.waiver),
            }
            for restraint, entry in event.requirements.items()
        },
        "source": dict(event.metadata),
        "caution": CAUTION,
    }
    text = json.dumps(metadata, default=str)
    if path.suffix.lower() == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        table = pa.table(columns).replace_schema_metadata({"crashsense": text})
        pq.write_table(table, path)
        return
    import pandas as pd

    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {text}\n")
        pd.DataFrame(columns).to_csv(file, index=False, float_format="%.9g", lineterminator="\n")
