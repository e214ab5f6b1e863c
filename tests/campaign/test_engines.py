"""Engine fast against its numpy twins: equal verdicts and fire times, floats to 1e-9."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

import crashsense
from crashsense import engine
from crashsense.errors import InputError, MissingExtraError
from crashsense.resources import CACHE_VARIABLE
from crashsense.synthesis.dynamics import contact_chain

EVENTS = ["hammer_tunnel", "side_pole_75_32", "wall_full_56"]

FLOATS = (
    "required_time_ms",
    "time_margin_ms",
    "max_demand",
    "demand_at_required_time",
    "demand_before_allowed",
    "demand_margin",
)


@pytest.mark.quick(1)
@pytest.mark.parametrize("path", ["auto", "full"])
def test_engines_give_the_same_table(path):
    pytest.importorskip("numba")
    numpy_run, fast_run = (
        crashsense.evaluate(events=EVENTS, draws=40, vary="sensor", engine=name, path=path)
        for name in engine.ENGINES
    )
    ours, theirs = numpy_run.verdicts, fast_run.verdicts
    for column in ("event", "draw", "restraint", "verdict", "held_by", "fire_time_ms", "path"):
        assert ours[column].equals(theirs[column]), column
    for column in FLOATS:
        np.testing.assert_allclose(ours[column], theirs[column], rtol=0, atol=1e-9)


def test_events_are_synthesised_with_the_engine_of_the_run(monkeypatch):
    pytest.importorskip("numba")
    marches = []
    plain = contact_chain._march

    def counted(*arguments):
        marches.append(arguments)
        return plain(*arguments)

    monkeypatch.setattr(contact_chain, "_march", counted)
    monkeypatch.setenv(CACHE_VARIABLE, "")  # nominal signals are made, not read
    crashsense.evaluate(events=["hammer_tunnel"], engine="fast")
    assert not marches
    crashsense.evaluate(events=["hammer_tunnel"], engine="numpy")
    assert marches


def test_kernels_equal_their_twins():
    compiled = pytest.importorskip("crashsense.compiled.kernels", exc_type=ImportError)
    from scipy.signal import butter, sosfilt

    from crashsense.rules import kernels
    from crashsense.scoring import fire_times_at_scales, score

    source = np.random.default_rng(4)
    rows = source.standard_normal((13, 257))
    sections = butter(4, 0.3, output="sos")
    state = source.standard_normal((2, 13, 2))
    expected = sosfilt(sections, rows, axis=-1, zi=state)[0]
    np.testing.assert_allclose(
        compiled.filter_rows(sections, rows, state), expected, rtol=0, atol=1e-12
    )
    demand = np.abs(rows) / 2.5
    scales = np.linspace(0.1, 1.6, 40)
    start = np.linspace(0.0, 1e-3, 13)

    def results() -> list[np.ndarray]:
        scores = score(
            {"total": demand, "main": demand},
            start_s=start,
            rate_hz=2000.0,
            expectation="fire",
            required_s=np.linspace(-0.01, 0.2, 13),
            not_before_s=0.01,
        )
        return [
            kernels.floored_sum(rows, decay=0.97),
            kernels.floored_sum(rows, decay=1.0),
            kernels.floored_sum(rows, decay=0.97, floor=False),
            kernels.window_sum(rows, 20),
            kernels.window_max(rows, 7, fill=0.0),
            kernels.window_min(rows, 300),
            fire_times_at_scales(demand, scales=scales, start_s=start, rate_hz=2000.0),
            scores.fire_s,
            scores.max_demand,
            scores.demand_at_required,
            scores.demand_before_allowed,
            scores.demand_margin,
        ]

    plain = results()
    with engine.using("fast"):
        assert engine.kernels() is compiled
        fast = results()
    assert engine.kernels() is None
    for one, other in zip(plain, fast, strict=True):
        np.testing.assert_allclose(one, other, rtol=0, atol=1e-10)


@pytest.mark.parametrize("decay", [1.0, 0.97, 0.01])
@pytest.mark.parametrize("floor", [True, False])
def test_sums_of_small_work_have_the_bits_of_the_kernel(decay: float, floor: bool):
    pytest.importorskip("numba")
    from crashsense.rules import kernels

    rows = np.random.default_rng(5).standard_normal((3, 4000))
    with engine.using("fast"):
        expected = kernels.floored_sum(rows, decay=decay, floor=floor)
    with engine.for_small_work("fast"):
        found = kernels.floored_sum(rows, decay=decay, floor=floor)
    assert found.tobytes() == expected.tobytes()


@pytest.mark.parametrize("rows", [1, 2, 5])
def test_windows_of_codes_are_at_their_threshold_at_the_same_ticks(rows: int):
    """Codes of 0.5 g, a mean of 2.5 g: many sums lie exactly there, and rounding decides."""
    pytest.importorskip("numba")
    from crashsense.rules import kernels

    codes = np.random.default_rng(6).integers(-5, 16, size=(rows, 900)) * (0.5 * 9.80665)
    with engine.using("fast"):
        expected = kernels.window_sum(codes, 8)
    assert kernels.window_sum(codes, 8).tobytes() == expected.tobytes()
    with engine.for_small_work("fast"):
        assert kernels.window_sum(codes, 8).tobytes() == expected.tobytes()


def test_fast_without_numba_says_what_to_install(monkeypatch):
    monkeypatch.setattr(engine, "installed", lambda: False)
    assert engine.choose(None) == ("numpy", "")
    with pytest.raises(MissingExtraError, match=r"pip install '\.\[fast\]'"):
        engine.choose("fast")


def test_a_compiler_that_fails_leaves_numpy_and_one_line(monkeypatch):
    pytest.importorskip("numba")
    reason = "engine fast cannot be used (OSError: no place for the cache); numpy computes"
    monkeypatch.setattr(engine, "_load", lambda: (None, reason))
    assert engine.choose(None) == ("numpy", reason)
    run = crashsense.evaluate(events=["hammer_tunnel"])
    assert reason in run.summary()["notes"]


def test_a_kernel_that_fails_is_found_by_a_thorough_choice_only(monkeypatch):
    pytest.importorskip("numba")
    monkeypatch.setattr(engine, "_fault_of_a_kernel", lambda: "one line")
    assert engine.choose(None) == ("fast", "")
    assert engine.choose(None, thorough=True) == ("numpy", "one line")
    assert crashsense.evaluate(events=["hammer_tunnel"]).engine == "numpy"


def test_every_kernel_takes_what_its_own_check_gives_it():
    """One that fails would leave numpy to compute, with nothing but a line to show for it."""
    pytest.importorskip("numba")
    assert engine.choose(None, thorough=True) == ("fast", "")


def test_an_engine_that_cannot_be_imported_leaves_numpy_where_it_was_wanted(monkeypatch):
    monkeypatch.setattr(engine, "_load", lambda: (None, "one line"))
    with engine.using("fast"):
        assert (engine.kernels(), engine.current()) == (None, "numpy")


@pytest.mark.slow
def test_a_command_with_workers_leaves_numba_to_them(tmp_path):
    """They say whether it computes: the command itself saves its import and its memory."""
    pytest.importorskip("numba")
    crashsense.load_events(["hammer_tunnel", "ball_door"])  # kept: nothing is left to compute
    arguments = ["evaluate", "--events", "hammer_tunnel", "--events", "ball_door", "--workers", "2"]
    script = (
        "import sys\n"
        "from crashsense.cli import run\n"
        "if __name__ == '__main__':\n"
        f"    run({[*arguments, '--out', str(tmp_path / 'run')]!r})\n"
        "    print('numba loaded:', 'numba' in sys.modules)\n"
    )
    (tmp_path / "script.py").write_text(script)
    command = [sys.executable, str(tmp_path / "script.py")]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "numba loaded: False", done.stderr
    assert crashsense.open_run(tmp_path / "run").engine == "fast"


def test_unknown_engine_is_named():
    with pytest.raises(InputError, match="did you mean 'numpy'"):
        engine.choose("numpyy")


@pytest.mark.quick(2)
@pytest.mark.parametrize("path", ["auto", "full"])
@pytest.mark.parametrize("name", ["wall_full_56", "hammer_bracket_severe", "rollover_kerb_25"])
def test_engines_sense_the_same_codes(name, path):
    """Word by word: tolerances, noise, clipping, filters and rounding, one pulse or one a draw."""
    pytest.importorskip("numba")
    from crashsense.sensing import load_sensor_set, sense
    from crashsense.synthesis import load_events

    event = load_events([f"{name}*"])[0]
    for signals in (event.signals, event.vary(70, seed=2)):
        found = []
        for engine_name in engine.ENGINES:
            with engine.using(engine_name):
                options = {"occurrence": event.occurrence, "quiet": event.quiet, "path": path}
                found.append(sense(signals, load_sensor_set(), draws=range(70), **options))
        ours, theirs = found
        assert np.array_equal(ours.paths, theirs.paths)
        for channel, codes in ours.samples.codes.items():
            assert np.array_equal(codes, theirs.samples.codes[channel]), channel
            if channel not in ours.reports:  # absent from the event: a failed sensor in both
                continue
            for count in ("clipped_before_filter", "clipped_after_filter", "clipped_at_code"):
                a, b = (getattr(f.reports[channel], count) for f in found)
                assert np.array_equal(a, b), (channel, count)
