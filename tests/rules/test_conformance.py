"""Each conformance check against a rule broken in exactly that way; every family conforms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from broken_rules import BROKEN, Declared, Latching, Sound

import crashsense.rules
from crashsense.rules import conformance, load_algorithm, rule_families, rule_from_table
from crashsense.rules.contract import Rule
from crashsense.rules.parameters import Criterion
from crashsense.rules.plugins import PythonRule, rules_in_process


@pytest.mark.parametrize(
    ("broken", "check", "message"), BROKEN, ids=[f"{b.__name__}-{c}" for b, c, _ in BROKEN]
)
def test_each_check_sees_its_fault(broken: type, check: str, message: str) -> None:
    with pytest.raises(conformance.NotConforming, match=message):
        conformance.run_check(check, broken)


def test_samples_that_a_rule_has_spoilt_are_put_back() -> None:
    (broken,) = (rule for rule, check, _ in BROKEN if check == "input_untouched")
    given, before = (conformance.stimulus(broken()) for _ in range(2))
    with pytest.raises(conformance.NotConforming, match="input touched"):
        conformance.check_input_untouched(broken(), given)
    for table in ("channels", "valid"):
        for name, values in getattr(before.pulses, table).items():
            np.testing.assert_array_equal(getattr(given.pulses, table)[name], values)


def test_every_check_has_a_broken_rule() -> None:
    assert {check for _, check, _ in BROKEN} == set(conformance.CHECKS)


@conformance.conforms(Sound)
def test_a_sound_rule_passes(check) -> None:
    check()


@conformance.conforms(Declared)
def test_a_rule_that_declares_its_rates_passes(check) -> None:
    check()


def test_results_name_what_failed() -> None:
    results = {result.name: result for result in conformance.check_rule(Latching)}
    assert not results["does_not_latch"].passed
    failed = {name for name, result in results.items() if result.failed}
    # A latched demand no longer scales with its threshold either.
    assert failed == {"does_not_latch", "scales"}


CRITERIA = [name for name, family in rule_families().items() if issubclass(family, Criterion)]


@pytest.mark.parametrize("name", CRITERIA)
def test_every_family_conforms(name: str) -> None:
    make = lambda: rule_from_table({"family": name})  # noqa: E731
    found = {
        (name, result.name): result.message
        for result in conformance.check_rule(make)
        if result.failed
    }
    assert not found


@pytest.mark.parametrize("name", ["plain", "guarded"])
def test_shipped_algorithms_conform(name: str) -> None:
    faults = []
    for restraint, rule in load_algorithm(name).rules.items():
        results = conformance.check_rule(lambda rule=rule: rule)
        faults += [(restraint, r.name, r.message) for r in results if r.failed]
    assert not faults


def test_a_stimulus_fires_what_it_tests() -> None:
    # A check on a rule whose demand stays 0 would prove nothing.
    for name in CRITERIA:
        rule: Rule = rule_from_table({"family": name})
        given = conformance.stimulus(rule)
        assert rule.demand(given.pulses).max() > 1.0, name


def test_a_stimulus_has_every_channel_that_a_rule_reads() -> None:
    class Two(Sound):
        uses = frozenset({"central_x", "door_left_pressure"})
        requires = frozenset({"central_x", "central_roll_rate"})

    given = conformance.stimulus(Two())
    for samples in (given.pulses, given.rest):
        there = {name for name, valid in samples.valid.items() if valid.all()}
        assert there == {"central_x", "door_left_pressure", "central_roll_rate"}
        assert not any(samples.valid[name].any() for name in set(samples.valid) - there)


PER_SAMPLE = """\
class Mine:
    requires = frozenset({'central_x'})
    scales = SCALES
    monotone = MONOTONE
    def __init__(self, *, threshold_m_s=1.5): self.threshold_m_s = threshold_m_s
    def reset(self, *, rate_hz, context): self.step, self.v = 1.0 / rate_hz, 0.0
    def update(self, frame):
        self.v = max(0.0, self.v - (frame.value('central_x') + 20.0) * self.step)
        return self.v DEMAND
"""


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("demand", "failed"),
    [
        ("/ self.threshold_m_s", set()),
        ("/ self.threshold_m_s ** 2", {"scales"}),
        ("* self.threshold_m_s", {"scales", "monotone"}),
    ],
)
def test_claims_of_a_rule_written_by_sample_are_tested(
    demand: str, failed: set[str], tmp_path: Path
) -> None:
    text = PER_SAMPLE.replace("DEMAND", demand)
    text = text.replace("SCALES", "True").replace("MONOTONE", "True")
    (tmp_path / "mine.py").write_text(text)
    make = lambda: PythonRule(file=f"{tmp_path}/mine.py:Mine")  # noqa: E731
    results = {r.name: r for r in conformance.check_rule(make) if r.name in ("scales", "monotone")}
    assert {name for name, result in results.items() if result.failed} == failed
    assert {name for name, result in results.items() if result.passed} == set(results) - failed


@pytest.mark.slow
def test_what_cannot_be_tested_does_not_pass(tmp_path: Path) -> None:
    text = PER_SAMPLE.replace("threshold_m_s", "limit").replace("DEMAND", "/ self.limit")
    (tmp_path / "claims.py").write_text(text.replace("SCALES", "True").replace("MONOTONE", "True"))
    (tmp_path / "silent.py").write_text(text.replace("SCALES", "False").replace("MONOTONE", "0"))
    for file, words in (("claims", "no parameter threshold"), ("silent", "does not claim it")):
        make = lambda file=file: PythonRule(file=f"{tmp_path}/{file}.py:Mine")  # noqa: E731
        results = {r.name: r for r in conformance.check_rule(make)}
        for name in ("scales", "monotone"):
            assert not results[name].passed
            assert not results[name].failed
            assert words in results[name].untested
        assert "declares no rates" in results["rates"].untested
    (tmp_path / "quiet.py").write_text(text.replace("return self.v", "return 0.0 * self.v"))
    quiet = PythonRule(file=f"{tmp_path}/silent.py:Mine", parameters={"limit": 1e9})
    results = {r.name: r for r in conformance.check_rule(lambda: quiet)}
    assert "never reached 1" in results["does_not_latch"].untested


@pytest.mark.parametrize("name", CRITERIA)
def test_every_family_knows_its_thresholds(name: str) -> None:
    rule = rule_from_table({"family": name})
    raised = rule.at_scale(2.0)
    assert raised is not None
    given = conformance.stimulus(rule).pulses
    assert (raised.demand(given) <= rule.demand(given) * (1.0 + 1e-12)).all()
    if rule.scales:
        np.testing.assert_allclose(
            raised.demand(given), rule.demand(given) / 2.0, rtol=1e-9, atol=1e-12
        )


class Idle(Rule):
    """Reads nothing, demands nothing."""

    requires = frozenset()

    def demand(self, samples):
        return np.zeros((samples.draws, samples.size))


def test_a_rule_that_reads_nothing_is_asked_about_as_much_as_any_other() -> None:
    for given, wanted in zip(
        (conformance.stimulus(Idle()).pulses, conformance.stimulus(Idle()).rest),
        (conformance.stimulus(Sound()).pulses, conformance.stimulus(Sound()).rest),
        strict=True,
    ):
        assert (given.draws, given.size) == (wanted.draws, wanted.size)
    with pytest.raises(conformance.NotTested, match="never reached 1"):
        conformance.run_check("does_not_latch", Idle)
    failed = [result.name for result in conformance.check_rule(Idle) if result.failed]
    assert failed == []


class Rising(Rule):
    """Reaches 1 some samples before the end of a test pulse, and never falls."""

    requires = frozenset({"central_x"})

    def __init__(self, left: int) -> None:
        self.left = left

    def demand(self, samples):
        ticks = np.arange(samples.size) >= 400 - self.left
        return np.broadcast_to(1.0 * ticks, (samples.draws, samples.size)).copy()


def test_what_fires_at_the_end_of_a_pulse_is_not_taken_to_latch() -> None:
    with pytest.raises(conformance.NotTested, match="never reached 1"):
        conformance.run_check("does_not_latch", lambda: Rising(5))
    with pytest.raises(conformance.NotConforming, match="latches: after sample 350"):
        conformance.run_check("does_not_latch", lambda: Rising(50))


EXAMPLES = Path(crashsense.rules.__file__).parent / "examples"


@pytest.mark.parametrize(
    "place", ["per_sample_rule.py:LeakyVelocity", "block_rule.py:VelocityWithPeak"]
)
def test_what_an_example_claims_is_tested(place: str) -> None:
    with rules_in_process():
        rule = PythonRule(file=f"{EXAMPLES}/{place}")
    for name in ("scales", "monotone"):
        conformance.run_check(name, lambda: rule)


def test_a_block_has_a_code_for_each_tenth_of_the_unit_of_files() -> None:
    """g, kPa, deg/s; what is not valid has code 0."""
    x = {name: np.linspace(-900.0, 900.0, 13)[None] for name in ("central_x", "door_left_pressure")}
    x["central_roll_rate"] = np.where(np.arange(13) == 4, np.nan, np.linspace(-3.0, 3.0, 13))[None]
    given = conformance.block(x, rate_hz=2000.0)
    for name, step in (
        ("central_x", 0.980665), ("door_left_pressure", 100.0),
        ("central_roll_rate", np.pi / 1800.0),
    ):  # fmt: skip
        wanted = np.nan_to_num(x[name])
        np.testing.assert_allclose(given.codes[name] * step, wanted, rtol=0, atol=0.5001 * step)
        np.testing.assert_array_equal(given.valid[name], np.isfinite(x[name]))


def test_a_sound_rule_is_tested_and_what_was_not_tested_has_not_passed() -> None:
    conformance.run_check("does_not_latch", Sound)  # it fires, and is not left untested
    for message, untested in (("", ""), ("bad", ""), ("", "none"), ("bad", "none")):
        result = conformance.Result("any", message=message, untested=untested)
        assert (result.passed, result.failed) == (not message and not untested, bool(message))
