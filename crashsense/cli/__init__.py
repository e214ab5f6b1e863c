"""The command line: ``crashsense COMMAND``.

Commands load on use, so that ``--help``, ``--version`` and a mistyped command stay fast. To add a
command, add one module to this room and one line to :data:`COMMANDS`.

Every bad input ends here: one line for each fault on standard error, exit code 2, no traceback. So
does every unexpected error: codes 0 and 1 come only from a command that ran to completion.
"""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, NoReturn

import click

from crashsense import __version__
from crashsense.cli.options import shown
from crashsense.cli.printing import say
from crashsense.errors import (
    CrashsenseError,
    Fault,
    InputError,
    MissingExtraError,
    RunFolderError,
    nearest,
    printable,
)
from crashsense.processes import pin_threads
from crashsense.resources import CACHE_VARIABLE, CAUTION

#: Command -> (module in this room, function, one line for ``--help``).
COMMANDS: dict[str, tuple[str, str, str]] = {
    "catalogue": ("catalogue", "catalogue", "Write a page with every event of the library."),
    "records": ("records", "records", "Check folders of records; import them as a library."),
    "check-record": ("check_record", "check_record", "Check the quality of a crash record."),
    "check-rule": ("check_rule", "check_rule", "Check your own rule against the contract."),
    "evaluate": ("evaluate", "evaluate", "Judge algorithms on the library, a plan or records."),
    "replay": ("replay", "replay", "Run one draw of a run again, with its traces."),
    "recorder": ("recorder", "recorder", "Show an event as an event data recorder would hold it."),
    "report": ("report", "report", "Write the page of a run again, also against an earlier run."),
    "explain": ("explain", "explain", "Say why a restraint fired in a run, or why not."),
    "events": ("events", "events", "List, show and export the events of the library."),
    "fit": ("fit", "fit", "Fit a front structure to your own measured wall test."),
    "lesson": ("lesson", "lesson", "List lessons; write one as page and script, or notebook."),
    "new": ("new", "new", "Write a commented template that runs unchanged."),
    "rules": ("rules", "rules", "List or show rule families and shipped algorithms."),
    "safety": ("safety", "safety", "Print scope, hazards, regulations and data limits."),
    "sensors": ("sensors", "sensors", "List or show sensor parts and sensor sets."),
    "study": ("study", "study", "Run a study over many evaluations, or list studies."),
    "words": ("words", "words", "Say what a word of pages, tables and lessons means."),
}

EXIT_DONE = 0
EXIT_BAD_INPUT = 2
EXIT_INTERRUPTED = 130

#: Environment variable that shows where an unexpected error arose.
TRACEBACK = "CRASHSENSE_TRACEBACK"


class LazyGroup(click.Group):
    """A group whose commands are modules, imported when they are called.

    *table* maps a command to its module, function and help line; without it the commands are those
    added by hand. For an unknown name the message suggests the nearest one.
    """

    def __init__(
        self, *args: Any, table: dict[str, tuple[str, str, str]] | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.table = {} if table is None else table

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*self.table, *super().list_commands(ctx)})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.table:
            return super().get_command(ctx, cmd_name)
        module, function, _ = self.table[cmd_name]
        command = getattr(importlib.import_module(f"crashsense.cli.{module}"), function)
        if not isinstance(command, click.Command):
            raise TypeError(f"crashsense.cli.{module}.{function} is not a click command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        known = self.list_commands(ctx)
        if args and not args[0].startswith("-") and args[0] not in known:
            raise InputError([Fault("command line", "command", args[0], nearest(args[0], known))])
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # From the table, so that listing the commands imports none of them.
        rows = []
        for name in self.list_commands(ctx):
            if name in self.table:
                rows.append((name, self.table[name][2]))
            else:
                command = super().get_command(ctx, name)
                if command is not None and not command.hidden:
                    rows.append((name, command.get_short_help_str(limit=70)))
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)


@click.group(
    cls=LazyGroup,
    table=COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=f"CAUTION: {CAUTION}",
    no_args_is_help=False,
    invoke_without_command=True,
)
@click.version_option(__version__, prog_name="crashsense", message="%(prog)s %(version)s")
@click.option("--no-cache", is_flag=True, help="Keep no nominal signals between runs.")
@click.pass_context
def cli(context: click.Context, no_cache: bool) -> None:
    """A bench for airbag deployment decisions.

    Crash, misuse and rough-road signals go through a sensor model and a decision rule; each
    decision is scored against the time by which it was due.
    """
    if no_cache:  # also for worker processes
        before = os.environ.get(CACHE_VARIABLE)
        os.environ[CACHE_VARIABLE] = ""
        context.call_on_close(lambda: _restore(CACHE_VARIABLE, before))
    if context.invoked_subcommand is None:
        say(context.get_help())


def _restore(variable: str, value: str | None) -> None:
    if value is None:
        os.environ.pop(variable, None)
    else:
        os.environ[variable] = value


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code (0, 1, 2 or 130).

    0 and 1 only if the command ran to completion; any other end is 2 or, if interrupted, 130.
    """
    try:
        result = cli.main(
            args=None if arguments is None else list(arguments),
            prog_name="crashsense",
            standalone_mode=False,
        )
    except InputError as error:
        return _refuse(*(str(error).splitlines() or ["command line: bad input"]))
    except click.UsageError as error:
        return _refuse(str(usage_fault(error)))
    except click.ClickException as error:
        return _refuse(" ".join(error.format_message().split()))
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted", err=True)
        return EXIT_INTERRUPTED
    except (RunFolderError, MissingExtraError, CrashsenseError) as error:
        return _refuse(*str(error).splitlines())
    except OSError as error:
        return _refuse(str(_system_fault(error)))
    except BaseException as error:  # also SystemExit: a plug-in may not choose the exit code
        return _unexpected(error)
    return result if isinstance(result, int) else EXIT_DONE


#: New objects after which a command looks for unreachable ones. Modules, recipes and tables are
#: many and stay: looking for them after every 700 takes a twentieth of a command's time. Most
#: commands end before there are so many.
COLLECTED_AFTER = 300_000


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Entry point of ``crashsense`` and ``python -m crashsense``."""
    gc.set_threshold(COLLECTED_AFTER, *gc.get_threshold()[1:])
    # At its end the interpreter looks for unreachable objects among all there are, which takes a
    # tenth of a short command's time; frozen ones are left out, and go with the process.
    atexit.register(gc.freeze)
    pin_threads()
    code = run(arguments)
    _let_go_of_output()
    sys.exit(code)


def _let_go_of_output() -> None:
    """Throw away what could not be written: at its end Python tries again, and exits with 120."""
    if sys.stdout is None:
        return
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def usage_fault(error: click.UsageError) -> Fault:
    """Turn a usage error of the parser into a fault that offers the nearest option."""
    where = "command line"
    if isinstance(error, click.NoSuchOption):
        known = _options_of(error.ctx)
        return Fault(where, "option", error.option_name, nearest(error.option_name, known))
    if isinstance(error, click.BadOptionUsage):
        return Fault(where, error.option_name, None, "a value; none was given")
    if isinstance(error, click.MissingParameter) and error.param is not None:
        return Fault(where, shown(error.param), None, "a value; none was given")
    if isinstance(error, click.BadParameter) and error.param is not None:
        return Fault(where, shown(error.param), None, f"another value: {error.message}")
    message = " ".join(error.format_message().rstrip(".").split())
    return Fault(where, "", None, f"another call: {message} (see --help)")


def _options_of(context: click.Context | None) -> list[str]:
    if context is None:
        return []
    parameters = context.command.get_params(context)
    return [o for p in parameters if isinstance(p, click.Option) for o in p.opts]


def _system_fault(error: OSError) -> Fault:
    """An operating-system refusal (no permission, disk full) as a fault."""
    try:
        os.getcwd()
    except FileNotFoundError:
        return Fault("working directory", "", None, "to exist: it has been removed")
    name = str(error.filename) if error.filename is not None else "output or file"
    return Fault(name, "", None, f"to be readable or writable ({error.strerror or error})")


def _unexpected(error: BaseException) -> int:
    """Report an unexpected error: it is never a result, whatever exit code the error carries."""
    *_, (last, _) = traceback.walk_tb(error.__traceback__)
    if isinstance(error, SystemExit) and last.f_globals.get("__name__") == click.core.__name__:
        return EXIT_DONE  # click itself: a listing whose reader has gone (crashsense rules | head)
    if os.environ.get(TRACEBACK):
        traceback.print_exception(error)
    what = " ".join(f"{type(error).__name__}: {error}".rstrip(": ").split())
    if isinstance(error, MemoryError):
        what = f"out of memory ({what}); use fewer workers or fewer draws"
    return _refuse(f"unexpected error: {what}; set {TRACEBACK}=1 to see where it arose")


def _refuse(*lines: str) -> int:
    with suppress(OSError):  # the reader may have gone; the exit code counts
        for line in lines:
            click.echo(printable(line), err=True)
    return EXIT_BAD_INPUT
