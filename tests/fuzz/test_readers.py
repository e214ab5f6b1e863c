"""Files changed at random: every reader gives an answer or a fault, and never anything else.

Seeds are kept: the same files every time. The default run takes some hundred to some thousand
inputs a reader; ``CRASHSENSE_FUZZ=100000`` takes so many (minutes a reader).
"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import table_writer

from crashsense.errors import CrashsenseError
from crashsense.plan.resolve import read_plan_file
from crashsense.records import read_record
from crashsense.resources import folder
from crashsense.results.sealed import read_sealed, sealed_text
from crashsense.rules.algorithm import algorithm_from_toml, algorithm_text
from crashsense.sensing import load_sensor_set
from crashsense.sensing.element_file import load_element
from crashsense.synthesis import parse_recipe

SEED = 14

#: Inputs a reader, where the environment does not say how many.
ASKED = int(os.environ.get("CRASHSENSE_FUZZ", "0"))

#: Longest that one input may take [s], on a busy machine.
LONGEST_S = 30.0

#: What is put in the place of a number or a word.
ODD = (
    b"0", b"-1", b"1e-320", b"5e-324", b"1e308", b"nan", b"-inf", b"1e400", b"9" * 400, b"true",
    b'""', b"[]", b"{}", b"[[[[1]]]]", b'"\\u0000"', b'"\\u001b[31m"', b"1979-05-27", b"1_0",
    b"0x7f", b"\xff\xfe", b"\x00", b"\xef\xbb\xbf", "\u202e".encode(), b"=1+1", b"../../etc", b",",
    b";", b"\n",
)  # fmt: skip


def changed(content: bytes, draw: random.Random) -> bytes:
    """Return content with one to three small changes."""
    for _ in range(draw.randint(1, 3)):
        if not content:
            return content
        at = draw.randrange(len(content))
        kind = draw.randrange(6)
        lines = content.split(b"\n")
        line = draw.randrange(len(lines))
        if kind == 0:  # a bit
            content = (
                content[:at] + bytes([content[at] ^ (1 << draw.randrange(8))]) + content[at + 1 :]
            )
        elif kind == 1:  # cut off
            content = content[:at]
        elif kind == 2:  # a line gone, twice, or elsewhere
            taken = lines.pop(line)
            for _ in range(draw.randrange(3)):
                lines.insert(draw.randrange(len(lines) + 1), taken)
            content = b"\n".join(lines)
        elif kind == 3:  # a value
            key, sign, _ = lines[line].partition(b"=")
            if sign:
                lines[line] = key + b"= " + draw.choice(ODD)
            content = b"\n".join(lines)
        elif kind == 4:  # a word
            words = lines[line].split(b" ")
            words[draw.randrange(len(words))] = draw.choice(ODD)
            lines[line] = b" ".join(words)
            content = b"\n".join(lines)
        else:  # something in between
            content = content[:at] + draw.choice(ODD) + content[at:]
    return content


def shipped(pattern: str) -> Path:
    return next(iter(sorted(folder("pulses").rglob(pattern))))


def fuzz(
    read: Callable[[Path], object], original: bytes, path: Path, *, count: int
) -> tuple[int, int, list[str]]:
    """Read changed files; return how many were read, how many refused, and what went wrong."""
    read_well = refused = 0
    wrong = []
    for number in range(ASKED or count):
        content = changed(original, random.Random(f"{SEED} {path.name} {number}"))
        path.write_bytes(content)
        began = time.monotonic()
        try:
            read(path)
            read_well += 1
        except CrashsenseError as error:
            refused += 1
            text = str(error)
            if not text or "unexpected error" in text or any(c in text for c in "\x00\x1b\u202e"):
                wrong.append(f"{number}: says {text[:200]!r}")
        except Exception as error:
            wrong.append(f"{number}: {type(error).__name__}: {error}"[:300])
        if time.monotonic() - began > LONGEST_S:
            wrong.append(f"{number}: took {time.monotonic() - began:.0f} s")
    return read_well, refused, wrong


TEXTS: dict[str, tuple[Callable[[], bytes], Callable[[Path], object], int]] = {
    "plan.toml": (
        lambda: (
            b'events = ["hammer_tunnel", "wall_*"]\nsensor_sets = ["standard"]\nalgorithms = '
            b'["plain"]\ndraws = 20\nseed = 3\nvary = "both"\nkeep = ["fire_curves"]\n'
        ),
        read_plan_file,
        200,
    ),
    "wall.toml": (
        lambda: shipped("wall_full_56.toml").read_bytes(),
        lambda path: parse_recipe(path.read_bytes().decode("latin-1"), path=str(path)),
        2000,
    ),
    "hump.toml": (
        lambda: shipped("hump_900_50.toml").read_bytes(),
        lambda path: parse_recipe(path.read_bytes().decode("latin-1"), path=str(path)),
        2000,
    ),
    "guarded.toml": (
        lambda: algorithm_text("guarded").encode(),
        lambda path: algorithm_from_toml(path.read_bytes().decode("latin-1"), file=str(path)),
        200,
    ),
    "manifest.json": (
        lambda: sealed_text({"schema_version": 1, "tasks": [[0, 0, 4]], "b": 0.1}).encode(),
        read_sealed,
        3000,
    ),
}


@pytest.mark.parametrize("name", TEXTS)
def test_settings(name: str, tmp_path: Path) -> None:
    original, read, count = TEXTS[name]
    read_well, refused, wrong = fuzz(read, original(), tmp_path / name, count=count)
    assert wrong == []
    assert refused > count // 10
    # What carries its own checksum is never taken for another content; settings may be.
    assert read_well > 0


@pytest.mark.parametrize("kind", ["sensor", "element"])
def test_templates(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from crashsense import cli

    assert cli.run(["new", kind, str(tmp_path / f"{kind}.toml")]) == 0
    original = (tmp_path / f"{kind}.toml").read_bytes()
    read = {"sensor": load_sensor_set, "element": load_element}[kind]
    read_well, refused, wrong = fuzz(read, original, tmp_path / f"{kind}_2.toml", count=400)
    assert wrong == []
    assert min(read_well, refused) > 20


def test_tables(tmp_path: Path) -> None:
    original = table_writer.write(
        tmp_path / "a.csv", stated=("closing_speed_kmh = 50",), digits=3
    ).read_bytes()
    short = b"\n".join(original.split(b"\n")[:1400])
    read_well, refused, wrong = fuzz(read_record, short, tmp_path / "b.csv", count=60)
    assert wrong == []
    assert refused > 10
    assert read_well + refused == (ASKED or 60)
