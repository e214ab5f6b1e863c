"""Each conformance check against a rule broken in exactly that way; every family conforms."""

from __future__ import annotations

import pytest
from broken_rules import BROKEN, Declared, Latching, Sound

from crashsense.rules import conformance, load_algorithm, rule_families, rule_from_table
from crashsense.rules.contract import Rule
from crashsense.rules.parameters import Criterion


@pytest.mark.parametrize(
    ("broken", "check", "message"), BROKEN, ids=[f"{b.__name__}-{c}" for b, c, _ in BROKEN]
)
def test_each_check_sees_its_fault(broken: type, check: str, message: str) -> None:
    with pytest.raises(conformance.NotConforming, match=message):
        conformance.run_check(check, broken)


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
    failed = {name for name, result in results.items() if not result.passed}
    # A latched demand no longer scales with its threshold either.
    assert failed == {"does_not_latch", "monotone"}


CRITERIA = [name for name, family in rule_families().items() if issubclass(family, Criterion)]


@pytest.mark.parametrize("name", CRITERIA)
def test_every_family_conforms(name: str) -> None:
    make = lambda: rule_from_table({"family": name})  # noqa: E731
    found = {
        (name, result.name): result.message
        for result in conformance.check_rule(make)
        if not result.passed
    }
    assert not found


@pytest.mark.parametrize("name", ["plain", "guarded"])
def test_shipped_algorithms_conform(name: str) -> None:
    faults = []
    for restraint, rule in load_algorithm(name).rules.items():
        results = conformance.check_rule(lambda rule=rule: rule)
        faults += [(restraint, r.name, r.message) for r in results if not r.passed]
    assert not faults


def test_a_stimulus_fires_what_it_tests() -> None:
    # A check on a rule whose demand stays 0 would prove nothing.
    for name in CRITERIA:
        rule: Rule = rule_from_table({"family": name})
        given = conformance.stimulus(rule)
        assert rule.demand(given.pulses).max() > 1.0, name
