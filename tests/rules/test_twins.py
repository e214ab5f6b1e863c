"""Closed forms of the kernels and families against slow per-sample twins."""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np
import pytest
from families import noisy_pulses, tables
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from crashsense import engine
from crashsense.rules import kernels, rule_from_table
from crashsense.rules.checked import rows
from crashsense.rules.conformance import block

RATE = 2000.0
G = 9.80665

pulses = arrays(np.float64, st.tuples(st.integers(1, 3), st.integers(1, 80)),
                elements=st.floats(-500.0, 500.0, width=32))  # fmt: skip


def close(found: np.ndarray, expected: np.ndarray) -> None:
    scale = max(1.0, float(np.abs(expected).max(initial=0.0)))
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9 * scale)


@given(pulses, st.sampled_from([1.0, 0.999, 0.9, 0.5, 0.01]), st.booleans())
@settings(max_examples=60, deadline=None)
def test_floored_sum(x: np.ndarray, decay: float, floor: bool) -> None:
    expected = np.empty_like(x)
    for row, out in zip(x, expected, strict=True):
        value = 0.0
        for n, item in enumerate(row):
            value = decay * value + item
            value = max(0.0, value) if floor else value
            out[n] = value
    close(kernels.floored_sum(x, decay=decay, floor=floor), expected)


@pytest.mark.parametrize("ticks", [0, 1, 7, 59, 60, 70])
def test_a_shifted_row_is_the_row_so_many_ticks_before(ticks: int) -> None:
    x = np.random.default_rng(6).normal(size=(2, 60))
    expected = [[row[n - ticks] if n >= ticks else 2.5 for n in range(60)] for row in x]
    np.testing.assert_array_equal(kernels.shifted(x, ticks, fill=2.5), expected)


def without(samples, name: str, *, mapped: bool):
    """The block without a channel: not valid throughout, or not even known by name."""
    tables = {}
    for table in ("channels", "valid", "codes"):
        values = dict(getattr(samples, table))
        gone = values.pop(name)
        if mapped:
            values[name] = np.full_like(gone, np.nan if table == "channels" else 0)
        tables[table] = values
    return replace(samples, **tables)


@pytest.mark.parametrize("name", tables())
def test_a_channel_that_is_unknown_is_one_that_is_never_valid(name: str) -> None:
    """A sensor set holds some channels only."""
    rule = rule_from_table(tables()[name])
    samples = rows(noisy_pulses(), [3, 7])
    for channel in sorted(rule.uses):
        known = without(samples, channel, mapped=True)
        unknown = without(samples, channel, mapped=False)
        wanted, found = rule.branch_demands(known), rule.branch_demands(unknown)
        assert wanted.keys() == found.keys()
        for branch, demand in wanted.items():
            np.testing.assert_array_equal(found[branch], demand)
        assert rule.active(known) == rule.active(unknown)


@pytest.mark.parametrize("name", engine.ENGINES)
@pytest.mark.parametrize("shape", [(60,), (1, 60), (3, 4, 60)])
def test_kernels_work_along_the_last_axis_of_any_shape(name: str, shape: tuple[int, ...]) -> None:
    if name == "fast" and not engine.installed():
        pytest.skip("numba is not installed")
    with engine.using(name):
        any_shape(shape)


def any_shape(shape: tuple[int, ...]) -> None:
    x = np.random.default_rng(4).normal(size=shape)
    kernel = {
        "leaky": lambda v: kernels.floored_sum(v, decay=0.9),
        "very leaky": lambda v: kernels.floored_sum(v, decay=0.01),  # in several segments
        "plain": kernels.floored_sum,
        "so far": kernels.running_sum,
        "sum": lambda v: kernels.window_sum(v, 7),
        "sum alone": lambda v: kernels.sum_within(v, 7),
        "max": lambda v: kernels.window_max(v, 7),
        "min": lambda v: kernels.window_min(v, 7, fill=0.0),
        "mark": lambda v: kernels.any_within(v > 1.0, 7).astype(np.float64),
        "late": lambda v: kernels.shifted(v, 7, fill=2.0),
        "response": lambda v: kernels.finite_response(v, np.array([0.5, 0.25, 0.125])),
        "since": lambda v: kernels.ticks_since(v > 1.0).astype(np.float64),
    }
    for name, of in kernel.items():
        found = of(x)
        assert found.shape == shape, name
        for row, one in zip(x.reshape(-1, 60), found.reshape(-1, 60), strict=True):
            np.testing.assert_allclose(one, of(row[None])[0], rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("fill", [False, True])
@pytest.mark.parametrize("ticks", [1, 2, 3, 7, 16, 59, 60, 61, 200])
def test_a_mark_within_a_window_is_found_as_one_looks_for_it(ticks: int, fill: bool) -> None:
    mark = np.random.default_rng(7).random((5, 60)) < 0.03
    mark[0], mark[1] = False, True
    expected = [
        [bool(row[max(0, n - ticks + 1) : n + 1].any()) or (fill and n + 1 < ticks) for n in at]
        for row, at in zip(mark, [range(60)] * 5, strict=True)
    ]
    found = kernels.any_within(mark, ticks, fill=fill)
    np.testing.assert_array_equal(found, expected)
    assert not np.shares_memory(found, mark)


@pytest.mark.parametrize("ticks", [1, 2, 40, 700])
def test_a_row_is_the_same_in_a_block_that_is_cut_into_pieces(ticks: int) -> None:
    x = np.random.default_rng(8).normal(size=(1100, 600))
    assert (x > 2.0).nbytes > 2 * kernels._PIECE_BYTES
    for of in (
        lambda v: kernels.floored_sum(v, decay=0.97),
        kernels.floored_sum,
        lambda v: kernels.floored_sum(v, floor=False),
        lambda v: kernels.window_sum(v, ticks),
        lambda v: kernels.window_sum(v.astype(np.float32), ticks),
        lambda v: kernels.sum_within(v, ticks),
        lambda v: kernels.window_max(v, ticks),
        lambda v: kernels.window_max(v, ticks, fill=0.0),
        lambda v: kernels.window_min(v, ticks),
        lambda v: kernels.any_within(v > 2.0, ticks),
    ):
        whole = of(x)
        for row in (0, 65, 66, 532, 533, 1099):
            np.testing.assert_array_equal(whole[row], of(x[row : row + 1])[0])
        # The last of an odd number of rows, which has none beside it, and the same of an even one.
        np.testing.assert_array_equal(of(x[:3])[2], of(x[:4])[2])


def test_floored_sum_on_a_long_record_stays_finite_and_right() -> None:
    x = np.random.default_rng(1).standard_normal((2, 200_000))
    value, expected = 0.0, np.empty(200_000)
    for n, item in enumerate(x[1].tolist()):
        value = max(0.0, 0.99 * value + item)
        expected[n] = value
    np.testing.assert_allclose(kernels.floored_sum(x, decay=0.99)[1], expected, rtol=0, atol=1e-8)


@pytest.mark.parametrize("sense", ["central_x", "+central_x", "-central_x", "|central_x|"])
def test_a_channel_is_read_in_its_sense_and_is_0_where_it_is_not_valid(sense: str) -> None:
    values = np.array([[3.0, -2.0, np.nan, 0.0], [np.nan, -1.0, 4.0, -5.0]])
    found, valid = kernels.read(block({"central_x": values}, rate_hz=RATE), sense)
    for at in np.ndindex(values.shape):
        there = not np.isnan(values[at])
        assert valid[at] == there
        expected = values[at] if there else 0.0
        expected = {"-": -expected, "|": abs(expected)}.get(sense[0], expected)
        assert found[at] == expected
    # What is not there adds nothing to what is summed up over time.
    rule = rule_from_table({"family": "velocity_change", "threshold_m_s": 1.0})
    gap = np.full((1, 60), -100.0)
    gap[:, 20:40] = np.nan
    last = rule.demand(block({"central_x": gap}, rate_hz=RATE))[0, -1]
    assert last == pytest.approx(40 * 100.0 / RATE)


@given(pulses, st.integers(1, 90))
@settings(max_examples=60, deadline=None)
def test_windows(x: np.ndarray, length: int) -> None:
    for row in range(x.shape[0]):
        window: deque[float] = deque(maxlen=length)
        total, high, low = [], [], []
        for item in x[row]:
            window.append(float(item))
            total.append(sum(window))
            high.append(max(window))
            low.append(min(window))
        close(kernels.window_sum(x, length)[row], np.array(total))
        close(kernels.sum_within(x, length)[row], np.array(total))
        np.testing.assert_array_equal(kernels.window_max(x, length)[row], high)
        np.testing.assert_array_equal(kernels.window_min(x, length)[row], low)


def test_the_running_maximum_by_whole_numbers_is_the_one_by_numbers():
    """Zeros, the smallest and the largest numbers, steps in both directions, and NaN to the end."""
    source = np.random.default_rng(5)
    x = np.exp(source.uniform(-700.0, 700.0, (6, 300)))
    x[0, ::7] = 0.0
    x[1, 5:9] = np.inf
    x[2] = np.nextafter(0.0, 1.0) * source.integers(0, 9, 300)
    x[3, 40] = np.nan
    expected = np.maximum.accumulate(x, axis=-1)
    np.testing.assert_array_equal(kernels.running_max(x), expected)


@given(pulses, st.floats(5.0, 400.0))
@settings(max_examples=40, deadline=None)
def test_velocity_with_resets(x: np.ndarray, level: float) -> None:
    velocity = np.empty_like(x)
    for row in range(x.shape[0]):
        value, quiet = 0.0, 0
        for n in range(x.shape[1]):
            quiet = quiet + 1 if abs(x[row, n]) < level else 0
            value = max(0.0, value + (x[row, n] - 2 * G) / RATE)
            if quiet >= 4:
                value = 0.0
            velocity[row, n] = value
    close(
        kernels.leaky_velocity(
            x, rate_hz=RATE, leak_g=2.0,
            restart=kernels.quiet_restarts(x, level=level, ticks=4),
        ),
        velocity,
    )  # fmt: skip


def _twin(table: dict, row: list[float]) -> list[float]:
    """The family written sample by sample, as the formula on its card says."""
    family, step, out = table["family"], 1.0 / RATE, []
    v = s = e = slow = 0.0
    past: list[float] = []
    high: list[float] = []
    for a in row:
        past.append(a)
        leak = table.get("leak_g", 0.0) * G

        def last(ms: float, values: list[float]) -> list[float]:
            return values[-max(1, round(ms * 2)) :]

        if family == "velocity_change":
            v = max(0.0, v + (a - leak) * step)
            d = v / table["threshold_m_s"]
        elif family == "window_velocity":
            d = sum(x - leak for x in last(table["window_ms"], past)) * step
            d /= table["threshold_m_s"]
        elif family in ("displacement", "predicted_displacement"):
            v = max(0.0, v + (a - leak) * step)
            s = 0.0 if v == 0.0 else s + v * step
            moved = s
            if family.startswith("predicted"):
                tau, n = table["look_ahead_ms"] / 1e3, round(table["smoothing_ms"] * 2)
                moved += v * tau + sum(past[-n:]) / n * tau**2 / 2
            d = min(moved / table["travel_mm"] * 1e3, v / table["guard_m_s"])
        elif family == "energy":
            e = max(0.0, e + (max(a, 0.0) ** 2 / G**2 - (leak / G) ** 2) * step * 1e3)
            d = e / table["threshold_g2_ms"]
        elif family == "variance":
            n = round(table["window_ms"] * 2)
            window = [0.0] * (n - len(past[-n:])) + past[-n:]
            d = float(np.std(window)) / G / table["threshold_g"]
        elif family == "peak_to_peak":
            window = last(table["window_ms"], past)
            d = (max(window) - min(window)) / G / table["threshold_g"]
        elif family == "signal_length":
            steps = [0.0] + [abs(q - p) for p, q in zip(past[:-1], past[1:], strict=True)]
            steps = [max(0.0, x - table["floor_g"] * G) for x in steps]
            d = sum(last(table["window_ms"], steps)) / G / table["threshold_g"]
        elif family == "high_frequency_velocity":
            decay = np.exp(-2 * np.pi * table["corner_hz"] / RATE)
            slow = decay * slow + (1 - decay) * a
            high.append(abs(a - slow))
            d = sum(last(table["window_ms"], high)) * step / table["threshold_m_s"]
        elif family == "jerk":
            n = round(table["window_ms"] * 2)
            window = [0.0] * (n - len(past[-n:])) + past[-n:]
            d = np.polyfit(np.arange(n) * step, window, 1)[0] / (table["threshold_g_ms"] * G * 1e3)
        elif family == "power":
            v = max(0.0, v + (a - leak) * step)
            n = round(table["window_ms"] * 2)
            d = max(0.0, sum(past[-n:]) / n) * v / table["threshold_w_kg"]
        else:
            raise KeyError(family)
        out.append(max(0.0, d))
    return out


TWINS = [
    {"family": "velocity_change", "threshold_m_s": 1.5, "leak_g": 3.0},
    {"family": "window_velocity", "threshold_m_s": 1.5, "window_ms": 8.0},
    {"family": "displacement", "travel_mm": 10.0, "guard_m_s": 0.8, "leak_g": 1.0},
    {"family": "predicted_displacement", "travel_mm": 125.0, "look_ahead_ms": 30.0,
     "smoothing_ms": 6.0, "guard_m_s": 0.8, "leak_g": 1.0},
    {"family": "energy", "threshold_g2_ms": 1200.0, "leak_g": 3.0},
    {"family": "variance", "window_ms": 15.0, "threshold_g": 12.0},
    {"family": "peak_to_peak", "window_ms": 10.0, "threshold_g": 40.0},
    {"family": "signal_length", "window_ms": 15.0, "threshold_g": 150.0, "floor_g": 0.5},
    {"family": "high_frequency_velocity", "corner_hz": 50.0, "window_ms": 20.0,
     "threshold_m_s": 1.0},
    {"family": "jerk", "window_ms": 8.0, "threshold_g_ms": 1.5},
    {"family": "power", "window_ms": 5.0, "threshold_w_kg": 250.0, "leak_g": 1.0},
]  # fmt: skip


@pytest.mark.parametrize("table", TWINS, ids=lambda table: table["family"])
@given(x=pulses)
@settings(max_examples=15, deadline=None)
def test_family_against_its_twin(table: dict, x: np.ndarray) -> None:
    found = rule_from_table(table).demand(block({"central_x": -x}, rate_hz=RATE))
    expected = np.array([_twin(table, row.tolist()) for row in x])
    # The variance comes from a difference of squares: its root near zero is only good to 1e-6.
    loose = 1e-5 if table["family"] == "variance" else 1e-8
    np.testing.assert_allclose(found, expected, rtol=1e-8, atol=loose)


def test_compiled_kernels_equal_their_numpy_twins() -> None:
    """Each core is written twice, by numpy and compiled; the same numbers come out."""
    pytest.importorskip("numba")
    source = np.random.default_rng(11)
    rows = 50.0 * source.standard_normal((5, 700))
    asked = [(kernels.window_sum, {"ticks": n}) for n in (1, 7, 900)]
    asked += [(kernels.window_max, {"ticks": n, "fill": 0.0}) for n in (1, 7, 900)]
    asked += [(kernels.window_min, {"ticks": n}) for n in (1, 7, 900)]
    asked += [(kernels.floored_sum, {"decay": d}) for d in (1.0, 0.99, 0.2)]
    asked += [(kernels.floored_sum, {"decay": d, "floor": False}) for d in (1.0, 0.99)]
    plain = [core(rows, **given) for core, given in asked]
    with engine.using("fast"):
        assert engine.kernels() is not None
        compiled = [core(rows, **given) for core, given in asked]
    for (core, _), one, other in zip(asked, plain, compiled, strict=True):
        exact = core in (kernels.window_sum, kernels.window_max, kernels.window_min)
        np.testing.assert_allclose(one, other, rtol=0, atol=0 if exact else 1e-9)
