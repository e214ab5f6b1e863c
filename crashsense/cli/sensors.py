"""``crashsense sensors``: shipped parts and sensor sets, and what stands behind their numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from crashsense.errors import unknown_name

if TYPE_CHECKING:
    from crashsense.sensing import Sensor, SensorSet


@click.group(invoke_without_command=True)
@click.pass_context
def sensors(context: click.Context) -> None:
    """List or show sensor parts and sensor sets."""
    if context.invoked_subcommand is None:
        _list()


@sensors.command("list")
def list_command() -> None:
    """List the shipped parts, sensor sets and faults."""
    _list()


@sensors.command()
@click.argument("name")
def show(name: str) -> None:
    """Show a part, a sensor set or a sensor file: numbers, their basis, delays."""
    from crashsense.sensing import find_part, load_sensor_set, part_names, sensor_set_names

    if name in part_names():
        _show_part(find_part(name))
    elif name in sensor_set_names() or name.endswith(".toml"):
        _show_set(load_sensor_set(name))
    else:
        raise unknown_name("sensor", name, {*part_names(), *sensor_set_names()})


def _list() -> None:
    from crashsense.sensing import find_part, load_sensor_set, part_names, sensor_set_names
    from crashsense.sensing.catalogue import UNITS, fault_kinds

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
    click.echo("\ncrashsense sensors show NAME   numbers of a part or a set, and their basis")


def _show_part(part: Sensor) -> None:
    from crashsense.sensing.catalogue import file_names

    click.echo(f"{part.part}: {part.title}")
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


def _show_set(sensor_set: SensorSet) -> None:
    unit = sensor_set.control_unit
    click.echo(f"{sensor_set.name}: {sensor_set.title}")
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
