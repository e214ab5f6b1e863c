"""``crashsense study``: questions over many evaluations; a new study adds one line to STUDIES."""

from __future__ import annotations

from typing import Any

import click

from crashsense.cli import LazyGroup
from crashsense.cli.options import OneOf
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import progress_bar
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION
from crashsense.text_table import text_table

#: Study -> (module in this room, function, one line for ``--help``).
STUDIES: dict[str, tuple[str, str, str]] = {
    "calibrate": (
        "study_calibrate",
        "calibrate_command",
        "New numbers for an algorithm, judged out of sample.",
    ),
    "challenge": (
        "study_challenge",
        "challenge_command",
        "Which no-fire classes challenge which rule family.",
    ),
    "compare": ("study_compare", "compare_command", "What changed between two runs."),
    "faults": ("study_faults", "faults_command", "Which single sensor fault does what harm."),
    "element": ("study_element", "element_command", "Which element's geometry is enough."),
    "model": ("study_model", "model_command", "The library's prediction beside a record."),
    "range": ("study", "range_command", "What a sensor's range changes against an ideal one."),
    "scale": ("study_scale", "scale_command", "How far a pulse may be scaled until it flips."),
    "overlay": (
        "study_overlay",
        "overlay_command",
        "One criterion in its units, all events in one picture.",
    ),
    "sweep": ("study_sweep", "sweep_command", "One or two numbers of an algorithm over a grid."),
    "severity": ("study_severity", "severity_command", "Chance of firing over impact speed."),
    "tolerance": ("study_tolerance", "tolerance_command", "Which tolerance moves which decision."),
}

DEFAULT_FOLDER = "crashsense-study-range"


@click.group(cls=LazyGroup, table=STUDIES, invoke_without_command=True)
@click.pass_context
def study(context: click.Context) -> None:
    """Studies on the library or on records; without a name they are listed."""
    if context.invoked_subcommand is None:
        say(context.get_help())


class Numbers(click.ParamType):
    """Numbers with commas between them."""

    name = "number,..."

    def __init__(self, *, whole: bool = False) -> None:
        self.whole = whole

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, tuple):
            return value
        try:
            return tuple((int if self.whole else float)(text) for text in value.split(","))
        except ValueError:
            shown = param.opts[-1] if param is not None else ""
            expected = f"{'whole ' if self.whole else ''}numbers with commas between them"
            raise InputError([Fault("command line", shown, value, expected)]) from None


@click.command("range")
@click.option(
    "--events",
    multiple=True,
    metavar="NAME|GLOB|FAMILY",
    help="Events of the library (default: all); may be repeated.",
)
@click.option("--records", multiple=True, metavar="PATH", help="Measured record; may be repeated.")
@click.option("--channel", help="Records: the channel to take, by its name or number.")
@click.option("--belts", type=OneOf("belted", "unbelted"), help="Records: belt state.")
@click.option("--expect", type=OneOf("fire", "no_fire", "open"), help="Records: for stage 1.")
@click.option("--required-from", help="Records: the channel that sets the required time.")
@click.option("--algorithm", default="guarded", metavar="NAME|FILE", show_default=True)
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option("--sensor", default="central_x", show_default=True, help="Sensor that is varied.")
@click.option("--restraint", default="front_airbag_stage_1", show_default=True)
@click.option(
    "--ranges",
    type=Numbers(),
    help="[g; pressure: kPa; roll rate: deg/s] Default: 35,50,70,100,120,240 g; other kinds: 1/8 to"
    " 2 times the part's own.",
)
@click.option("--bits", type=Numbers(whole=True), help="Default: the part's own.")
@click.option("--corners", type=Numbers(), help="[Hz] Default: the part's own.")
@click.option("--engine", type=OneOf("numpy", "fast"), help="Default: the fastest installed.")
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def range_command(**options: Any) -> int:
    """Run every range, word length and filter corner over a set of events.

    Each is compared with the ideal sensor (unlimited range, no quantisation): which requirements
    the range loses, which it gains, and which fail anyway. Writes range.parquet, range.csv,
    range_settings.csv, range.svg and advice.txt into a new folder or that of a former study.
    Records replace the library unless events are named as well.
    """
    from crashsense.engine import choose, using
    from crashsense.rules import load_algorithm
    from crashsense.sensing import load_sensor_set
    from crashsense.studies.folders import check_folder
    from crashsense.studies.range_files import check_range_folder, write_range_study
    from crashsense.studies.sensor_range import study_range
    from crashsense.studies.wording import count

    # Before the events, whose making takes a while: typing errors are reported at once.
    check_folder(check_range_folder(options["out"]), study="study range")
    engine, note = choose(options["engine"])
    algorithm = load_algorithm(options["algorithm"])
    sensor_set = load_sensor_set(options["sensor_set"])
    if note:
        click.echo(note, err=True)
    events = _events(options)
    slow = [e.name for e in events if e.metadata.get("filtered")]
    with using(engine):
        found = study_range(
            events,
            algorithm=algorithm,
            sensor_set=sensor_set,
            sensor=options["sensor"],
            restraint=options["restraint"],
            ranges=options["ranges"],
            bits=options["bits"],
            corners_hz=options["corners"],
            on_progress=progress_bar("events"),
        )
    folder = write_range_study(found, options["out"])
    say(f"CAUTION: {CAUTION}\n")
    say(
        f"{options['sensor']}, {options['restraint']}, algorithm {found.metadata['algorithm']},"
        f" {count(found.table['event'].nunique(), 'event')}, nominal sensors\n"
    )
    say(_settings_text(found.settings, found.metadata))
    if slow:
        say(
            f"\nWARNING: already filtered when recorded: {', '.join(slow)}. What a sensor clips is"
            " gone from such a record: no range follows from it."
        )
    say("\n" + "\n".join(found.advice))
    say(f"\nTables and figure: {place(folder)}")
    return 0


def _settings_text(settings: Any, metadata: dict[str, Any]) -> str:
    """One line a setting, and one for the ideal sensor of each corner."""
    velocity = "worst_velocity_error_60ms_m_s" in settings.columns
    head = [f"range {metadata['unit']}", "bits", "Hz", "clipped %"]
    head += ["velocity m/s"] if velocity else []
    table = [[*head, "shift", "c/m", "fail", "lost", "gain"]]
    for _, row in settings.iterrows():
        clipped = [100 * row[f"worst_clipped_{at}_filter"] for at in ("before", "after")]
        times = ("required", "60ms") if velocity else ()
        errors = (_number(row[f"worst_velocity_error_{at}_m_s"], 3) for at in times)
        table.append(
            [
                f"{row[metadata['range_column']]:g}",
                f"{row['bits']:g}",
                f"{row['corner_hz']:g}",
                " / ".join(f"{share:.1f}" for share in clipped),
                *([" / ".join(errors)] if velocity else []),
                _number(row["worst_fire_time_shift_ms"], 1, sign="+"),
                _number(row["separation_ratio"], 2),
                *(str(row[name]) for name in ("failures", *_CHANGED)),
            ]
        )
    for corner, rows in settings.groupby("corner_hz", sort=True):
        row = rows.iloc[0]
        numbers = [_number(row["ideal_separation_ratio"], 2), str(row["ideal_failures"]), "-", "-"]
        nothing = ["- / -"] if velocity else []
        table.append(["ideal", "-", f"{corner:g}", "0.0 / 0.0", *nothing, "-", *numbers])
    lines = text_table(table, keys=3, left=())
    lines.append(
        "bits of a word, corner of the filter [Hz]; clipped: share of"
        " samples before / after the filter, worst event; shift: fire time less that of the ideal"
        " sensor [ms], + later, worst must-fire event that the ideal sensor meets; fail:"
        " requirements not met; lost, gain: requirements against the ideal sensor"
    )
    if velocity:
        lines.append(
            "velocity: error of the velocity change, at the required time (all crashes) and at"
            " 60 ms: frontal and rear events only, '-' for a sensor or restraint of the side"
        )
    return "\n".join(lines)


#: Requirements against the ideal sensor.
_CHANGED = ("requirements_lost", "requirements_gained")


def _number(value: float, digits: int, *, sign: str = "-") -> str:
    return "-" if value != value else f"{value:{sign}.{digits}f}"


def _events(options: dict[str, Any]) -> list[Any]:
    from crashsense.synthesis import load_events

    events: list[Any] = []
    if options["records"]:
        from crashsense.records import read_record

        for path in options["records"]:
            events += read_record(
                path,
                channel=options["channel"],
                belts=options["belts"],
                expect=options["expect"],
                required_from=options["required_from"],
            )
    if options["events"] or not options["records"]:
        events += load_events(list(options["events"]) or None)
    return events
