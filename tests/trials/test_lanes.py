"""Rules run in lanes give what they give one by one: ticks and verdicts, bit for bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from families import LEVEL, RATE, VELOCITY, WINDOW, noisy_pulses, tables
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense import engine
from crashsense.channels import CHANNELS
from crashsense.event import Context
from crashsense.rules import Rule, load_algorithm, rule_from_table
from crashsense.rules.conformance import block
from crashsense.scoring import reached, spans_of
from crashsense.sensing import load_sensor_set, prepared
from crashsense.synthesis import load_events
from crashsense.trials import Conditions, lanes, run_trials
from crashsense.trials.block import judges_of
from crashsense.trials.lanes import (
    LANES,
    answers_in_lanes,
    reached_in_lanes,
    sensors_in_lanes,
    written,
)

pytestmark = pytest.mark.skipif(not engine.installed(), reason="needs numba (extra fast)")


def in_lanes(given, name: str):
    """What puts a channel of samples into lanes."""
    values = engine.given(given.channels[name])

    def put(first: int, last: int, tiles, channel: int) -> None:
        places = engine.given(np.arange(last - first))
        engine.kernels().to_lanes(engine.given(values[first:last]), places, tiles, channel)

    return put


def run(rule: Rule, given, spans):
    there = frozenset(name for name, valid in given.valid.items() if valid.all())
    asked = [(rule, given.context)]
    program, _ = written(asked, rate_hz=given.rate_hz, size=given.size, there=there)
    assert program is not None, "the rule has no operations"

    sources = [in_lanes(given, name) for name in program.channels]
    (found,) = reached_in_lanes(program, sources, spans=[spans], draws=given.draws, size=given.size)
    return found


@pytest.mark.slow
def test_every_family_in_lanes_is_the_family_itself() -> None:
    given = noisy_pulses()
    required = np.linspace(-0.01, 0.15, given.draws)
    clock = {"start_s": given.start_s, "rate_hz": given.rate_hz, "required_s": required}
    spans = spans_of(size=given.size, not_before_s=0.011, **clock)
    fired = {}
    with engine.using(engine.choose("fast")[0]):
        for name, table in tables().items():
            rule = rule_from_table(table)
            expected = reached(rule.branch_demands(given), not_before_s=0.011, **clock)
            found = run(rule, given, spans)
            for item, value in vars(expected).items():
                got = getattr(found, item)
                if table["family"] == "roll_energy":  # two libraries' cosine
                    np.testing.assert_allclose(got, value, rtol=1e-12, err_msg=f"{name} {item}")
                else:
                    np.testing.assert_array_equal(got, value, err_msg=f"{name} {item}")
            fired[name] = int((expected.fire >= 0).sum())
    # The comparison means something: most rules fire in some of the draws and not in others.
    assert sum(0 < number < given.draws for number in fired.values()) >= 20, fired


@pytest.mark.slow
def test_all_families_in_compiled_loops_are_the_families(monkeypatch, tmp_path) -> None:
    """All rules as one program, cut into several loops: as one by one, and as ``demand`` says."""
    from crashsense.compiled.parts import Parts

    given = noisy_pulses()
    required = np.linspace(-0.01, 0.15, given.draws)
    clock = {"start_s": given.start_s, "rate_hz": given.rate_hz, "required_s": required}
    there = frozenset(name for name, valid in given.valid.items() if valid.all())
    how = {"rate_hz": given.rate_hz, "size": given.size}
    rules = [rule_from_table(table) for table in tables().values()]
    program, said = written([(rule, given.context) for rule in rules], there=there, **how)
    assert program is not None
    assert said == list(range(len(rules)))
    found = {}
    for made_from in (10**12, 0):
        parts = Parts(tmp_path, loaded_from=made_from, made_from=made_from)
        with engine.using(engine.choose("fast")[0]):
            monkeypatch.setattr(engine.kernels(), "parts_of", parts.of)
            sources = [in_lanes(given, name) for name in program.channels]
            spans = [spans_of(size=given.size, not_before_s=0.011, **clock)] * len(rules)
            found[made_from] = reached_in_lanes(
                program, sources, spans=spans, draws=given.draws, size=given.size
            )
        cut, _ = parts.of(program.operations, program.roots, work=1)
        assert len(cut) > 3
        assert (cut[:, 2] == 0).all() if made_from else (cut[:, 2] != 0).all()
    for table, rule, one, fused in zip(tables().values(), rules, *found.values(), strict=True):
        with engine.using(engine.choose("fast")[0]):
            expected = reached(rule.branch_demands(given), not_before_s=0.011, **clock)
        for item, value in vars(fused).items():
            np.testing.assert_array_equal(value, getattr(one, item), err_msg=item)
            if table["family"] != "roll_energy":  # two libraries' cosine
                np.testing.assert_array_equal(value, getattr(expected, item), err_msg=item)
    assert sum(0 < (one.fire >= 0).sum() < given.draws for one in found[0]) >= 20


#: Numbers of the rules below: in a band that a random stream reaches, misses and passes at once.
_SMALL = st.floats(0.05, 3.0)
_LINE = st.lists(st.tuples(st.floats(0.5, 40.0), _SMALL), min_size=1, max_size=5).map(
    # Each vertex farther along the first axis, and nearer to it.
    lambda steps: [
        [sum(u for u, _ in steps[:k]), sum(v for _, v in steps[k:])] for k in range(len(steps))
    ]
)
_TIMES = st.lists(st.tuples(st.floats(0.5, 40.0), _SMALL), min_size=1, max_size=5).map(
    lambda steps: [[sum(t for t, _ in steps[:k]), v] for k, (_, v) in enumerate(steps)]
)
_ACROSS = {"channel": st.just("+central_roll_rate"), "leak_deg_s": st.floats(0.0, 10.0)}
_MS = st.floats(0.2, 250.0)
_DRAWN = st.one_of(
    *(
        st.fixed_dictionaries({"family": st.just(family), **numbers})
        for family, numbers in {
            "velocity_displacement_map": {"line": _LINE, "leak_g": _SMALL},
            "velocity_time_map": {"line": _TIMES, "leak_g": _SMALL},
            "window_velocity_jerk_map": {
                "line": _LINE,
                "window_ms": _MS,
                "jerk_ms": st.floats(0.2, 200.0),
            },
            "roll_rate_angle_map": {"line": _LINE, **_ACROSS},
            "band_energy": {
                "sections": st.integers(1, 3),
                "low_hz": st.floats(5.0, 100.0),
                "high_hz": st.floats(101.0, 950.0),
                "window_ms": _MS,
                "threshold_g": _SMALL,
            },
            "velocity_change_fixed_point": {
                "lsb_mg": st.floats(20.0, 900.0),
                "leak_g": _SMALL,
                "threshold_m_s": _SMALL,
            },
            "velocity_change": {
                "reset_ms": _MS,
                "reset_below_g": _SMALL,
                "leak_g": _SMALL,
                "time_constant_ms": st.none() | _MS,
                "floor": st.sampled_from(["yes", "no"]),
                "threshold_m_s": _SMALL,
            },
            "reset_after_quiet": {
                "rule": st.just(VELOCITY),
                "activity": st.sampled_from([LEVEL, WINDOW]),
                "quiet_ms": _MS,
            },
        }.items()
    )
)


@settings(max_examples=60, deadline=None)
@given(table=_DRAWN, seed=st.integers(0, 2**32 - 1), size=st.integers(1, 200))
def test_rules_in_lanes_mean_what_numpy_says_on_random_streams(
    table: dict, seed: int, size: int
) -> None:
    rule = rule_from_table({key: value for key, value in table.items() if value is not None})
    source = np.random.default_rng(seed)
    # Pushes with spells of quiet between them.
    loud = np.repeat(source.uniform(size=-(-size // 20)) < 0.5, 20)[:size]
    values = source.uniform(0.1, 30.0) * loud * (source.standard_normal(size) + 0.5)
    streams = {name: values / 7.0 if "roll" in name else values for name in CHANNELS}
    one = block({name: row[None, :] for name, row in streams.items()}, rate_hz=RATE)
    expected = rule.branch_demands(one)["total"][0]
    # As many draws as ticks, of which each is asked about a tick of its own.
    every = block({name: np.tile(row, (size, 1)) for name, row in streams.items()}, rate_hz=RATE)
    with engine.using(engine.choose("fast")[0]):
        found = run(rule, every, (np.arange(size), np.arange(size) + 1))
    np.testing.assert_allclose(found.in_time, expected, rtol=1e-9, atol=1e-9)


def test_a_rule_that_cannot_be_written_costs_only_itself() -> None:
    # Half the tick rate: no such band. What is wrong is said where demand is computed.
    too_high = rule_from_table({"family": "band_energy", "high_hz": 1000.0})
    armed = {"family": "armed", "main": VELOCITY, "arming": LEVEL}
    rules = [rule_from_table(VELOCITY), OwnLevel(), too_high, rule_from_table(armed)]
    how = {"rate_hz": RATE, "size": 50, "there": frozenset(CHANNELS)}
    program, said = written([(rule, Context()) for rule in rules], **how)
    assert said == [0, 3]
    assert program is not None
    assert program.roots.shape == (2, 3)
    assert written([(rule, Context()) for rule in rules[1:3]], **how) == (None, [])


def test_an_empty_seat_in_lanes_has_demand_0() -> None:
    given = replace(noisy_pulses(), context=Context(passenger_seat_occupied=False))
    armed = {"family": "armed", "main": VELOCITY, "arming": LEVEL}
    spans = (np.zeros(given.draws, dtype=np.int64), np.full(given.draws, 330))
    with engine.using(engine.choose("fast")[0]):
        for rule in (VELOCITY, armed):
            found = run(rule_from_table({"family": "seat_occupied", "rule": rule}), given, spans)
            assert not found.max_demand.any()
            assert (found.fire == -1).all()


class OwnLevel(type(rule_from_table(LEVEL))):  # type: ignore[misc]
    """A rule of a user that inherits from a family: its demand is its own."""

    def demand(self, samples):
        return 2.0 * super().demand(samples)


def rows_of(event: str, *, scores_only: bool, name: str, **conditions: str):
    """Verdict rows of some draws of one event."""
    with engine.using(engine.choose(name)[0]):
        trials = run_trials(
            load_events([event]),
            range(34),
            sensor_sets=[load_sensor_set("standard")],
            algorithms=[load_algorithm(one) for one in ("guarded", "plain")],
            conditions=Conditions(**conditions),
            scores_only=scores_only,
        )
        return pd.concat([trial.rows for trial in trials], ignore_index=True)


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    "event", ["odb_40_40", "side_pole_90_29", "odb_40_56_upfront_lost", "kerb_then_wall_40_20"]
)
def test_rows_in_lanes_are_those_of_whole_trials(event: str) -> None:
    found = rows_of(event, scores_only=True, name="fast")
    pd.testing.assert_frame_equal(found, rows_of(event, scores_only=False, name="fast"), rtol=1e-12)
    numpy = rows_of(event, scores_only=True, name="numpy")
    pd.testing.assert_frame_equal(found, numpy, rtol=1e-9, atol=1e-9)
    assert found["verdict"].nunique() > 1


@pytest.mark.parametrize(
    "conditions",
    [
        {"vary": "sensor"},
        {"vary": "sensor", "sensor_draws": "shared"},
        {"vary": "sensor", "path": "full"},
    ],
)
def test_sensors_that_share_a_signal_are_sensed_in_lanes(conditions: dict[str, str]) -> None:
    # Cut ahead of the filter in some channels: most draws mix both paths. Slow sensors hold.
    found = rows_of("side_pole_90_29", scores_only=True, name="fast", **conditions)
    whole = rows_of("side_pole_90_29", scores_only=False, name="fast", **conditions)
    pd.testing.assert_frame_equal(found, whole, rtol=1e-12)
    assert found["verdict"].nunique() > 1


@pytest.mark.parametrize("vary", ["both", "sensor"])
def test_for_scores_alone_no_samples_are_written_down(vary: str, monkeypatch) -> None:
    """What lanes give would be right without them, too, and slow: nothing else is asked."""

    def never(*_: object, **__: object) -> None:
        raise AssertionError("samples were asked for")

    monkeypatch.setattr("crashsense.trials.block.sense_block", never)
    found = rows_of("hammer_tunnel", scores_only=True, name="fast", vary=vary)
    assert found["draw"].nunique() == 34


@pytest.mark.parametrize("size", [9, 6000])
def test_lanes_without_a_draw_hold_numbers(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    empty = np.empty
    monkeypatch.setattr(np, "empty", lambda shape: np.full_like(empty(shape), np.nan))
    monkeypatch.setattr(lanes, "_ROOM", lanes._Room())
    with engine.using("fast"):
        for draws in (35, LANES):
            tiles = lanes._tiles(draws, 3, size)
            assert tiles.shape == (-(-draws // LANES), 3, size, LANES)
            assert tiles.ctypes.data % 64 == 0
            assert np.isfinite(tiles[-1, ..., (draws - 1) % LANES + 1 :]).all()
            # What sources fill is not cleared first where that would take as long as judging.
            assert np.isnan(tiles[0]).all() == (size == 6000)


def test_a_group_has_the_lanes_of_the_kernels() -> None:
    from crashsense.compiled import lanes

    assert lanes.LANES == LANES


def test_a_rule_that_reads_what_is_lost_for_a_time_is_left_to_its_demand() -> None:
    losing = load_sensor_set("standard").changed(
        "central_x", lost_frame_probability=0.1, on_lost="flag"
    )
    how = {
        "sensor_sets": [losing],
        "algorithms": [load_algorithm("guarded")],
        "conditions": Conditions(),
    }
    with engine.using(engine.choose("fast")[0]):
        (whole,) = run_trials(load_events(["odb_40_40"]), [1, 2], **how)
        (light,) = run_trials(load_events(["odb_40_40"]), [1, 2], scores_only=True, **how)
        judges = judges_of(whole.events, whole.algorithms, losing)
        (made,) = prepared(whole.block.signals, losing, draws=np.array([1, 2]))
        how = {"events": whole.events, "required_s": whole.required_s}
        of_sensors = sensors_in_lanes(judges, made, **how)
        of_samples = answers_in_lanes(judges, whole.sensed, **how)
    assert 0.0 < whole.samples.valid["central_x"].mean() < 1.0
    assert of_sensors is None
    left = {judge.key for judge in judges if judge.key not in of_samples}
    assert left == {j.key for j in judges if j.rule is not None and "central_x" in j.rule.uses}
    assert of_samples["odb_40_40", "guarded", "side_airbag_left"].found is not None
    pd.testing.assert_frame_equal(light.rows, whole.rows)


@pytest.mark.slow
def test_a_rule_of_a_user_beside_built_in_ones_changes_no_row() -> None:
    guarded = load_algorithm("guarded")
    own = replace(guarded, name="own", rules={**guarded.rules, "belt_pretensioner": OwnLevel()})
    how = {
        "sensor_sets": [load_sensor_set("standard")],
        "algorithms": [own, guarded],
        "conditions": Conditions(),
    }
    for name in ("fast", "numpy"):
        with engine.using(engine.choose(name)[0]):
            (whole,) = run_trials(load_events(["odb_40_40"]), range(1, 30), **how)
            (light,) = run_trials(load_events(["odb_40_40"]), range(1, 30), scores_only=True, **how)
        in_lanes = {key for key, answer in light.answers.items() if answer.found is not None}
        assert {key[2] for key in in_lanes if key[1] == "own"} >= {"belt_pretensioner"}
        pd.testing.assert_frame_equal(light.rows, whole.rows, rtol=1e-12)
        fired = light.rows.query("restraint == 'belt_pretensioner'")
        assert fired["max_demand"].nunique() > 30


def test_judges_that_share_their_times_share_their_spans(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each has the spans that it would have by itself; most have no required time at all."""
    asked: list[dict] = []

    def counted(**how):
        asked.append(how)
        return spans_of(**how)

    monkeypatch.setattr(lanes, "spans_of", counted)
    (event,) = load_events(["side_pole_90_29"])
    algorithms = [load_algorithm("guarded"), load_algorithm("plain")]
    sensors = load_sensor_set("standard")
    judges = judges_of([event], algorithms, sensors)
    source = np.random.default_rng(3)
    nothing = np.full(5, np.nan)
    required = {
        name: source.uniform(0.004, 0.02, 5) if name.startswith("side") else nothing
        for name in event.requirements
    }
    clock = {"start_s": source.uniform(-0.05, -0.04, 5), "rate_hz": 2000.0, "size": 200}
    found = lanes._spans_of(judges, {event.name: required}, **clock)
    assert 1 < len(asked) <= 3 < len(judges)
    for judge, spans in zip(judges, found, strict=True):
        times = required[judge.key[2]]
        wanted = spans_of(required_s=times, not_before_s=judge.not_before_s, **clock)
        np.testing.assert_array_equal(spans, wanted)
