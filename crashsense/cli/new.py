"""``crashsense new``: a commented template that runs unchanged."""

from __future__ import annotations

import math
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click

from crashsense.cli.printing import place, say
from crashsense.errors import Fault, InputError, nearest
from crashsense.resources import folder
from crashsense.units import STANDARD_GRAVITY

#: What can be begun -> how to try it.
KINDS = {
    "plan": "crashsense evaluate {file}",
    "sensor": "crashsense evaluate --sensor-set {file}",
    "element": "crashsense sensors element {file}",
    "rule": "crashsense evaluate --algorithm {file}",
    "c-rule": "crashsense evaluate --algorithm {file}",
    "restraints": (
        "crashsense evaluate --algorithm {file} --events wall_full_40 --passenger-seat empty"
    ),
    "recipe": "crashsense evaluate --events {file}",
    "record": "crashsense evaluate --records {file}",
    "vehicle": "crashsense evaluate --events wall_full_40 --vehicle {file}",
}

_TEMPLATES = Path(__file__).resolve().parent / "templates"

#: The interface of a rule in C, as the program's own examples use it.
_HEADER = _TEMPLATES.parents[1] / "rules" / "examples" / "crashsense_rule.h"

#: How a rule in C becomes a library.
BUILD = "cc -O2 -shared -fPIC -o {library} {source}"


@click.command()
@click.argument("kind", required=False, metavar="|".join(KINDS))
@click.argument("file", required=False)
def new(kind: str | None, file: str | None) -> None:
    """Write a commented template that runs unchanged.

    FILE is my_plan.toml, my_sensor.toml ... by default. A rule comes as an algorithm
    (.toml) with a rule in Python (.py) beside it; a c-rule as an algorithm, a C source and the
    header of its interface; restraints as the shipped algorithm with rules for the passenger's
    bag and belt, the knee bag, a second pretensioner and the battery; a record as a table (.csv).
    Nothing is ever overwritten.
    """
    if kind is None or kind not in KINDS:
        raise InputError([Fault("command line", "kind", kind, nearest(kind or "", KINDS))])
    target = Path(file) if file is not None else Path(f"{_word(kind)}{_suffix(kind)}")
    texts = template(kind, target=target)
    # The header is the same for every rule in C: one that is there already serves.
    texts = {p: text for p, text in texts.items() if p.name != _HEADER.name or not _is(p, text)}
    taken = [path for path in texts if path.exists()]
    if taken:
        raise InputError([Fault(str(p), "", None, "a new file; this one exists") for p in taken])
    target.parent.mkdir(parents=True, exist_ok=True)
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8")
        say(f"Wrote {place(path)}")
    if kind == "c-rule":
        library, source = (shlex.quote(str(target.with_suffix(end))) for end in (".so", ".c"))
        say(f"Build it: {BUILD.format(library=library, source=source)}")
    if kind in ("rule", "c-rule", "restraints"):
        say(f"Check it: crashsense check-rule {target}")
    say(f"Try it: {KINDS[kind].format(file=target)}")


def template(kind: str, *, target: Path) -> dict[Path, str]:
    """Return the files of a template by path; the name inside is that of the file."""
    faults = []
    suffix = _suffix(kind)
    if target.suffix != suffix:
        faults.append(Fault("command line", "FILE", str(target), f"a name that ends in {suffix}"))
    if not re.fullmatch(r"[a-z0-9][a-z0-9_]*", target.stem):
        expected = "a name of small letters, digits and underscores"
        faults.append(Fault("command line", "FILE", str(target), expected))
    if faults:
        raise InputError(faults)
    texts = {target: f"{kind}{suffix}"}
    if kind == "rule":
        texts[target.with_suffix(".py")] = "rule.py.txt"
    if kind == "c-rule":
        texts[target.with_suffix(".c")] = "rule.c.txt"
    if kind == "restraints":
        return {target: _with_further_restraints(target)}
    if kind == "vehicle":
        shipped = (folder("pulses") / "vehicles" / "small_car.toml").read_text(encoding="utf-8")
        own = shipped.replace('name = "small_car"', f'name = "{target.stem}"', 1)
        head = f"# Try it: {KINDS[kind].format(file=target.name)}\n"
        return {
            target: head + '# Or name it in a plan or a frontal recipe: vehicle = "..."\n' + own
        }
    found = {
        path: (_TEMPLATES / name).read_text(encoding="utf-8").replace(_word(kind), target.stem)
        for path, name in texts.items()
    }
    if kind == "c-rule":
        found[target.with_name(_HEADER.name)] = _HEADER.read_text(encoding="utf-8")
    if kind == "record":
        found[target] += "".join(_rows())
    return found


def _with_further_restraints(target: Path) -> str:
    """The shipped algorithm with rules for the restraints that it does not cover."""
    from crashsense.rules import algorithm_text

    head = f"# Try it: {KINDS['restraints'].format(file=target.name)}\n"
    shipped = algorithm_text("guarded")
    own = shipped.replace('name = "guarded"', f'name = "{target.stem}"', 1)
    return head + own + (_TEMPLATES / "restraints.toml").read_text(encoding="utf-8")


def _word(kind: str) -> str:
    """The name used in the template."""
    return f"my_{kind}".replace("-", "_")


def _is(path: Path, text: str) -> bool:
    """True if the file is there and holds this text."""
    return path.is_file() and path.read_bytes() == text.encode("utf-8")


def _suffix(kind: str) -> str:
    return ".csv" if kind == "record" else ".toml"


def _rows() -> Iterator[str]:
    """The samples of the fictional impact: 12 km/h of velocity change within 90 ms, ringing."""
    duration_s, change_m_s = 0.090, -12.0 / 3.6
    peak_g = 2.0 * change_m_s / duration_s / STANDARD_GRAVITY
    for count in range(-500, 2501):
        time = count / 10000.0
        body = ringing = 0.0
        if 0.0 <= time <= duration_s:
            body = peak_g * 0.5 * (1.0 - math.cos(2.0 * math.pi * time / duration_s))
            ringing = 0.6 * body * math.sin(2.0 * math.pi * 310.0 * time)
        # Both elements of the control unit feel the same motion. Adding 0.0 turns -0.0 into 0.0.
        central = round(body + 0.3 * ringing, 4) + 0.0
        far = round(body + 0.1 * ringing, 4) + 0.0
        yield f"{time:.4f},{central:.4f},{central:.4f},{far:.4f}\n"
