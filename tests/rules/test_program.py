"""Rules written as operations, run line by line in plain Python: they give the rule's own demand.

The interpreter follows the meaning of each operation in :mod:`crashsense.operations`, tick by tick,
with everything that was there before at hand: it shares nothing with the kernel, and needs none.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, sqrt

import numpy as np
import pytest
from families import RATE, VELOCITY, WINDOW, noisy_pulses, tables
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from crashsense import operations as op
from crashsense.event import Context
from crashsense.rules import kernels, rule_from_table
from crashsense.rules.conformance import block
from crashsense.rules.program import Writer


def ray(u, v, vertices):
    """Distance from the origin over that of the line on the same ray, by crossing the two.

    Before its first vertex and after its last the line goes on level; from 0 it falls straight.
    """
    u, v = max(u, 0.0), max(v, 0.0)
    if u == v == 0.0:
        return 0.0
    far = 1e9
    line = [(0.0, vertices[0][1]), *vertices, (far, vertices[-1][1])]
    if vertices[0][1] == 0.0:
        return u / vertices[0][0]
    if vertices[-1][1] == 0.0:
        line = [*line[:-1], (vertices[-1][0], -far)]
    for (u0, v0), (u1, v1) in zip(line[:-1], line[1:], strict=True):
        # (u, v) / s lies on the piece: s from the cross products, the place on it from 0 to 1.
        cross = (u1 - u0) * v - (v1 - v0) * u
        if cross == 0.0:
            continue
        scale = (u1 - u0) * v0 - (v1 - v0) * u0
        place = (u * v0 - v * u0) / cross
        if -1e-12 <= place <= 1.0 + 1e-12 and scale / cross > 0.0:
            return cross / scale
    return v / vertices[-1][1]  # level, farther out than that


def on_line(x, places, values, slopes):
    """The value of a line at x: from the last vertex before it by the slope there."""
    before = [k for k, place in enumerate(places) if place <= x]
    if not before:
        return values[0]
    return values[before[-1]] + slopes[before[-1]] * (x - places[before[-1]])


def numbers_of(code, a, b, c, n, weights, old, now, begins):
    """The value of one operation at one tick.

    *a*, *b*: its inputs from the first tick to this one; *old*: its own values before; *now*: tick;
    *begins*: what its memory begins with, which stands for every tick before the first.
    """
    x = a[-1] if a else 0.0
    y = b[-1] if b else 0.0
    going = 1.0 if now < n else y
    last = old[-1] if old else begins
    velocity = max(c[2] * last + (x - c[0]) / c[1], c[3]) if c[1] else 0.0
    velocity = 0.0 if velocity < c[4] else velocity
    padded = [c[0]] * n + a
    zero = max((k for k, v in enumerate(a) if v <= 0.0), default=None)
    plain = {
        op.CONSTANT: lambda: c[0],
        op.LESS: lambda: x - c[0],
        op.TIMES: lambda: c[0] * x,
        op.OVER: lambda: x / c[0],
        op.DEMAND: lambda: max(x / c[0], 0.0),
        op.MAGNITUDE: lambda: abs(x),
        op.POSITIVE: lambda: max(x, 0.0),
        op.ROOT: lambda: sqrt(x),
        op.LESSER: lambda: min(x, y),
        op.GREATER: lambda: max(x, y),
        op.SUM: lambda: x + y,
        op.DIFFERENCE: lambda: x - y,
        op.PRODUCT: lambda: x * y,
        op.RATIO: lambda: x / y,
        op.GATE: lambda: y if x >= 1.0 else 0.0,
        op.STEP: lambda: c[1] if x >= c[0] else y,
        op.RAISE: lambda: min(max(1.0 + c[0] * (x - 1.0), 1.0), c[1]),
        op.RAMP: lambda: c[0] + c[1] * 0.001 * max(x - c[2], 0.0),
        op.VELOCITY: lambda: velocity,
        op.LEAKY_SUM: lambda: max(c[0] * last + x, c[1]),
        op.WINDOW_SUM: lambda: float(np.sum(([begins] * n + a)[-n:])),
        op.WINDOW_MAX: lambda: max(padded[-n:]),
        op.RUNNING_MAX: lambda: max(begins, *a),
        op.DELAY: lambda: a[-1 - n] if now >= n else begins,
        op.TRAVEL: lambda: sum(a if zero is None else a[zero:]) / c[0],
        op.ELAPSED: lambda: c[0] * (begins + now if zero is None else now - zero),
        op.RESPONSE: lambda: float(np.dot(weights, (a[::-1] + [begins] * n)[:n])),
        op.CHANGE: lambda: abs(x - a[-2]) if now else 0.0,
        op.ROLL: lambda: (
            x / (max(sqrt(2.0 * c[1] * (1.0 - cos(max(c[0] - y, 0.0)))) / c[2], c[3]) * c[4])
        ),
        op.CODE: lambda: min(max(float(round(x / c[0])), c[1]), c[2]),
        op.LINE: lambda: on_line(x, weights[:n], weights[n : 2 * n], weights[2 * n :]),
        op.RAY: lambda: ray(x, y, list(zip(weights[::2], weights[1::2], strict=True))),
        op.SINCE: lambda: x if going < 1.0 else max(last, x),
        op.RESTARTED: lambda: 0.0 if going < 1.0 else velocity,
    }
    return plain[code]()


def section(c, x, past):
    """A second-order section from rest; *past*: (x, y) of both ticks before, newest first."""
    (x1, y1), (x2, y2) = past
    return c[0] * x + c[1] * x1 + c[2] * x2 - c[3] * y1 - c[4] * y2


def run(program, channels, ticks, *, root=0):
    """Total, main and arming demand of one root, tick by tick."""
    rows = program.operations.tolist()
    told = program.numbers.tolist()
    weights = program.weights.tolist()
    initial = [*program.initial.tolist(), 0.0]
    registers = [0.0] * program.registers
    size = {op.RESPONSE: lambda n: n, op.LINE: lambda n: 3 * n, op.RAY: lambda n: 2 * n}
    a_of, b_of, old = ([[] for _ in rows] for _ in range(3))
    out = np.zeros((3, ticks))
    for now in range(ticks):
        for k, ((code, to, a, b, n, kept, first), c) in enumerate(zip(rows, told, strict=True)):
            if code == op.READ:
                value = channels[program.channels[a]][now]
                value = {0: value, 1: -value, 2: abs(value)}[n]
            else:
                # An unused input has register 0, which may hold anything.
                a_of[k].append(registers[a])
                b_of[k].append(registers[b])
                if code == op.SECTION:
                    before = [(initial[kept], initial[kept + 1])] * 2
                    before += zip(a_of[k], old[k], strict=False)
                    value = section(c, registers[a], (before[-1], before[-2]))
                else:
                    own = weights[first : first + size.get(code, lambda n: 0)(n)]
                    value = numbers_of(
                        code, a_of[k], b_of[k], c, n, own, old[k], now, initial[kept]
                    )
            old[k].append(value)
            registers[to] = value
        for place, register in enumerate(program.roots[root].tolist()):
            out[place, now] = registers[register] if register >= 0 else np.nan
    return out


def both(table, *, draw=7, size=200):
    """Demands of a rule: as its operations give them, and as it gives them itself."""
    given = noisy_pulses()
    channels = {name: values[draw : draw + 1, :size] for name, values in given.channels.items()}
    stream = block(channels, rate_hz=given.rate_hz)
    rule = rule_from_table(table)
    there = frozenset(name for name, valid in stream.valid.items() if valid.all())
    writer = Writer(rate_hz=stream.rate_hz, size=size, there=there, context=stream.context)
    program = writer.program([writer.branches(rule, stream.context)])
    found = run(program, {name: values[0].tolist() for name, values in channels.items()}, size)
    wanted = rule.branch_demands(stream)
    return program, found, wanted


@pytest.mark.parametrize("name", tables())
def test_operations_give_the_rules_own_demand(name):
    """A tick more or less in a window, a sign, a leak: every number of what is written counts."""
    program, found, wanted = both(tables()[name])
    for place, branch in enumerate(("total", "main", "arming")):
        if branch not in wanted:
            assert program.roots[0][place] == -1
            continue
        assert found[place] == pytest.approx(wanted[branch][0], rel=1e-9, abs=1e-9), branch


@pytest.mark.parametrize("quiet", [14, 15, 16, 17, 40])
def test_a_velocity_restarts_after_as_many_quiet_ticks_and_no_fewer(quiet):
    """8 ms are 16 ticks: below its level a push adds up until it has been quiet so long."""
    x = np.full(80, -100.0)
    x[:quiet] = -5.0
    x[60:] = -5.0
    stream = block({"central_x": x[None]}, rate_hz=RATE)
    rule = rule_from_table(
        {"family": "velocity_change", "reset_ms": 8.0, "reset_below_g": 0.7, "threshold_m_s": 1.0}
    )
    expected, velocity, since = [], 0.0, 0
    for value in -x:
        since = since + 1 if value < 0.7 * 9.80665 else 0
        velocity = 0.0 if since >= 16 else velocity + value / RATE
        expected.append(velocity)
    there = frozenset({"central_x"})
    writer = Writer(rate_hz=RATE, size=80, there=there, context=stream.context)
    program = writer.program([writer.branches(rule, stream.context)])
    found = run(program, {"central_x": x.tolist()}, 80)[0]
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert rule.demand(stream)[0] == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_rules_of_both_belt_states_share_a_program_and_keep_apart():
    given = noisy_pulses()
    values = given.channels["central_x"][7:8]
    stream = block({"central_x": values}, rate_hz=given.rate_hz)
    rule = rule_from_table({"family": "belt_switch", "belted": VELOCITY, "unbelted": WINDOW})
    states = [Context(belted=belted) for belted in (True, False, True)]
    there = frozenset({"central_x"})
    writer = Writer(rate_hz=RATE, size=given.size, there=there, context=states[0])
    program = writer.program([writer.branches(rule, state) for state in states])
    for root, state in enumerate(states):
        found = run(program, {"central_x": values[0].tolist()}, given.size, root=root)
        wanted = rule.demand(replace(stream, context=state))
        assert found[0] == pytest.approx(wanted[0], rel=1e-9, abs=1e-9)
    assert (program.roots[0] == program.roots[2]).all()
    assert (program.roots[0] != program.roots[1]).any()


@pytest.mark.slow
def test_half_of_the_rules_fire_in_this_stream():
    passed = [name for name, table in tables().items() if both(table)[1][0].max() >= 1.0]
    assert len(passed) > 0.5 * len(tables())


def test_a_channel_that_is_not_there_demands_nothing():
    given = noisy_pulses()
    writer = Writer(rate_hz=given.rate_hz, size=50, there=frozenset(), context=given.context)
    program = writer.program([writer.branches(rule_from_table(VELOCITY), given.context)])
    assert program.channels == ()
    assert not run(program, {}, 50)[0].any()


SIZE = 12


def written(say, x, *others):
    """What *say*, a function of a writer and of lines that read channels, gives over time."""
    names = ["central_x", "central_y", "central_z"][: 1 + len(others)]
    channels = dict(zip(names, [x, *others], strict=True))
    writer = Writer(rate_hz=RATE, size=len(x), there=frozenset(names), context=Context())
    root = say(writer, *map(writer.read, names))
    program = writer.program([(root, root, -1)])
    return run(program, {name: list(row) for name, row in channels.items()}, len(x))[0]


@pytest.mark.parametrize("fill", [-np.inf, np.inf, 0.0, 1.5])
@pytest.mark.parametrize("ticks", [1, 2, SIZE - 1, SIZE, SIZE + 1, SIZE + 5])
def test_windows_as_long_as_a_draw_a_tick_less_and_more(ticks, fill):
    """What stands before the first tick counts until the window has left it, or for ever."""
    x = np.random.default_rng(ticks).normal(size=SIZE)
    x[0] = 4.0  # the largest of all: a window that is too short loses it
    rows = x[None]
    weights = 0.5 ** np.arange(ticks)
    pairs = {
        "max": (lambda w, v: w.window_max(v, ticks, fill=fill),
                kernels.window_max(rows, ticks, fill=fill)),
        "min": (lambda w, v: w.window_min(v, ticks, fill=fill),
                kernels.window_min(rows, ticks, fill=fill)),
        "sum": (lambda w, v: w.window_sum(v, ticks), kernels.window_sum(rows, ticks)),
        "mean": (lambda w, v: w.window_mean(v, min(ticks, SIZE)),
                 kernels.window_sum(rows, ticks) / min(ticks, SIZE)),
        "late": (lambda w, v: w.delayed(v, ticks), kernels.shifted(rows, ticks)),
        "response": (lambda w, v: w.response(v, weights), kernels.finite_response(rows, weights)),
    }  # fmt: skip
    for name, (say, expected) in pairs.items():
        assert written(say, x) == pytest.approx(expected[0], rel=1e-12, abs=1e-12), name


def test_a_window_of_one_tick_is_the_sample_itself():
    """To the last bit: by differences of sums a third would have another one."""
    writer = Writer(RATE, SIZE, there=frozenset({"central_x"}), context=Context())
    read = writer.read("central_x")
    assert writer.window_sum(read, 1) == read  # the same line: nothing is computed
    values = np.random.default_rng(2).normal(size=(1, SIZE)) / 3.0
    found = kernels.window_sum(values, 1)
    np.testing.assert_array_equal(found, values)
    assert not np.shares_memory(found, values)


def test_a_window_over_the_whole_draw_keeps_one_number():
    for ticks, kept in ((SIZE - 1, SIZE + 1), (SIZE, 1), (10**6, 1)):
        writer = Writer(RATE, SIZE, there=frozenset({"central_x"}), context=Context())
        root = writer.window_max(writer.read("central_x"), ticks)
        assert writer.program([(root, root, -1)]).initial.size == kept


def test_a_line_in_a_program_is_the_line_through_its_vertices():
    vertices = ((1.0, 2.0), (3.0, 5.0), (4.0, 1.0))
    x = np.linspace(0.0, 6.0, 25)
    found = written(lambda w, v: w.along_line(v, vertices), x)
    assert found == pytest.approx(np.interp(x, *np.array(vertices).T), rel=1e-12)


#: Operations with inputs, of which any may stand anywhere.
ANY = {
    "sum": lambda w, a, b: w.sum(a, b),
    "difference": lambda w, a, b: w.difference(a, b),
    "least": lambda w, a, b: w.least(a, b),
    "step": lambda w, a, b: w.step(a, level=0.3, then=-1.0, otherwise=b),
    "constant": lambda w, a, b: w.constant(0.25),
    "late": lambda w, a, b: w.delayed(a, 2),
    "window": lambda w, a, b: w.window_max(a, 3, fill=0.5),
    "since": lambda w, a, b: w.most_since(a, (b, 2)),
    "response": lambda w, a, b: w.response(a, np.array([0.5, -0.25, 0.125])),
    "line": lambda w, a, b: w.along_line(a, ((-1.0, 0.5), (0.0, -0.5), (2.0, 1.0))),
    "sections": lambda w, a, b: w.sections(a, np.array([[0.2, 0.1, 0.0, 1.0, -0.5, 0.1]] * 2)),
}


def straight(writer, root, channels, ticks):
    """Every line of what was written by itself, each with a history of its own."""
    of_line = []
    for line in writer.lines:
        kept = line.memory[0][0] if line.memory else 0.0
        numbers = [*line.numbers, *[0.0] * (op.NUMBERS - len(line.numbers))]
        if line.code == op.READ:
            row = channels[writer.channels[line.inputs[0]]]
            of_line.append([{0: v, 1: -v, 2: abs(v)}[line.n] for v in row])
            continue
        a, b = [*(of_line[k] for k in line.inputs), [], []][:2]
        row = []
        for now in range(ticks):
            if line.code == op.SECTION:
                past = [(0.0, 0.0)] * 2 + list(zip(a[:now], row, strict=True))
                row.append(section(numbers, a[now], (past[-1], past[-2])))
            else:
                one, other = a[: now + 1], b[: now + 1]
                row.append(
                    numbers_of(line.code, one, other, numbers, line.n, line.weights, row, now, kept)
                )
        of_line.append(row)
    return [of_line[k] if k >= 0 else [np.nan] * ticks for k in root]


@drawn(
    steps=st.lists(
        st.tuples(st.sampled_from(sorted(ANY)), st.integers(0, 99), st.integers(0, 99)),
        min_size=1, max_size=12,
    ),
    ends=st.tuples(st.integers(0, 99), st.integers(0, 99), st.integers(-1, 99)),
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_lines_that_share_registers_keep_apart(steps, ends):
    """Any lines in any order, any of them asked for: a register is free only when it is not read
    any more, and memory and weights of one line are those of no other."""
    ticks = 6
    x = np.random.default_rng(3).normal(size=(2, ticks)).tolist()
    channels = {"central_x": x[0], "central_y": x[1]}
    writer = Writer(rate_hz=RATE, size=ticks, there=frozenset(channels), context=Context())
    lines = [writer.constant(0.0), writer.read("-central_x"), writer.read("|central_y|")]
    for name, a, b in steps:
        lines.append(ANY[name](writer, lines[a % len(lines)], lines[b % len(lines)]))
    root = tuple(-1 if k < 0 else lines[k % len(lines)] for k in ends)
    program = writer.program([(0, 0, -1), root])
    found = run(program, channels, ticks, root=1)
    np.testing.assert_array_equal(found, straight(writer, root, channels, ticks))
    np.testing.assert_array_equal(run(program, channels, ticks)[0], np.zeros(ticks))


@pytest.mark.parametrize("threshold", [0.5, 1.0, 1.5, 3.0])
@pytest.mark.parametrize("divisor", [1.0, 2.0])
def test_demand_is_what_is_over_its_threshold_however_it_was_made(threshold, divisor):
    """Of a quotient the division and the bound become one operation, where nothing is lost."""
    x = np.linspace(-3.0, 3.0, 13)
    found = written(lambda w, v: w.demand(w.over(v, divisor), threshold, "central_x"), x)
    assert found == pytest.approx(np.maximum(x / divisor / threshold, 0.0), rel=1e-12)
    lost = written(lambda w, v: w.demand(v, threshold, "central_x", "-side_left_y"), x)
    assert not lost.any()
