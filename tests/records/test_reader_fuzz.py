"""Mutated files of every format: read, or refused by name; never a crash, never a long wait.

The seed is kept: what was found once is found again. ``MUTANTS`` is per format.
"""

from __future__ import annotations

import random
import time

import numpy as np
import pytest
from exchange_writer import wall
from rough_pulse import rough_g

from crashsense.errors import CrashsenseError
from crashsense.records import check_record, read_record
from crashsense.records.writing import write_iso13499, write_signals

SEED = 7
MUTANTS = 150
#: Longest that one file may take [s]; a sound one takes 0.02 s.
LONGEST_S = 10.0

PULSE = rough_g(-55.0, end_s=0.16)
TIMES = (np.arange(PULSE.size) - 500) / 1e4
TOKENS = (
    b"nan", b"inf", b"1e400", b"5e-324", b"-", b"\x00", b"\xff\xfe", b"1" + b"0" * 400, b"|" * 30,
    b"\n", b'"', b"[[" * 40, b"\x1b[31m", b"=cmd",
)  # fmt: skip


def header(root):
    return wall(50.0, channel={"values": PULSE}).write(root), "v00042.EV5"


def channel(root):
    return header(root)[0], "v00042.001"


def event(root):
    (found,) = read_record(wall(50.0, channel={"values": PULSE}).write(root / "made"))
    return found


def zipped(root):
    write_iso13499(event(root), root / "a.zip")
    return root / "a.zip", ""


def iso_test(root):
    (root / "iso").mkdir()
    write_iso13499(event(root), root / "iso" / "b.mme")
    return root / "iso", "b.mme"


def iso_channel(root):
    return iso_test(root)[0], "Channel/b.001"


def arrays(root):
    np.savez(root / "n.npz", time_s=TIMES, central_x_g=PULSE)
    return root / "n.npz", ""


def parquet(root):
    write_signals(event(root), root / "p.parquet")
    return root / "p.parquet", ""


def table(root):
    write_signals(event(root), root / "c.csv")
    return root / "c.csv", ""


def single(root):
    rows = "\n".join(f"{t:.4f}\t{v:.5f}" for t, v in zip(TIMES, PULSE, strict=True))
    (root / "s.tsv").write_text(f"LEFT SILL X G'S\n{rows}")
    return root / "s.tsv", ""


def manifest(root):
    wall(50.0, channel={"values": PULSE}).write(root / "man" / "v1")
    text = '["v1"]\nbelts="belted"\nfront_airbag_stage_1="fire by 14 ms (x)"\nmass_kg=1500\n'
    (root / "man" / "records.toml").write_text(text)
    return root / "man", "records.toml"


def mutated(content: bytes, chance: random.Random) -> bytes:
    found = bytearray(content)
    for _ in range(chance.randint(1, 5)):
        # Most near the start, where the structure is.
        at = chance.randrange(min(len(found), chance.choice([200, 2000, len(found)])) or 1)
        kind = chance.random()
        if kind < 0.5:
            found[at : at + 1] = bytes([chance.randrange(256)])
        elif kind < 0.8:
            found[at : at + chance.randint(0, 6)] = chance.choice(TOKENS)
        elif kind < 0.9:
            del found[at : at + chance.randint(1, 60)]
        else:
            found = found[: at + 1]
        if not found:
            break
    return bytes(found)


@pytest.mark.slow
@pytest.mark.parametrize(
    "make",
    [
        header, channel, zipped, iso_test, iso_channel, arrays, parquet, table, single, manifest,
    ],
)  # fmt: skip
def test_mutants_are_read_or_refused(tmp_path, make):
    path, inner = make(tmp_path)
    file = path / inner if inner else path
    sound = file.read_bytes()
    chance = random.Random(f"{SEED} {make.__name__}")
    read, slowest = 0, 0.0
    for _ in range(MUTANTS):
        file.write_bytes(mutated(sound, chance))
        started = time.monotonic()
        try:
            (read_record if make is manifest else check_record)(path)
            read += 1
        except CrashsenseError as error:
            # A refusal says something, in lines that no terminal obeys.
            told = str(error)
            if not told or "\x1b" in told or "\x00" in told:
                raise AssertionError(f"an odd refusal: {told!r}") from error
        slowest = max(slowest, time.monotonic() - started)
    assert slowest < LONGEST_S
    assert read < MUTANTS  # the mutations bite
