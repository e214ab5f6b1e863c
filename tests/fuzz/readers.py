"""Files changed at random: every reader gives an answer or a fault, and never anything else.

Input number *i* of a reader follows from the kept seed, the reader's name and *i* alone, so that
what was found once is found again. The tests of this folder take some inputs a reader;
``python tests/fuzz --inputs 100000`` takes many, in several processes.
"""

from __future__ import annotations

import random
import shutil
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import table_writer
from exchange_writer import pulse_g, wall

from crashsense.errors import CrashsenseError
from crashsense.plan.requirements import read_requirements
from crashsense.plan.resolve import read_plan_file
from crashsense.records import check_record, read_record
from crashsense.records.writing import write_iso13499, write_signals
from crashsense.resources import folder
from crashsense.results.sealed import read_sealed, sealed_text
from crashsense.rules.algorithm import algorithm_from_toml, algorithm_text
from crashsense.sensing import load_sensor_set
from crashsense.sensing.element_file import load_element
from crashsense.synthesis import parse_recipe
from crashsense.synthesis.frontal.vehicle import load_vehicle

SEED = 14

#: Longest that one input may take [s], on a busy machine; a sound one takes some milliseconds.
LONGEST_S = 30.0

#: What is put in the place of a number or a word, or in between.
ODD = (
    b"0", b"-1", b"1e-320", b"5e-324", b"1e308", b"nan", b"-inf", b"1e400", b"9" * 400, b"true",
    b'""', b"[]", b"{}", b"[[[[1]]]]", b"[[" * 40, b'"\\u0000"', b'"\\u001b[31m"', b"\x1b[31m",
    b"1979-05-27", b"1_0", b"0x7f", b"\xff\xfe", b"\x00", b"\xef\xbb\xbf", "\u202e".encode(),
    b"=1+1", b"../../etc", b"|" * 30, b"-", b",", b";", b'"', b"\n",
)  # fmt: skip


#: Kinds of change by number (see below); to cut a file off leaves little of it to be read.
KINDS = (0, 0, 1, 1, 2, 3, 4, 4, 5, 5, 6, 6, 6, 7, 7, 7)


def changed(content: bytes, draw: random.Random) -> bytes:
    """Return content with one to three small changes, half of them near its start."""
    for _ in range(draw.choice((1, 1, 2, 3))):
        if not content:
            return content
        at = draw.randrange(min(len(content), draw.choice((200, 2000, len(content), len(content)))))
        kind = draw.choice(KINDS)
        if kind == 0:  # a bit
            content = (
                content[:at] + bytes([content[at] ^ 1 << draw.randrange(8)]) + content[at + 1 :]
            )
        elif kind == 1:  # another byte
            content = content[:at] + bytes([draw.randrange(256)]) + content[at + 1 :]
        elif kind == 2:  # some bytes gone
            content = content[:at] + content[at + draw.randint(1, 60) :]
        elif kind == 3:  # cut off
            content = content[: at + 1]
        elif kind == 4:  # something in between
            content = content[:at] + draw.choice(ODD) + content[at:]
        else:
            content = _line_changed(content, at, kind, draw)
    return content


def _line_changed(content: bytes, at: int, kind: int, draw: random.Random) -> bytes:
    first, last = content.rfind(b"\n", 0, at) + 1, content.find(b"\n", at)
    last = len(content) if last < 0 else last
    line = content[first:last]
    if kind == 5:  # gone, twice or three times
        return content[:first] + b"\n".join([line] * draw.choice((0, 2, 3))) + content[last:]
    key, sign, _ = line.partition(b"=")
    if kind == 6 and sign:  # a value
        return content[:first] + key + b"= " + draw.choice(ODD) + content[last:]
    mark = draw.choice((b" ", b",", b"|", b"\t"))
    words = line.split(mark)  # a word
    words[draw.randrange(len(words))] = draw.choice(ODD)
    return content[:first] + mark.join(words) + content[last:]


#: Rate and times of the small records [Hz, s].
RATE_HZ = 2000.0
TIMES = np.arange(-100, 321) / RATE_HZ


def small_g() -> Any:
    return pulse_g(-50.0, rate_hz=RATE_HZ, end_s=0.16)


def exchange(root: Path) -> Path:
    channel = {"values": small_g(), "first": -100, "step_us": "500"}
    return wall(50.0, channel=channel).write(root)


def event(root: Path) -> Any:
    (found,) = read_record(exchange(root / "made"))
    # Inputs must not depend on the folder that the sound file names.
    found.metadata["files"] = [Path(name).name for name in found.metadata["files"]]
    return found


def iso(root: Path) -> Path:
    (root / "iso").mkdir()
    write_iso13499(event(root), root / "iso" / "b.mme")
    return root / "iso"


def archive(root: Path) -> Path:
    write_iso13499(event(root), root / "a.zip")
    return root / "a.zip"


def arrays(root: Path) -> Path:
    np.savez(root / "n.npz", time_s=TIMES, central_x_g=small_g())
    return root / "n.npz"


def written(name: str) -> Callable[[Path], Path]:
    def make(root: Path) -> Path:
        write_signals(event(root), root / name)
        return root / name

    return make


def mdf4(root: Path) -> Path:
    import asammdf

    # The zone of the machine would be kept in the file.
    zone = patch("dateutil.tz.tzlocal", return_value=UTC)
    with zone, asammdf.MDF(version="4.10") as file:
        file.append([asammdf.Signal(small_g(), TIMES, unit="g", name="central_x")])
        file.save(root / "r.mf4")
    return root / "r.mf4"


def tdms(root: Path) -> Path:
    import nptdms

    said = {"wf_increment": TIMES[1] - TIMES[0], "wf_start_offset": TIMES[0], "unit_string": "g"}
    with nptdms.TdmsWriter(root / "r.tdms") as writer:
        writer.write_segment([nptdms.ChannelObject("car", "central_x", small_g(), properties=said)])
    return root / "r.tdms"


def csv(root: Path) -> Path:
    table = {"time_s": TIMES, "central_x_g": small_g()}
    return table_writer.write(root / "b.csv", table, stated=("closing_speed_kmh = 50",), digits=4)


def single(root: Path) -> Path:
    rows = "\n".join(f"{t:.4f}\t{v:.5f}" for t, v in zip(TIMES, small_g(), strict=True))
    (root / "s.tsv").write_text(f"LEFT SILL X G'S\n{rows}", encoding="utf-8")
    return root / "s.tsv"


def records_folder(root: Path) -> Path:
    exchange(root / "man" / "v1")
    text = '["v1"]\nbelts="belted"\nfront_airbag_stage_1="fire by 14 ms (x)"\nmass_kg=1500\n'
    (root / "man" / "records.toml").write_text(text, encoding="utf-8")
    return root / "man"


def text(name: str, content: Callable[[], bytes]) -> Callable[[Path], Path]:
    def make(root: Path) -> Path:
        (root / name).write_bytes(content())
        return root / name

    return make


def shipped(pattern: str) -> Callable[[], bytes]:
    return lambda: next(iter(sorted(folder("pulses").rglob(pattern)))).read_bytes()


def template(kind: str) -> Callable[[Path], Path]:
    def make(root: Path) -> Path:
        from contextlib import redirect_stdout
        from io import StringIO

        from crashsense import cli

        with redirect_stdout(StringIO()):
            code = cli.run(["new", kind, str(root / f"{kind}.toml")])
        if code:
            raise AssertionError(f"new {kind} ended with {code}")
        return root / f"{kind}.toml"

    return make


PLAN = b"""events = ["hammer_tunnel", "wall_*"]
sensor_sets = ["standard"]
algorithms = ["plain"]
draws = 20
seed = 3
vary = "both"
keep = ["fire_curves"]
faults = ["central_x:stuck:5"]
"""
ASKED = b"""event,restraint,expectation,required_time_ms,basis
wall_full_56,front_airbag_stage_1,fire,20,customer
kerb_*,front_airbag_stage_1,no_fire,,
"""


def recipe(path: Path) -> object:
    return parse_recipe(path.read_bytes().decode("latin-1"), path=str(path))


def algorithm(path: Path) -> object:
    return algorithm_from_toml(path.read_bytes().decode("latin-1"), file=str(path))


@dataclass(frozen=True)
class Reader:
    """What writes a sound file, what reads it, inputs of the tests, which of its files changes.

    *needs*: a package without which the format cannot be read.
    """

    make: Callable[[Path], Path]
    read: Callable[[Path], object]
    count: int
    inner: str = ""
    needs: str = ""

    @property
    def is_there(self) -> bool:
        """True unless the package that the format needs is missing."""
        return not self.needs or find_spec(self.needs) is not None


READERS: dict[str, Reader] = {
    "plan": Reader(text("plan.toml", lambda: PLAN), read_plan_file, 200),
    "requirements": Reader(
        text("asked.csv", lambda: ASKED),
        lambda path: read_requirements(str(path), base=path.parent, file=str(path)),
        400,
    ),
    "recipe_wall": Reader(text("wall.toml", shipped("wall_full_56.toml")), recipe, 500),
    "recipe_hump": Reader(text("hump.toml", shipped("hump_900_50.toml")), recipe, 500),
    "recipe_pole": Reader(text("pole.toml", shipped("side_pole_75_32.toml")), recipe, 200),
    "recipe_roll": Reader(text("roll.toml", shipped("rollover_kerb_25.toml")), recipe, 200),
    "recipe_hammer": Reader(text("hammer.toml", shipped("hammer_tunnel.toml")), recipe, 200),
    "vehicle": Reader(template("vehicle"), lambda path: load_vehicle(str(path)), 200),
    "algorithm": Reader(
        text("guarded.toml", lambda: algorithm_text("guarded").encode()), algorithm, 150
    ),
    "sensor": Reader(template("sensor"), load_sensor_set, 300),
    "element": Reader(template("element"), load_element, 300),
    "manifest": Reader(
        text(
            "manifest.json",
            lambda: sealed_text({"schema_version": 1, "tasks": [[0, 0, 4]], "b": 0.1}).encode(),
        ),
        read_sealed,
        1000,
    ),
    "record_header": Reader(exchange, check_record, 60, "v00042.EV5"),
    "record_channel": Reader(exchange, check_record, 60, "v00042.001"),
    "record_zip": Reader(archive, check_record, 60),
    "record_iso_test": Reader(iso, check_record, 60, "b.mme"),
    "record_iso_channel": Reader(iso, check_record, 60, "Channel/b.001"),
    "record_npz": Reader(arrays, check_record, 600),
    "record_parquet": Reader(written("p.parquet"), check_record, 60),
    "record_written": Reader(written("c.csv"), check_record, 60),
    "record_csv": Reader(csv, read_record, 60),
    "record_single": Reader(single, check_record, 60),
    "record_mdf4": Reader(mdf4, check_record, 60, needs="asammdf"),
    "record_tdms": Reader(tdms, check_record, 60, needs="nptdms"),
    "record_folder": Reader(records_folder, read_record, 60, "records.toml"),
}


#: Inputs that once ended in something else than an answer or a fault.
ONCE_WRONG = {"requirements": (1136,), "record_folder": (1263,), "record_single": (5373,)}


@dataclass
class Found:
    """What came of some inputs of a reader."""

    inputs: int = 0
    read: int = 0
    refused: int = 0
    wrong: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    slowest: int = -1
    processor_s: float = 0.0
    memory_mb: float = 0.0

    def add(self, other: Found) -> None:
        """Take in what came of other inputs."""
        if other.slowest_s > self.slowest_s:
            self.slowest_s, self.slowest = other.slowest_s, other.slowest
        self.inputs += other.inputs
        self.read += other.read
        self.refused += other.refused
        self.wrong += other.wrong
        self.processor_s += other.processor_s
        self.memory_mb = max(self.memory_mb, other.memory_mb)


def prepared(name: str, root: Path) -> tuple[Path, Path, bytes]:
    """Write the sound file of a reader; return what is read, what is changed, and its content."""
    # Inputs must not depend on the time, which archives and some formats keep.
    with patch("time.time", return_value=1e9):
        path = READERS[name].make(root)
    target = path / READERS[name].inner if READERS[name].inner else path
    return path, target, target.read_bytes()


def fuzz(
    name: str, root: Path, numbers: Iterable[int], *, begins: Callable[[int], None] | None = None
) -> Found:
    """Read changed files; *begins* is called with the number of each before it is read."""
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    path, target, sound = prepared(name, root)
    reader = READERS[name]
    reader.read(path)
    found = Found()
    started = time.process_time()
    for number in numbers:
        target.write_bytes(changed(sound, random.Random(f"{SEED} {name} {number}")))
        if begins is not None:
            begins(number)
        began = time.monotonic()
        found.inputs += 1
        try:
            reader.read(path)
            found.read += 1
        except CrashsenseError as error:
            found.refused += 1
            told = str(error)
            if not told or "unexpected error" in told or any(c in told for c in "\x00\x1b\u202e"):
                found.wrong.append(f"{number}: says {told[:200]!r}")
        except Exception as error:
            found.wrong.append(f"{number}: {type(error).__name__}: {error}"[:300])
        took = time.monotonic() - began
        if took > found.slowest_s:
            found.slowest_s, found.slowest = took, number
        if took > LONGEST_S:
            found.wrong.append(f"{number}: took {took:.0f} s")
    found.processor_s = time.process_time() - started
    return found
