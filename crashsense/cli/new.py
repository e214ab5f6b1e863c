"""``crashsense new``: a commented template that runs as it is."""

from __future__ import annotations

import re
from pathlib import Path

import click

from crashsense.errors import Fault, InputError, nearest

#: What can be begun -> how to try it.
KINDS = {
    "plan": "crashsense evaluate {file}",
    "sensor": "crashsense evaluate --sensor-set {file}",
    "rule": "crashsense evaluate --algorithm {file}",
    "recipe": "crashsense evaluate --events {file}",
}

_TEMPLATES = Path(__file__).resolve().parent / "templates"


@click.command()
@click.argument("kind", metavar="plan|sensor|rule|recipe")
@click.argument("file", required=False)
def new(kind: str, file: str | None) -> None:
    """Write a commented template that runs as it is.

    FILE is my_plan.toml, my_sensor.toml ... without further word. A rule comes as an algorithm
    (.toml) and a rule written in Python (.py) beside it. Nothing is ever overwritten.
    """
    if kind not in KINDS:
        raise InputError([Fault("command line", "kind", kind, nearest(kind, KINDS))])
    target = Path(file) if file is not None else Path(f"my_{kind}.toml")
    texts = template(kind, target=target)
    taken = [path for path in texts if path.exists()]
    if taken:
        raise InputError([Fault(str(p), "", None, "a new file; this one exists") for p in taken])
    target.parent.mkdir(parents=True, exist_ok=True)
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8")
        click.echo(f"Wrote {path}")
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
    return {
        path: (_TEMPLATES / name).read_text(encoding="utf-8").replace(f"my_{kind}", target.stem)
        for path, name in texts.items()
    }
