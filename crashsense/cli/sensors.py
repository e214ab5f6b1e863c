"""``crashsense sensors``: shipped parts and sensor sets, and what stands behind their numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from crashsense.cli import LazyGroup
from crashsense.errors import unknown_name

if TYPE_CHECKING:
    from crashsense.sensing import Sensor, SensorSet
    from crashsense.sensing.faults import SensorFault


@click.group(cls=LazyGroup, invoke_without_command=True)
@click.pass_context
def sensors(context: click.Context) -> None:
    """List or show sensor parts, sensor sets and faults; without a word: list."""
    if context.invoked_subcommand is None:
        _list()


@sensors.command("list")
def list_command() -> None:
    """List the shipped parts, sensor sets and faults."""
    _list()


@sensors.command()
@click.argument("name")
def show(name: str) -> None:
    """Show a part, a sensor set, a sensor file or a fault: numbers, their basis, delays."""
    from crashsense.sensing import find_part, load_sensor_set, part_names, sensor_set_names
    from crashsense.sensing.catalogue import fault_kinds

    if name in part_names():
        _show_part(find_part(name))
    elif name in sensor_set_names() or name.endswith(".toml"):
        _show_set(load_sensor_set(name))
    elif name in fault_kinds():
        _show_faults(name)
    else:
        raise unknown_name("sensor", name, {*part_names(), *sensor_set_names(), *fault_kinds()})


@sensors.command()
@click.argument("kind", required=False)
def faults(kind: str | None) -> None:
    """Print the faults that a sensor file may plug in: parameters, units, an example of each.

    KIND: only this one.
    """
    from crashsense.sensing.catalogue import fault_kinds

    known = fault_kinds()
    if kind is not None and kind not in known:
        raise unknown_name("fault", kind, known)
    click.echo("A fault stands below the part that it befalls; a part may have several.")
    for name in known if kind is None else (kind,):
        click.echo()
        _show_faults(name)


def _show_faults(kind: str) -> None:
    from crashsense.sensing.fault_cards import fault_lines

    for line in fault_lines(kind):
        click.echo(line)


def _list() -> None:
    from crashsense.sensing import find_part, load_sensor_set, part_names, sensor_set_names
    from crashsense.sensing.catalogue import fault_kinds
    from crashsense.sensing.sensor_file import UNITS

    click.echo("Sensor sets")
    for name in sensor_set_names():
        click.echo(f"  {name:<16} {load_sensor_set(name).title}")
    click.echo("\nGeneric parts (no maker; tolerances are one standard deviation)")
    for name in part_names():
        part = find_part(name)
        unit, scale = UNITS[part.kind]
        poles = f"{part.filter_order}-pole {part.filter_kind}"
        click.echo(
            f"  {name:<20} +/-{part.range / scale:<5g} {unit.replace('_', '/'):<6}"
            f" {part.corner_hz:4g} Hz {poles:<19} {part.bits:2d} bit  {part.title}"
        )
    click.echo(f"\nFaults that a sensor file may plug in: {', '.join(fault_kinds())}")
    click.echo("crashsense sensors faults      their parameters, units and examples")
    click.echo("crashsense sensors show NAME   numbers of a part or a set, and their basis")


def _show_part(part: Sensor) -> None:
    from crashsense.sensing.sensor_file import file_names

    click.echo(f"{part.part}: {part.title}".removesuffix(": "))
    rows: list[tuple[str, str]] = [
        (name, f"{getattr(part, field) / factor:g}")
        for name, (field, factor) in file_names(part.kind).items()
    ]
    rows[9:9] = [(name, str(getattr(part, name))) for name in ("filter_kind", "filter_order")]
    rows += [
        (name, str(getattr(part, name)))
        for name in ("bits", "code_limit", "failed_code", "on_lost", "combine")
    ]
    for name, value in rows:
        click.echo(f"  {name:<34} {value:<12} {part.basis.get(name, '')}".rstrip())
    for fault in part.faults:
        click.echo(f"  fault {fault.kind:<28} {_fault_numbers(fault, kind=part.kind)}".rstrip())


def _fault_numbers(fault: SensorFault, *, kind: str) -> str:
    """Parameters of a fault in the names and units of a file."""
    from crashsense.sensing.fault_cards import FAULT_CARDS, fault_file_names
    from crashsense.sensing.sensor_file import UNITS

    unit, scale = UNITS[kind]
    told = []
    for field, (name, factor) in fault_file_names(fault.kind, unit=unit).items():
        value = getattr(fault, field)
        words = FAULT_CARDS[fault.kind][1][field].default
        if words and value == type(fault).__dataclass_fields__[field].default:
            told.append(f"{name}: {words}")
        else:
            told.append(f"{name} = {value / (scale if factor is None else factor):g}")
    return ", ".join(told)


def _show_set(sensor_set: SensorSet) -> None:
    from crashsense.sensing import find_part, part_names

    unit = sensor_set.control_unit
    click.echo(f"{sensor_set.name}: {sensor_set.title}".removesuffix(": "))
    click.echo(
        f"  control unit: tick {unit.tick_rate_hz:g} Hz, words read after {unit.read_s * 1e3:g} ms,"
        f" task {unit.task_s * 1e3:g} ms; sensors modelled at {unit.internal_rate_hz:g} Hz"
    )
    click.echo("  channel                  part                  total delay ms  faults")
    for channel, sensor in sensor_set.sensors.items():
        faults = ", ".join(fault.kind for fault in sensor.faults)
        click.echo(
            f"  {channel:<24} {sensor.part:<20}"
            f" {sensor_set.delay_s(channel) * 1e3:15.3f}  {faults}".rstrip()
        )
    click.echo(
        "  Total delay: element + filter at low frequency + waiting for late words + reading"
        "\n  + task; on top of it comes the wait for the next sampling instant."
    )
    parts = {sensor.part: sensor for sensor in sensor_set.sensors.values()}
    shipped = {n for n, p in parts.items() if n in part_names() and p == find_part(n)}
    for name in sorted(set(parts) - shipped):
        click.echo()
        _show_part(parts[name])
    if shipped:
        click.echo(f"\nShipped parts (crashsense sensors show NAME): {', '.join(sorted(shipped))}")
