"""``crashsense sensors``: shipped parts and sensor sets, and the basis of their numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from crashsense.cli import LazyGroup
from crashsense.cli.printing import place, say
from crashsense.cli.targets import FIGURES, made, target_file
from crashsense.errors import Fault, InputError, unknown_name
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from crashsense.sensing import Sensor, SensorSet
    from crashsense.sensing.faults import SensorFault


class _Amount(click.ParamType):
    """A number above 0, with or without its unit."""

    name = "number"

    def __init__(self, unit: str) -> None:
        self.unit = unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, float):
            return value
        text = str(value).strip().lower().removesuffix(self.unit).strip()
        try:
            found = float(text)
        except ValueError:
            found = math.nan
        if not (math.isfinite(found) and found > 0):
            unit = f" in {self.unit}, as 100{self.unit}" if self.unit else ""
            shown = param.opts[-1] if param is not None else ""
            raise InputError([Fault("command line", shown, value, f"a number above 0{unit}")])
        return found


@click.group(cls=LazyGroup, invoke_without_command=True)
@click.pass_context
def sensors(context: click.Context) -> None:
    """Sensor parts, sensor sets, faults and capacitive elements (default: list)."""
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
    """Print the faults that a sensor file may contain: parameters, units, an example of each.

    KIND: only this one.
    """
    from crashsense.sensing.catalogue import fault_kinds

    known = fault_kinds()
    if kind is not None and kind not in known:
        raise unknown_name("fault", kind, known)
    say("Put a fault below the part that it affects; a part may have several.")
    for name in known if kind is None else (kind,):
        say()
        _show_faults(name)
    if kind is None:
        from crashsense.sensing.channel_faults import channel_fault_lines

        say("\nShort form for a single fault, CHANNEL:KIND[:FROM_MS], as central_x:lost:20")
        for line in channel_fault_lines():
            say(line)


@sensors.command()
@click.argument("file")
@click.option("--figure", metavar="FILE", help="Also draw it: .svg, .png or .pdf.")
def element(file: str, figure: str | None) -> None:
    """Show the card of the element in FILE: every value with formula and source.

    `crashsense new element` writes a file to start from.
    """
    from crashsense.sensing.element_card import card_lines, element_curves
    from crashsense.sensing.element_file import load_element

    one = load_element(file)
    say(f"CAUTION: {CAUTION}\n")
    for line in card_lines(one):
        say(line)
    if figure is not None:
        from crashsense.reporting.element_figure import element_figure

        _save(element_figure(element_curves(one), title=f"{one.name}: {one.title}"), figure)


@sensors.command()
@click.option("--range", "range_", required=True, type=_Amount("g"), help="[g], as 100g.")
@click.option("--bandwidth", required=True, type=_Amount("hz"), help="-3 dB of the element [Hz].")
@click.option("--noise", required=True, type=_Amount("mg"), help="[mg/sqrt(Hz)], as 1mg.")
@click.option("--quality", default=1.0, show_default=True, type=_Amount(""), help="Wanted.")
@click.option("--nonlinearity", default=0.01, show_default=True, type=_Amount(""))
@click.option("--out", metavar="FILE", help="Write the element file (.toml, new).")
@click.option("--figure", metavar="FILE", help="Draw the trade: .svg, .png or .pdf.")
def design(
    range_: float,
    bandwidth: float,
    noise: float,
    quality: float,
    nonlinearity: float,
    out: str | None,
    figure: str | None,
) -> None:
    """Propose an element for a range, a bandwidth and a noise, and say which limit binds.

    Example: crashsense sensors design --range 100g --bandwidth 1500 --noise 1mg
    """
    from pathlib import Path

    from crashsense.sensing.element_card import card_lines
    from crashsense.sensing.element_design import design_element, trade_points
    from crashsense.sensing.element_file import element_to_toml
    from crashsense.units import STANDARD_GRAVITY

    target = None if out is None else Path(out)
    if target is not None and (target.suffix != ".toml" or target.exists()):
        expected = "a new file whose name ends in .toml"
        raise InputError([Fault("command line", "--out", out, expected)])
    for option, name in (("--out", out), ("--figure", figure)):
        if name is not None:
            target_file(name, option=option, endings=FIGURES if option == "--figure" else ())
    found = design_element(
        range_m_s2=range_ * STANDARD_GRAVITY,
        bandwidth_hz=bandwidth,
        noise_density=noise * 1e-3 * STANDARD_GRAVITY,
        quality=quality,
        nonlinearity=nonlinearity,
    )
    say(f"CAUTION: {CAUTION}\n")
    for line in card_lines(found.element):
        say(line)
    say("\nWhat binds")
    for line in found.binds:
        say(f"  {line}")
    points = trade_points(found)
    say("\nNeighbours: same size, stiffer or softer beams")
    say("  resonance Hz   range g   bandwidth Hz   noise mg/sqrt(Hz)   nm/g    aF/g")
    chosen = trade_points(found, factors=(1.0,))[0]
    for point in points:
        mark = "   <- designed" if point == chosen else ""
        say(
            f"  {point.resonance_hz:12.0f}  {point.range / STANDARD_GRAVITY:8.1f}"
            f"  {point.bandwidth_hz:13.0f}  {1e3 * point.noise_density / STANDARD_GRAVITY:18.3f}"
            f"  {1e9 * point.deflection_per_g:5.2f}  {1e18 * point.capacitance_per_g:6.0f}{mark}"
        )
    say("  Deflection for each g falls with the square of the resonance.")
    if target is not None:
        made(target).write_text(element_to_toml(found.element), encoding="utf-8")
        say(f"\nWrote {place(target)}")
    if figure is not None:
        from crashsense.reporting.element_figure import trade_figure

        _save(trade_figure(points, chosen=chosen), figure)


def _save(figure: Figure, path: str) -> None:
    """Write a figure requested on the command line."""
    from crashsense.plotting import save

    target = made(target_file(path, option="--figure", endings=FIGURES))
    say(f"Figure: {place(save(figure, target))}")


def _show_faults(kind: str) -> None:
    from crashsense.sensing.fault_cards import fault_lines

    for line in fault_lines(kind):
        say(line)


def _list() -> None:
    from crashsense.sensing import find_part, load_sensor_set, part_names, sensor_set_names
    from crashsense.sensing.catalogue import fault_kinds
    from crashsense.sensing.sensor_file import UNITS

    say("Sensor sets")
    for name in sensor_set_names():
        say(f"  {name:<16} {load_sensor_set(name).title}")
    say("\nGeneric parts (no maker; tolerances are one standard deviation)")
    for name in part_names():
        part = find_part(name)
        unit, scale = UNITS[part.kind]
        poles = f"{part.filter_order}-pole {part.filter_kind}"
        say(
            f"  {name:<20} +/-{part.range / scale:<5g} {unit.replace('_', '/'):<6}"
            f" {part.corner_hz:4g} Hz {poles:<19} {part.bits:2d} bit  {part.title}"
        )
    say(f"\nFaults that a sensor file can include: {', '.join(fault_kinds())}")
    say("crashsense sensors faults      their parameters, units and examples")
    say("crashsense sensors element     what a capacitive element is and does")
    say("crashsense sensors design      propose an element for range, bandwidth and noise")
    say("crashsense sensors show NAME   numbers of a part or a set, and their basis")


def _show_part(part: Sensor) -> None:
    from crashsense.sensing.sensor_file import file_names

    say(f"{part.part}: {part.title}".removesuffix(": "))
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
        say(f"  {name:<34} {value:<12} {part.basis.get(name, '')}".rstrip())
    if part.element is not None:
        told = "range to noise follow from it, its tolerances are drawn (sensors element)"
        say(f"  element {part.element.name:<26} {told}")
    for fault in part.faults:
        say(f"  fault {fault.kind:<28} {_fault_numbers(fault, kind=part.kind)}".rstrip())


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
        elif isinstance(value, str):
            told.append(f'{name} = "{value}"')
        else:
            told.append(f"{name} = {value / (scale if factor is None else factor):g}")
    return ", ".join(told)


def _show_set(sensor_set: SensorSet) -> None:
    from crashsense.sensing import find_part, part_names

    unit = sensor_set.control_unit
    say(f"{sensor_set.name}: {sensor_set.title}".removesuffix(": "))
    say(
        f"  control unit: tick {unit.tick_rate_hz:g} Hz, codes read after {unit.read_s * 1e3:g} ms,"
        f" task {unit.task_s * 1e3:g} ms; sensors modelled at {unit.internal_rate_hz:g} Hz"
    )
    say("  channel                  part                  total delay ms  faults")
    for channel, sensor in sensor_set.sensors.items():
        faults = ", ".join(fault.kind for fault in sensor.faults)
        say(
            f"  {channel:<24} {sensor.part:<20}"
            f" {sensor_set.delay_s(channel) * 1e3:15.3f}  {faults}".rstrip()
        )
    say(
        "  Total delay: element + filter at low frequency + waiting for late codes + reading"
        " + task; on top of it comes the wait for the next sampling instant."
    )
    parts = {sensor.part: sensor for sensor in sensor_set.sensors.values()}
    shipped = {n for n, p in parts.items() if n in part_names() and p == find_part(n)}
    for name in sorted(set(parts) - shipped):
        say()
        _show_part(parts[name])
    if shipped:
        say(f"\nShipped parts (crashsense sensors show NAME): {', '.join(sorted(shipped))}")
