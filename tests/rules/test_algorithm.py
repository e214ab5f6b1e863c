"""Algorithms as TOML: shipped ones, round trip, faults all at once."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np
import pytest

from crashsense.errors import InputError, RuleError, printable
from crashsense.rules import (
    Algorithm,
    Rule,
    algorithm_from_table,
    algorithm_from_toml,
    algorithm_names,
    algorithm_to_table,
    algorithm_to_toml,
    load_algorithm,
    rule_families,
    rule_from_table,
    rule_to_table,
)
from crashsense.rules.checked import evaluate_rule
from crashsense.rules.conformance import block
from crashsense.rules.parameters import Criterion, Parameter, parameter_cards
from crashsense.rules.sizes import DEEPEST_RULE, MOST_PARTS
from crashsense.rules.sweep import leaves
from crashsense.rules.velocity import VelocityChange


def test_shipped_algorithms() -> None:
    assert algorithm_names() == ("guarded", "plain")
    assert load_algorithm("guarded").gate
    assert not load_algorithm("plain").gate
    assert len(load_algorithm("guarded").rules) == 7


@pytest.mark.parametrize("name", ["plain", "guarded"])
def test_round_trip(name: str) -> None:
    algorithm = load_algorithm(name)
    text = algorithm_to_toml(algorithm)
    again = algorithm_from_toml(text)
    assert algorithm_to_table(again) == algorithm_to_table(algorithm)
    assert algorithm_to_toml(again) == text
    assert again.gate == algorithm.gate
    assert dict(again.rules) == dict(algorithm.rules)


def test_an_algorithm_says_on_what_its_numbers_were_chosen() -> None:
    assert load_algorithm("guarded").fitted_to == "the shipped library of synthetic events"
    assert load_algorithm("plain").fitted_to == ""
    assert "fitted_to" not in algorithm_to_toml(load_algorithm("plain"))
    again = algorithm_from_toml(algorithm_to_toml(load_algorithm("guarded")))
    assert again.fitted_to == load_algorithm("guarded").fitted_to
    with pytest.raises(InputError, match="fitted_to: got 3; expected a text: the events"):
        algorithm_from_toml('fitted_to = 3\n[rules.curtain_left]\nfamily = "level"\n')


def _criteria() -> list[str]:
    return [name for name, family in rule_families().items() if issubclass(family, Criterion)]


@pytest.mark.parametrize("name", _criteria())
def test_every_family_has_sane_defaults_and_a_card(name: str) -> None:
    rule = rule_from_table({"family": name})
    assert rule_to_table(rule)["family"] == name
    assert rule_from_table(rule_to_table(rule)) == rule
    cards = parameter_cards(type(rule))
    assert cards
    for field, (card, default) in cards.items():
        assert card.text, field
        assert card.check(default) is None, field
    doc = type(rule).__doc__ or ""
    for word in ("Equation", "Source" if name != "velocity_change_fixed_point" else "Valid range"):
        assert word in doc, f"card of {name} lacks {word}"


def test_a_mirrored_rule_looks_the_other_way() -> None:
    rules = load_algorithm("guarded").rules
    left, right = rules["side_airbag_left"], rules["side_airbag_right"]
    assert {c.replace("left", "right") for c in left.uses if "left" in c} <= right.uses
    text = str(rule_to_table(right))
    assert "-side_right_y" in text
    assert "+side_right_y" not in text
    assert "left" not in text.replace("left_right", "").replace("upfront_left", "") or (
        "side_left_y" in text  # the far-side satellite as plausibility
    )


def test_all_faults_at_once() -> None:
    text = """
gat = 1
[rules.front_airbag]
family = "jerk"
[rules.belt_pretensioner]
family = "velocity_chang"
[rules.curtain_left]
family = "velocity_change"
threshold_m_s = 0
leak = 3
channel = "-centralx"
[rules.curtain_right]
family = "armed"
arming = { use = "nothing" }
[rules.side_airbag_left]
family = "velocity_displacement_map"
line = [[0, 2], [10, 1], [5, 1]]
[rules.side_airbag_right]
mirror_of = "side_airbag_lef"
"""
    with pytest.raises(InputError) as caught:
        algorithm_from_toml(text, file="mine.toml")
    lines = str(caught.value).splitlines()
    assert len(lines) == 10
    for expected in (
        "mine.toml: gat: got 1; expected one of calibration, definitions, fitted_to, gate, name, "
        "rules, title "
        "(did you mean 'gate'?)",
        "(did you mean 'front_airbag_stage_2'?)",
        "rules.belt_pretensioner.family: got 'velocity_chang'; expected one of ",
        "(did you mean 'velocity_change'?)",
        "rules.curtain_left.threshold_m_s: got 0; expected a number [m/s], above 0, at most 50",
        "rules.curtain_left.leak: got 3; expected one of ",
        "(did you mean 'leak_g'?)",
        "rules.curtain_left.channel: got '-centralx'; expected a channel with its sense",
        "rules.curtain_right.main: expected a rule (main is missing)",
        "rules.curtain_right.arming.use: got 'nothing'",
        "rules.side_airbag_left.line[2]: got (5, 1); expected a first coordinate above 10",
        "rules.side_airbag_right.mirror_of: got 'side_airbag_lef'; expected one of ",
    ):
        assert any(expected in line for line in lines), expected


@pytest.mark.parametrize(
    ("line", "vertex"),
    [
        ([[0.0, 1.0], [10.0, 1.0], [20.0, 2.5]], r"line\[2\].*cross the line once"),
        ([[0.0, 0.0], [10.0, 1.0]], r"line\[0\].*not the origin"),
        ([[5.0, 1.0], [5.0, 0.5]], r"line\[1\].*first coordinate above 5"),
        ([[5.0, 1.0], [10.0, 2.0]], r"line\[1\].*cross the line once"),
        ([[5.0, -1.0]], r"line\[0\].*no negative coordinate"),
    ],
)
def test_a_map_that_is_not_monotone_is_refused_with_its_vertex(line: list, vertex: str) -> None:
    with pytest.raises(InputError, match=vertex):
        rule_from_table({"family": "velocity_displacement_map", "line": line})


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf"), "1.5", True, 1e9])
def test_a_wrong_threshold_is_refused(value: object) -> None:
    with pytest.raises(InputError, match="threshold_m_s: got .* above 0, at most 50"):
        rule_from_table({"family": "velocity_change", "threshold_m_s": value})


def test_unknown_algorithm_names_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean 'guarded'"):
        load_algorithm("gaurded")
    with pytest.raises(InputError, match="an algorithm file that exists"):
        load_algorithm("nowhere.toml")


def test_odd_files(tmp_path) -> None:
    for name, content, message in (
        ("empty.toml", b"", "a table with one restraint or more"),
        ("binary.toml", b"\xff\xfe\x00", "an algorithm file in UTF-8"),
        ("broken.toml", b"[rules", "valid TOML"),
        ("flat.toml", b"rules = 3", "a table: restraint -> rule"),
        ("text.toml", b"[rules]\ncurtain_left = 'x'", "a table with a family"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(InputError, match=message):
            load_algorithm(path)


def test_a_definition_that_uses_itself_is_refused() -> None:
    text = (
        '[definitions.a]\nfamily = "held"\nrule = { use = "a" }\n[rules.curtain_left]\nuse = "a"\n'
    )
    with pytest.raises(InputError, match="a definition that does not use itself"):
        algorithm_from_toml(text)


def faults_of(text: str) -> list[str]:
    with pytest.raises(InputError) as error:
        algorithm_from_toml(text, file="mine.toml")
    return str(error.value).splitlines()


ONE = "[rules.side_airbag_left]\n"


@pytest.mark.parametrize(
    ("line", "field"),
    [
        ('family = "velocity_change"\nthreshold_m_s = 1' + 400 * "0", "threshold_m_s"),
        ('family = "velocity_change"\nthreshold_m_s = 1' + 5000 * "0", ""),
        ('family = "velocity_change"\nthreshold_m_s = nan', "threshold_m_s"),
        ('family = "at_least"\ncount = nan\nof = [{ family = "jerk" }]', "count"),
        ('family = "at_least"\ncount = inf\nof = [{ family = "jerk" }]', "count"),
        ('family = "window_velocity"\nwindows = [[5.0, 1' + 400 * "0" + "]]", "windows"),
        ('family = "c_library"\nparameters = [1' + 400 * "0" + "]", "parameters"),
        ('family = "jerk"\nwindow_ms = ' + 1000 * "[" + 1000 * "]", ""),
        ('family = "jerk"\nwindow_ms = ' + 50 * "[" + 50 * "]", "window_ms"),
    ],
)
def test_numbers_and_lists_that_nobody_means_are_faults(line: str, field: str) -> None:
    found = faults_of(ONE + line + "\n")
    assert all(fault.startswith("mine.toml: ") for fault in found)
    assert all(len(fault) < 1000 for fault in found)
    assert field in found[0]


@pytest.mark.parametrize(
    ("parameter", "value"),
    [
        ("threshold_m_s", 10**400),
        ("threshold_m_s", float("nan")),
        ("threshold_m_s", np.float64("inf")),
    ],
)
def test_a_table_made_in_python_is_checked_as_a_file_is(parameter: str, value: object) -> None:
    with pytest.raises(InputError, match=parameter):
        rule_from_table({"family": "velocity_change", parameter: value})
    for count in (float("nan"), float("inf"), 10**400, 1.5):
        with pytest.raises(InputError, match="count"):
            rule_from_table({"family": "debounced", "count": count, "rule": {"family": "jerk"}})
    for pairs in ([[10**400, 1.0]], [[float("nan"), 1.0]]):
        with pytest.raises(InputError, match="windows"):
            rule_from_table({"family": "window_velocity", "windows": pairs})


def nested(depth: int) -> dict:
    table: dict = {"family": "jerk"}
    for _ in range(depth):
        table = {"family": "held", "rule": table}
    return table


def test_rules_in_rules_have_a_limit() -> None:
    assert rule_from_table(nested(DEEPEST_RULE - 1)) is not None
    for depth in (DEEPEST_RULE, 5000):
        with pytest.raises(InputError, match=f"at most {DEEPEST_RULE} rules in each other"):
            rule_from_table(nested(depth))


def test_a_chain_of_definitions_has_a_limit() -> None:
    def chain(length: int) -> str:
        lines = ['[definitions.d0]\nfamily = "jerk"\n']
        for number in range(1, length):
            lines.append(
                f'[definitions.d{number}]\nfamily = "held"\nrule = {{ use = "d{number - 1}" }}\n'
            )
        return "".join(lines) + ONE + f'use = "d{length - 1}"\n'

    assert algorithm_from_toml(chain(20)).rules
    (fault,) = faults_of(chain(200))
    assert f"at most {DEEPEST_RULE} rules in each other" in fault
    assert fault.startswith("mine.toml: definitions.")


@pytest.mark.parametrize("mirror", [False, True])
def test_definitions_that_double_have_a_limit(mirror: bool) -> None:
    lines = ['[definitions.d0]\nfamily = "side_velocity"\n']
    for number in range(1, 30):
        use = f'{{ use = "d{number - 1}" }}'
        lines.append(f'[definitions.d{number}]\nfamily = "any_of"\nof = [{use}, {use}]\n')
    text = "".join(lines) + ONE + 'family = "held"\nrule = { use = "d29" }\n'
    if mirror:
        text += '[rules.side_airbag_right]\nmirror_of = "side_airbag_left"\n'
    began = time.perf_counter()
    (fault,) = faults_of(text)
    assert time.perf_counter() - began < 5.0
    assert f"at most {MOST_PARTS} rules, definitions written out" in fault
    small = "".join(lines[:6]) + ONE + 'use = "d5"\n'
    began = time.perf_counter()
    rule = algorithm_from_toml(small).rules["side_airbag_left"]
    assert len(leaves(rule)) == 32


@pytest.mark.parametrize(
    "name", ["a\x1b[31m", "a:b", "a\nb", "../a", "a ", " a", "a" * 101, "a b\u202e", "a\x00"]
)
def test_names_of_algorithms_have_a_plain_alphabet(name: str) -> None:
    with pytest.raises(InputError, match="name: .*letters, digits"):
        Algorithm(name, rules={})
    with pytest.raises(InputError, match="name: .*letters, digits") as error:
        algorithm_from_table(
            {"name": name, "rules": {"side_airbag_left": {"family": "jerk"}}}, file="mine.toml"
        )
    assert printable(str(error.value)) == str(error.value)
    for good in ("guarded", "guarded-2", "mine v1.3 (copy)", "A_b.c+1"):
        assert Algorithm(good, rules={}).name == good


def test_a_title_that_a_terminal_would_obey_is_refused_wherever_it_comes_from() -> None:
    table = {"rules": {"side_airbag_left": {"family": "jerk"}}}
    for key in ("title", "fitted_to"):
        with pytest.raises(InputError, match=f"{key}: .*without control characters"):
            algorithm_from_table({**table, "name": "mine", key: "a\x1b[31m"})


def test_an_error_of_a_rule_brings_no_control_character_along() -> None:
    class Red(Rule):
        requires = frozenset({"central_x"})

        def __init__(self, kind):
            self.kind = kind

        def demand(self, samples):
            raise self.kind("\x1b[31mred\x07\n" + 5000 * "x")

    for kind, begin in ((ValueError, "Red: ValueError: "), (RuleError, "")):
        found = evaluate_rule(Red(kind), block({"central_x": np.zeros((1, 5))}, rate_hz=2000.0))
        assert printable(found.errors[0]) == found.errors[0]
        assert found.errors[0].startswith(f"{begin}\\x1b[31mred")
        assert len(found.errors[0]) < 1000


@pytest.mark.parametrize(
    ("key", "other"), [("mirror_of", "side_airbag_left"), ("same_as", "side_airbag_left"),
                       ("use", "side")]
)  # fmt: skip
def test_a_reference_stands_alone_and_each_key_beside_it_is_named(key: str, other: str) -> None:
    table = {
        "definitions": {"side": {"family": "level"}},
        "rules": {
            "side_airbag_left": {"use": "side"},
            "side_airbag_right": {"threshold_g": 2.0, key: other, "window_ms": 3.0},
        },
    }
    with pytest.raises(InputError) as caught:
        algorithm_from_table(table)
    where = "rules.side_airbag_right"
    assert [(f.field, f.value, f.expected) for f in caught.value.faults] == [
        (f"{where}.threshold_g", 2.0, f"nothing beside {key}"),
        (f"{where}.window_ms", 3.0, f"nothing beside {key}"),
    ]
    del table["rules"]["side_airbag_right"]["threshold_g"]
    del table["rules"]["side_airbag_right"]["window_ms"]
    algorithm_from_table(table)


def test_a_rule_without_family_or_parameters_has_no_table() -> None:
    class Plain(Rule):
        family = "plain"
        requires = frozenset()

        def demand(self, samples):
            return np.zeros((samples.draws, samples.size))

    @dataclass(frozen=True)
    class Nameless(VelocityChange):
        family = ""

    for rule in (Plain(), Nameless()):
        with pytest.raises(InputError, match=f"got '{type(rule).__name__}'; expected a rule of a"):
            rule_to_table(rule)


def test_a_card_says_what_a_parameter_may_be() -> None:
    """Whatever the words promise is taken, and what lies outside is not."""
    seat = Parameter("-", 0.0, math.inf, "seat", kind="choice", choices=("driver", "passenger"))
    assert seat.expected == "one of driver, passenger"
    cards = [
        (Parameter("g", 1.0, 5.0, "a level"), "a number [g], 1 or more, at most 5", 1.0, 5.0),
        (Parameter("-", 0.0, 3.0, "a share", above=True), "a number, above 0, at most 3", 0.5, 3),
        (Parameter("-", 1.0, math.inf, "a count", kind="whole"), "a whole number, 1 or more", 1, 9),
    ]
    for card, words, low, high in cards:
        assert card.expected == words
        assert card.check(low) is card.check(high) is None
        assert card.check(0.0) == words
        assert card.check(math.nan) == card.check("1") == card.check(True) == words
        assert (card.check(100) is None) == math.isinf(card.high)
        assert (card.check(2.5) is None) == (card.kind != "whole")


BATTERY = """
[rules.front_airbag_stage_1]
family = "level"
channel = "-central_x"
threshold_g = 5.0
[rules.side_airbag_left]
family = "level"
channel = "+side_left_y"
threshold_g = 5.0
[rules.side_airbag_right]
mirror_of = "side_airbag_left"
[rules.battery_cut_off]
with_any_of = ["front_airbag_stage_1", "side_airbag_right"]
"""


def test_a_restraint_goes_with_any_of_several_others() -> None:
    rules = algorithm_from_toml(BATTERY).rules
    first, right = rules["front_airbag_stage_1"], rules["side_airbag_right"]
    assert rules["battery_cut_off"] == first | right
    wrong = BATTERY.replace('"side_airbag_right"]', '"side_airbag_rigt"]\nhold = 1')
    with pytest.raises(InputError) as caught:
        algorithm_from_toml(wrong)
    told = str(caught.value)
    assert "rules.battery_cut_off.with_any_of: got 'side_airbag_rigt'; expected" in told
    assert "rules.battery_cut_off.hold: got 1; expected nothing beside with_any_of" in told
    for wrong in ("[]", '"curtain_left"', '["battery_cut_off"]'):
        text = BATTERY.replace('["front_airbag_stage_1", "side_airbag_right"]', wrong)
        with pytest.raises(InputError, match="rules.battery_cut_off.with_any_of"):
            algorithm_from_toml(text)
