"""Filters from scipy's compiled functions have the bits of ``scipy.signal``, and live beside it."""

from __future__ import annotations

import subprocess
import sys

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense import scipy_filters as ours

WAYS = {"compiled": ours._loaded(), "public": ours._PUBLIC}

numbers = st.floats(-1e3, 1e3, allow_subnormal=False)
blocks = hnp.arrays(np.float64, st.tuples(st.integers(0, 4), st.integers(1, 40)), elements=numbers)


def laid_out(rows, layout: str):
    """The same numbers in other places of memory, or locked."""
    if layout == "strided":
        wide = np.zeros((2 * rows.shape[0], 3 * rows.shape[1]))
        wide[::2, ::3] = rows
        return wide[::2, ::3]
    made = np.array(rows, order="F" if layout == "by columns" else "C")
    made.setflags(write=layout != "locked")
    return made


layouts = st.sampled_from(["usual", "strided", "by columns", "locked"])


def stable_sections(random, count: int):
    """Random sections whose poles lie within the unit circle."""
    a2 = random.uniform(-0.9, 0.9, count)
    a1 = random.uniform(-0.95, 0.95, count) * (1.0 + a2)
    return np.column_stack([random.normal(size=(count, 3)), np.ones(count), a1, a2])


@pytest.fixture(params=WAYS, scope="module")
def way(request):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ours, "_functions", WAYS[request.param])
        yield


def test_the_compiled_functions_of_this_scipy_are_used():
    """Else nothing here is a comparison; with another scipy this test says what has changed."""
    assert WAYS["compiled"] is not ours._PUBLIC


@settings(max_examples=60, deadline=None, derandomize=True)
@given(blocks, layouts, st.integers(1, 4), st.booleans(), st.integers(0, 99))
def test_rows_and_state_have_the_bits_of_the_published_sections(way, rows, layout, count, at, seed):
    random = np.random.default_rng(seed)
    sections, state = stable_sections(random, count), random.normal(size=(count, len(rows), 2))
    given_rows = laid_out(rows, layout)
    start = laid_out(state.reshape(count, -1), layout).reshape(state.shape) if at else None
    found, end = ours.sosfilt(given_rows, sections=sections, state=start)
    public = ss.sosfilt(sections.copy(), rows, axis=-1, zi=state if at else np.zeros_like(state))
    assert found.tobytes() == public[0].tobytes()
    assert end.tobytes() == public[1].tobytes()
    assert given_rows.tobytes() == rows.tobytes()
    assert start is None or start.tobytes() == state.tobytes()  # neither is written to
    if count > 1:
        first, between = ours.sosfilt(rows, sections=sections[:1])
        assert first.shape == rows.shape
        assert between.shape == (1, len(rows), 2)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(blocks.filter(lambda rows: rows.shape[1] > 1), st.integers(1, 39), st.integers(0, 99))
def test_a_row_filtered_in_two_parts_is_the_row(way, rows, cut, seed):
    cut = min(cut, rows.shape[1] - 1)
    sections = stable_sections(np.random.default_rng(seed), 2)
    sections.setflags(write=False)
    whole, end = ours.sosfilt(rows, sections=sections)
    before, state = ours.sosfilt(rows[:, :cut], sections=sections)
    after, state = ours.sosfilt(rows[:, cut:], sections=sections, state=state)
    assert np.array_equal(np.concatenate([before, after], axis=1), whole)
    assert np.array_equal(state, end)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(blocks, layouts, st.integers(2, 6), st.integers(0, 99))
def test_polynomials_filter_to_the_published_bits(way, rows, layout, count, seed):
    random = np.random.default_rng(seed)
    b, a = random.normal(size=random.integers(1, 6)), random.normal(size=count)
    a[0] = 1.5 * np.abs(a).sum()  # stable
    for samples in (laid_out(rows, layout), *rows[:1]):
        found = ours.lfilter(samples, b=b, a=tuple(a))
        assert found.tobytes() == ss.lfilter(b, a, samples).tobytes()


@settings(max_examples=60, deadline=None, derandomize=True)
@given(blocks, layouts, st.integers(1, 9), st.integers(1, 5), st.integers(1, 5))
def test_a_rate_is_changed_to_the_published_bits(way, rows, layout, length, up, down):
    taps = np.random.default_rng(length).normal(size=(1, length))
    given_taps = laid_out(taps, layout)[0]
    found = ours.upfirdn(laid_out(rows, layout), taps=given_taps, up=up, down=down)
    wanted = ss.upfirdn(taps[0], rows, up, down)
    assert found.shape == wanted.shape
    assert found.tobytes() == wanted.tobytes()


SECTION = np.array([[0.3, -0.1, 0.7, 1.0, -0.6, 0.2]])
STATE = np.zeros((1, 3, 2))

#: What does not fit three rows -> sections, state
UNFIT = {
    "no last column": (SECTION[:, :5], STATE),
    "a column more": (np.ones((1, 7)), STATE),
    "another a0": (SECTION + np.eye(1, 6, 3), STATE),
    "more sections in the state": (SECTION, np.zeros((2, 3, 2))),
    "more rows in the state": (SECTION, np.zeros((1, 4, 2))),
    "axes of the state as they are stored": (SECTION, STATE.swapaxes(0, 1)),
    "longer delays": (SECTION, np.zeros((1, 3, 3))),
}


@pytest.mark.parametrize("what", UNFIT)
def test_sections_and_states_that_do_not_fit_are_refused_as_by_the_package(way, what):
    sections, state = UNFIT[what]
    with pytest.raises(ValueError, match="sections: |state: "):
        ours.sosfilt(np.ones((3, 5)), sections=sections, state=state)
    with pytest.raises(ValueError, match="sos|zi"):
        ss.sosfilt(sections, np.ones((3, 5)), axis=-1, zi=state)


def test_sections_may_be_a_list(way):
    found, _ = ours.sosfilt(np.eye(3, 5), sections=SECTION.tolist())
    assert np.array_equal(found, ours.sosfilt(np.eye(3, 5), sections=SECTION)[0])


@pytest.mark.parametrize(("b", "a"), [((), (1.0, 0.5)), ((1.0,), ())])
def test_polynomials_without_coefficients_are_refused(way, b, a):
    with pytest.raises(ValueError, match="no coefficients"):
        ours.lfilter(np.ones((3, 5)), b=b, a=a)


@pytest.mark.parametrize("shape", [(0,), (1, 3), (3, 2)])
def test_taps_that_are_not_one_row_are_refused(way, shape):
    with pytest.raises(ValueError, match="taps: got shape"):
        ours.upfirdn(np.ones((3, 5)), taps=np.ones(shape), up=2, down=1)


def every_sample(rows, taps, out, up, down, *more):
    """As the compiled function, but without leaving any out."""
    wide = np.zeros((len(out), out.shape[-1] * down))
    WAYS["compiled"].apply(rows, taps, wide, up, 1, *more)
    out[...] = wide[:, : out.shape[-1]]


def broken(name):
    """What filters, with one function that is wrong: in its sums, its result or its arguments."""
    right = WAYS["compiled"]
    return {
        "no state": right._replace(sosfilt=lambda s, x, z: right.sosfilt(s, x, 0.0 * z)),
        "state not given back": right._replace(sosfilt=lambda s, x, z: right.sosfilt(s, x, +z)),
        "not in place": right._replace(sosfilt=lambda s, x, z: right.sosfilt(s, +x, z)),
        "half precision": right._replace(
            linear_filter=lambda *of: right.linear_filter(*of).astype(np.float32)
        ),
        "not normalised": right._replace(
            linear_filter=lambda b, a, x, axis: right.linear_filter(b, a / a[0], x, axis)
        ),
        "a pair": right._replace(linear_filter=lambda *of: (right.linear_filter(*of), None)),
        "taps of one phase": right._replace(
            apply=lambda x, h, *of: right.apply(x, np.tile(h[:2], len(h) // 2), *of)
        ),
        "every sample kept": right._replace(apply=every_sample),
        "fewer arguments": right._replace(apply=lambda x, h, out, up, down: None),
    }[name]


@pytest.mark.parametrize(
    "name",
    ["no state", "state not given back", "not in place", "half precision", "not normalised"]
    + ["a pair", "taps of one phase", "every sample kept", "fewer arguments"],
)
def test_another_function_is_noticed_and_the_package_filters(name, monkeypatch):
    wrong = broken(name)
    by_file = {
        "_sosfilt": type("", (), {"_sosfilt": staticmethod(wrong.sosfilt)}),
        "_sigtools": type("", (), {"_linear_filter": staticmethod(wrong.linear_filter)}),
        "_upfirdn_apply": type("", (), {"_apply": staticmethod(wrong.apply)}),
    }
    monkeypatch.setattr(ours, "_module", by_file.__getitem__)
    assert ours._loaded() is ours._PUBLIC


@pytest.mark.parametrize("absent", ["file", "function", "scipy"])
def test_where_the_functions_are_not_found_the_package_filters(absent, monkeypatch):
    if absent == "function":
        monkeypatch.setattr(ours, "_module", lambda name: object())
    elif absent == "file":
        for name in ("scipy.signal", "scipy.signal._sosfilt"):
            monkeypatch.delitem(sys.modules, name)
        monkeypatch.setattr(ours.PathFinder, "find_spec", lambda *of: None)
    else:
        monkeypatch.delitem(sys.modules, "scipy.signal")
        monkeypatch.setattr(ours.importlib.util, "find_spec", lambda name: None)
    assert ours._loaded() is ours._PUBLIC


@pytest.mark.parametrize("name", ["_sosfilt", "_sigtools", "_upfirdn_apply"])
def test_modules_of_an_imported_package_are_its_own(name):
    """It was imported above; loaded again, they would be taken from it."""
    assert ours._module(name) is sys.modules[f"scipy.signal.{name}"]


BESIDE = """
import sys
import numpy as np

def package():
    import scipy.signal
    return scipy.signal

def light():
    from crashsense import scipy_filters
    return scipy_filters

if {package_first}:
    package()
found = light()
alone = sorted(name for name in sys.modules if name.startswith("scipy.signal"))
print(alone == [] or {package_first}, found._functions is not found._PUBLIC)

rows, section = np.eye(2, 9), np.array([[1.0, 0.5, 0.25, 1.0, -0.5, 0.25]])
ours = found.sosfilt(rows, sections=section)[0]
theirs = package().sosfilt(section, rows)
b, a = section[0, :3], section[0, 3:]
print(np.array_equal(ours, theirs), np.array_equal(package().lfilter(b, a, rows), theirs))
print(package().resample_poly(rows.T, 2, 1).shape, package().savgol_filter(rows, 3, 1).shape)
import scipy.signal._sigtools, scipy.signal._sosfilt, scipy.signal._upfirdn_apply
again = found._loaded()
print(again is not found._PUBLIC, hasattr(package(), "_sigtools"))
print(np.array_equal(found.sosfilt(rows, sections=section)[0], ours))
"""


@pytest.mark.slow
@pytest.mark.parametrize("package_first", [True, False])
def test_the_package_can_be_imported_before_and_after(package_first):
    script = BESIDE.format(package_first=package_first)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.split("\n")[:-1] == [
        "True True",
        "True True",
        "(18, 2) (2, 9)",
        "True True",
        "True",
    ], done.stderr
