"""``crashsense new``: a commented template that runs as it is."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click

from crashsense.errors import Fault, InputError, nearest

#: What can be begun -> how to try it.
KINDS = {
    "plan": "crashsense evaluate {file}",
    "sensor": "crashsense evaluate --sensor-set {file}",
    "rule": "crashsense evaluate --algorithm {file}",
    "c-rule": "crashsense evaluate --algorithm {file}",
    "recipe": "crashsense evaluate --events {file}",
}

_TEMPLATES = Path(__file__).resolve().parent / "templates"

#: The interface of a rule in C, as the program's own examples use it.
_HEADER = _TEMPLATES.parents[1] / "rules" / "examples" / "crashsense_rule.h"

#: How a rule in C becomes a library.
BUILD = "cc -O2 -shared -fPIC -o {library} {source}"


@click.command()
@click.argument("kind", metavar="plan|sensor|rule|c-rule|recipe")
@click.argument("file", required=False)
def new(kind: str, file: str | None) -> None:
    """Write a commented template that runs as it is.

    FILE is my_plan.toml, my_sensor.toml ... without further word. A rule comes as an algorithm
    (.toml) and a rule written in Python (.py) beside it, a c-rule as an algorithm, a C source and
    the header of its interface. Nothing is ever overwritten.
    """
    if kind not in KINDS:
        raise InputError([Fault("command line", "kind", kind, nearest(kind, KINDS))])
    target = Path(file) if file is not None else Path(f"{_word(kind)}.toml")
    texts = template(kind, target=target)
    # The header is the same for every rule in C: one that is there already serves.
    texts = {p: text for p, text in texts.items() if p.name != _HEADER.name or not _is(p, text)}
    taken = [path for path in texts if path.exists()]
    if taken:
        raise InputError([Fault(str(p), "", None, "a new file; this one exists") for p in taken])
    target.parent.mkdir(parents=True, exist_ok=True)
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8")
        click.echo(f"Wrote {path}")
    if kind == "c-rule":
        library, source = (shlex.quote(str(target.with_suffix(end))) for end in (".so", ".c"))
        click.echo(f"Build it: {BUILD.format(library=library, source=source)}")
    if kind in ("rule", "c-rule"):
        click.echo(f"Check it: crashsense check-rule {target}")
    click.echo(f"Try it: {KINDS[kind].format(file=target)}")


def template(kind: str, *, target: Path) -> dict[Path, str]:
    """Return the files of a template by path; the name inside follows the name of the file."""
    faults = []
    if target.suffix != ".toml":
        faults.append(Fault("command line", "FILE", str(target), "a name that ends in .toml"))
    if not re.fullmatch(r"[a-z0-9][a-z0-9_]*", target.stem):
        expected = "a name of small letters, digits and underscores"
        faults.append(Fault("command line", "FILE", str(target), expected))
    if faults:
        raise InputError(faults)
    texts = {target: f"{kind}.toml"}
    if kind == "rule":
        texts[target.with_suffix(".py")] = "rule.py.txt"
    if kind == "c-rule":
        texts[target.with_suffix(".c")] = "rule.c.txt"
    found = {
        path: (_TEMPLATES / name).read_text(encoding="utf-8").replace(_word(kind), target.stem)
        for path, name in texts.items()
    }
    if kind == "c-rule":
        found[target.with_name(_HEADER.name)] = _HEADER.read_text(encoding="utf-8")
    return found


def _word(kind: str) -> str:
    """The name that stands in the template."""
    return f"my_{kind}".replace("-", "_")


def _is(path: Path, text: str) -> bool:
    """True if the file is there and holds this text."""
    return path.is_file() and path.read_bytes() == text.encode("utf-8")
