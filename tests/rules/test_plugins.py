"""Rules of one's own: Python by block and by sample, C in a process of its own."""

from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import numpy as np
import pytest
from rules_support import G, half_sine, samples

import crashsense.rules
from crashsense.campaign import evaluate
from crashsense.errors import InputError, RuleError
from crashsense.rules import (
    Algorithm,
    Rule,
    conformance,
    load_algorithm,
    registry,
    rule_from_table,
    same_element,
)
from crashsense.rules.c_library import CLibraryRule
from crashsense.rules.checked import checked_branch_demands, evaluate_rule
from crashsense.rules.loading import load_class, load_rule
from crashsense.rules.plugins import PythonRule, as_rule_class
from crashsense.sensing import load_sensor_set, sense

EXAMPLES = Path(crashsense.rules.__file__).parent / "examples"
PER_SAMPLE = f"{EXAMPLES / 'per_sample_rule.py'}:LeakyVelocity"
BLOCK = f"{EXAMPLES / 'block_rule.py'}:VelocityWithPeak"

noise = np.random.default_rng(3).standard_normal(400)
PULSE = samples(central_x=-half_sine(20 * G, 0.1) - 30.0 * noise)


@conformance.conforms(lambda: PythonRule(file=PER_SAMPLE, parameters={"threshold_m_s": 2.0}))
def test_per_sample_example_conforms(check) -> None:
    check()


@conformance.conforms(lambda: PythonRule(file=BLOCK))
def test_block_example_conforms(check) -> None:
    check()


def test_per_sample_example_equals_the_family() -> None:
    twin = rule_from_table({"family": "velocity_change", "threshold_m_s": 2.0, "leak_g": 20.0 / G})
    rule = PythonRule(file=PER_SAMPLE, parameters={"threshold_m_s": 2.0, "leak_m_s2": 20.0})
    assert rule.requires == {"central_x"}
    np.testing.assert_allclose(rule.demand(PULSE), twin.demand(PULSE), rtol=1e-10, atol=1e-12)


def test_own_rule_in_an_algorithm_file(tmp_path: Path) -> None:
    shutil.copy(EXAMPLES / "per_sample_rule.py", tmp_path / "mine.py")
    (tmp_path / "mine.toml").write_text(
        '[rules.front_airbag_stage_1]\nfamily = "python"\nfile = "mine.py:LeakyVelocity"\n'
        "parameters = { threshold_m_s = 2.0 }\n"
    )
    algorithm = load_algorithm(tmp_path / "mine.toml")
    assert algorithm.name == "mine"
    rule = algorithm.rules["front_airbag_stage_1"]
    copy = pickle.loads(pickle.dumps(rule))
    np.testing.assert_array_equal(copy.demand(PULSE), rule.demand(PULSE))
    again = crashsense.rules.algorithm_from_toml(crashsense.rules.algorithm_to_toml(algorithm))
    np.testing.assert_array_equal(
        again.rules["front_airbag_stage_1"].demand(PULSE), rule.demand(PULSE)
    )


@pytest.mark.slow
def test_faults_of_own_rules(tmp_path: Path) -> None:
    (tmp_path / "bad.py").write_text("import nothing_like_it\n")
    (tmp_path / "odd.py").write_text("class Odd:\n    pass\n\nclass Even(Odd):\n    pass\n")
    for place, message in (
        (f"{tmp_path}/bad.py:Mine", "a Python file that runs .ModuleNotFoundError"),
        (f"{tmp_path}/none.py:Mine", "a Python file .* is none"),
        (f"{tmp_path}/odd.py:Od", "did you mean 'Odd'"),
        (f"{tmp_path}/odd.py:Odd", "a subclass of Rule, or a class with reset and update"),
        ("nothing_like_it:Mine", "a module that can be imported"),
        ("no_colon", "MODULE:CLASS or FILE.py:CLASS"),
    ):
        with pytest.raises(InputError, match=message):
            PythonRule(file=place)
    with pytest.raises(InputError, match="parameters that LeakyVelocity takes"):
        PythonRule(file=PER_SAMPLE, parameters={"thresold": 1.0})
    assert load_class("crashsense.rules.velocity:VelocityChange").__name__ == "VelocityChange"


def test_a_failing_draw_fails_alone(tmp_path: Path) -> None:
    (tmp_path / "fails.py").write_text(
        "class Fails:\n"
        "    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame):\n"
        "        x = frame.value('central_x')\n"
        "        if x > 900.0: raise ValueError('too much')\n"
        "        return float('nan') if x < -900.0 else abs(x) / 100.0\n"
    )
    rule = PythonRule(file=f"{tmp_path}/fails.py:Fails")
    rows = np.zeros((4, 50))
    rows[0] += 50.0
    rows[1, 20] = 1000.0
    rows[2, 20] = -1000.0
    rows[3] += 70.0
    block = samples(central_x=rows)
    found = evaluate_rule(rule, block)
    assert found.errors == {
        1: "PythonRule: ValueError: too much",
        2: "PythonRule: total demand is nan at draw 0, sample 20",
    }
    np.testing.assert_array_equal(found.branches["total"][[0, 3]], np.abs(rows[[0, 3]]) / 100)
    with pytest.raises(RuleError, match="too much"):
        checked_branch_demands(rule, block)


#: What no rule may return or raise, and what is said of it.
MISTAKES = {
    "{}['a']": "PythonRule: KeyError: 'a'",
    "sys.exit(5)": "PythonRule: SystemExit: 5",
    "'1'": "Odd.update returned '1' at tick 0; expected one number",
    "b'1'": "Odd.update returned b'1' at tick 0; expected one number",
    "None": "Odd.update returned None at tick 0; expected one number",
    "[1.0]": "Odd.update returned [1.0] at tick 0; expected one number",
    "1j": "Odd.update returned 1j at tick 0; expected one number",
}


@pytest.mark.slow
def test_what_a_rule_may_not_do_is_its_own_error(tmp_path: Path) -> None:
    """Each mistake in a draw of its own: what is measured says which."""
    (tmp_path / "odd.py").write_text(
        "import sys\n"
        "class Odd:\n"
        "    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame):\n"
        f"        return [{', '.join(f'lambda: {body}' for body in MISTAKES)}]"
        "[min(int(abs(frame.value('central_x'))), 6)]()\n"
    )
    rule = PythonRule(file=f"{tmp_path}/odd.py:Odd")
    rows = np.repeat(np.arange(len(MISTAKES), dtype=float)[:, None], 5, axis=1)
    found = evaluate_rule(rule, samples(central_x=rows))
    assert found.errors == dict(enumerate(MISTAKES.values()))
    failed = {r.name for r in conformance.check_rule(lambda: rule) if not r.passed}
    assert "finite" in failed


@pytest.mark.slow
def test_any_kind_of_number_is_a_demand(tmp_path: Path) -> None:
    (tmp_path / "fine.py").write_text(
        "import numpy as np\n"
        "class Fine:\n"
        "    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame):\n"
        "        kinds = [1, True, np.float32(1), np.int8(1), np.array(1.0)]\n"
        "        return kinds[int(frame.value('central_x'))]\n"
    )
    rule = PythonRule(file=f"{tmp_path}/fine.py:Fine")
    np.testing.assert_array_equal(rule.demand(samples(central_x=np.arange(5.0))), np.ones((1, 5)))


@pytest.mark.slow
def test_a_rule_file_that_ends_the_program_is_refused(tmp_path: Path) -> None:
    (tmp_path / "ends.py").write_text("raise SystemExit(5)\n")
    with pytest.raises(InputError, match="a Python file that runs .SystemExit: 5"):
        PythonRule(file=f"{tmp_path}/ends.py:Mine")
    (tmp_path / "init.py").write_text(
        "class Mine:\n    def __init__(self): raise SystemExit(5)\n"
        "    def reset(self): pass\n    def update(self): pass\n"
    )
    with pytest.raises(InputError, match="parameters that Mine takes .SystemExit: 5"):
        PythonRule(file=f"{tmp_path}/init.py:Mine")


def test_entry_points(monkeypatch: pytest.MonkeyPatch) -> None:
    def points(*found: EntryPoint):
        monkeypatch.setattr("importlib.metadata.entry_points", lambda group: found)

    group = registry.GROUP
    good = EntryPoint("mine", "crashsense.rules.examples.block_rule:VelocityWithPeak", group)
    broken = EntryPoint("broken", "no.such.module:Rule", group)
    points(good, broken)
    assert list(registry.installed_families()) == ["broken", "mine"]
    assert rule_from_table({"family": "mine", "threshold_m_s": 2.0}).threshold_m_s == 2.0
    with pytest.raises(InputError, match="an entry point that loads .ModuleNotFoundError"):
        rule_from_table({"family": "broken"})
    points(good, EntryPoint("mine", "other:Rule", group))
    with pytest.raises(InputError, match="not the name of"):
        registry.installed_families()
    points(EntryPoint("jerk", "other:Rule", group))
    with pytest.raises(InputError, match="a name not built in"):
        registry.installed_families()


@pytest.mark.parametrize("found", [3, "text", int, None])
def test_what_is_no_rule_class_is_refused(found: object) -> None:
    with pytest.raises(InputError, match=r"mine: class: got .*; expected a subclass of Rule"):
        as_rule_class(found, where="mine")


COMPILER = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
needs_compiler = pytest.mark.skipif(COMPILER is None, reason="no C compiler on this machine")


def compiled(folder: Path, source: str, *, name: str = "rule") -> str:
    path = folder / f"{name}.c"
    path.write_text(source)
    library = folder / f"{name}.so"
    subprocess.run(
        [str(COMPILER), "-O2", "-shared", "-fPIC", f"-I{EXAMPLES}", "-o", str(library), str(path)],
        check=True,
        capture_output=True,
    )
    return str(library)


EXAMPLE = (EXAMPLES / "leaky_velocity.c").read_text()


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> str:
    return compiled(tmp_path_factory.mktemp("c_rule"), EXAMPLE, name="leaky_velocity")


@needs_compiler
def test_c_example_equals_its_python_twin_to_the_sample(example: str) -> None:
    rule = CLibraryRule(file=example, parameters=(2.0, 20.0))
    twin = PythonRule(file=PER_SAMPLE, parameters={"threshold_m_s": 2.0, "leak_m_s2": 20.0})
    rows = np.stack([PULSE.channels["central_x"][0] * k for k in (0.3, 0.8, 1.0, 2.5)])
    block = samples(central_x=rows)
    found, expected = rule.demand(block), twin.demand(block)
    np.testing.assert_array_equal(
        np.argmax(found >= 1.0, axis=-1), np.argmax(expected >= 1.0, axis=-1)
    )
    assert (np.argmax(expected >= 1.0, axis=-1) > 0).sum() >= 3
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    np.testing.assert_allclose(rule.trace(block)[..., 0], 2.0 * expected, rtol=1e-12)
    copy = pickle.loads(pickle.dumps(rule))
    np.testing.assert_array_equal(copy.demand(block), found)


TWO_CHANNELS = EXAMPLE.replace("channel_count = 1", "channel_count = 2").replace(
    "return valid[0] ? s->velocity / s->threshold : 0.0;",
    "double d = (valid[0] ? frame[0] : 1000.0) + 7.0 * (valid[1] ? frame[1] : 2000.0);"
    " return d > 0.0 ? d : 0.0;",
)


@needs_compiler
def test_a_frame_holds_every_channel_in_its_sense_at_one_sample(tmp_path: Path) -> None:
    library = compiled(tmp_path, TWO_CHANNELS, name="two")
    rule = CLibraryRule(
        file=library, channels=("-central_x", "|central_y|"), parameters=(2.0, 20.0)
    )
    source = np.random.default_rng(3)
    x, y = source.normal(size=(2, 3, 40)).round(2)
    y[1, 10:20] = np.nan
    found = rule.demand(samples(central_x=x, central_y=y))
    for draw, tick in np.ndindex(x.shape):
        second = 2000.0 if np.isnan(y[draw, tick]) else abs(y[draw, tick])
        assert found[draw, tick] == pytest.approx(max(-x[draw, tick] + 7.0 * second, 0.0))


@needs_compiler
def test_c_example_in_an_algorithm_file(example: str, tmp_path: Path) -> None:
    shutil.copy(example, tmp_path / "mine.so")
    (tmp_path / "mine.toml").write_text(
        '[rules.front_airbag_stage_1]\nfamily = "c_library"\nfile = "mine.so"\n'
        'channels = ["-central_x"]\nparameters = [2.0, 20.0]\n'
    )
    rule = load_algorithm(tmp_path / "mine.toml").rules["front_airbag_stage_1"]
    assert rule.demand(PULSE).max() > 1.0


@needs_compiler
@conformance.conforms(lambda: CLibraryRule(file=str(_shared["library"]), parameters=(2.0, 20.0)))
def test_c_example_conforms(check, example: str) -> None:
    _shared["library"] = example
    check()


_shared: dict[str, str] = {}


@needs_compiler
@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("= CRASHSENSE_RULE_ABI;", "= 99;"), "built for interface version 1, it says 99"),
        (("const int crashsense_rule_abi", "const int other"), "the constant crashsense_rule_abi"),
        (("crashsense_rule_step(void *state, const", "other(void *state, const"),
         "the function crashsense_rule_step"),
        (("channel_count = 1", "channel_count = 2"), "2 channels, as the library says"),
    ],
)  # fmt: skip
def test_a_wrong_library_is_refused_before_it_is_called(
    change: tuple[str, str], message: str, tmp_path: Path
) -> None:
    # Its init would leave a mark; it must not have run.
    mark = tmp_path / "called"
    source = (
        EXAMPLE.replace(*change)
        .replace("struct state *s;\n", f'struct state *s;\n fopen("{mark}", "w");\n', 1)
        .replace("#include <stdlib.h>", "#include <stdlib.h>\n#include <stdio.h>")
    )
    with pytest.raises(InputError, match=message):
        CLibraryRule(file=compiled(tmp_path, source), parameters=(2.0, 20.0))
    assert not mark.exists()


@needs_compiler
def test_a_file_that_is_no_library_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "text.so"
    path.write_text("no library")
    with pytest.raises(InputError, match="a C shared library"):
        CLibraryRule(file=str(path))
    with pytest.raises(InputError, match="a C shared library that exists"):
        CLibraryRule(file=str(tmp_path / "none.so"))


@pytest.mark.quick(2)
@needs_compiler
@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("*(volatile int *)0 = 1;", r"its process died \(SIGSEGV\)"),
        ("abort();", r"its process died \(SIGABRT\)"),
        ("exit(3);", r"its process died \(exit code 3\)"),
        ("for (;;) ;", r"no answer within .*\(it hangs\)"),
        ("return 0.0 / 0.0;", "demand is nan at draw 0, sample 120"),
        ("return -1.0;", "demand is -1 at draw 0, sample 120"),
    ],
)
def test_crash_hang_and_nan_end_their_own_evaluation(
    body: str, message: str, tmp_path: Path
) -> None:
    # Misbehaves only once the velocity has built up: the second draw is quiet and must survive.
    source = EXAMPLE.replace(
        "    return valid[0]", f"    if (s->velocity > 0.5) {{ {body} }}\n    return valid[0]"
    )
    rule = CLibraryRule(file=compiled(tmp_path, source), parameters=(2.0, 0.0), timeout_ms=300.0)
    block = samples(central_x=np.stack([-half_sine(32.0, 0.1), np.zeros(400)]))
    message = message.replace("sample 120", "sample [0-9]+")
    with pytest.raises(RuleError, match=message):
        checked_branch_demands(rule, block)
    found = evaluate_rule(rule, block)
    assert list(found.errors) == [0]
    assert found.branches["total"].shape == (2, 400)


@needs_compiler
def test_refused_parameters_are_a_rule_error(example: str) -> None:
    rule = CLibraryRule(file=example, parameters=(-1.0, 0.0))
    with pytest.raises(RuleError, match="parameters that the library accepts"):
        checked_branch_demands(rule, PULSE)


class Scaling(Rule):
    """Scales its samples in place, as one might without a thought."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        values = samples.channels["central_x"]
        values *= 0.0
        return np.zeros(values.shape)


class Unsure(Rule):
    """Fails when it is asked what it reads."""

    requires = frozenset({"central_x"})

    def active(self, samples):
        raise KeyError("mine")

    def demand(self, samples):
        return np.zeros((samples.draws, samples.size))


@pytest.mark.quick(1)
@pytest.mark.parametrize(("own", "message"), [(Scaling(), "read-only"), (Unsure(), "mine")])
def test_a_rule_that_misbehaves_harms_no_other(own: Rule, message: str) -> None:
    shipped = load_algorithm("plain")
    other = Algorithm("own", rules={"curtain_left": own})
    alone = evaluate(events=["wall_full_25"], algorithms=[shipped]).verdicts
    rows = evaluate(events=["wall_full_25"], algorithms=[other, shipped]).verdicts
    assert rows[rows["algorithm"] == "plain"].reset_index(drop=True).equals(alone)
    mine = rows[(rows["algorithm"] == "own") & (rows["restraint"] == "curtain_left")]
    (failed,) = mine.itertuples()
    assert failed.verdict == "rule_error"
    assert message in failed.reason


def test_an_armed_rule_of_ones_own_keeps_its_branches(tmp_path: Path) -> None:
    """So that what is held by arming alone is told, whoever wrote the rule."""
    (tmp_path / "armed.py").write_text(
        "from crashsense.rules import rule_from_table\n"
        "from crashsense.rules.composition import Armed\n"
        "class Own(Armed):\n"
        "    def __init__(self):\n"
        "        main = {'family': 'velocity_change', 'threshold_m_s': 0.01}\n"
        "        arming = {'family': 'level', 'channel': '-central_x', 'threshold_g': 400.0}\n"
        "        super().__init__(main=rule_from_table(main), arming=rule_from_table(arming))\n",
        encoding="utf-8",
    )
    (tmp_path / "armed.toml").write_text(
        '[rules.front_airbag_stage_1]\nfamily = "python"\nfile = "armed.py:Own"\n',
        encoding="utf-8",
    )
    run = evaluate(events=["hammer_tunnel"], algorithms=[str(tmp_path / "armed.toml")])
    rows = run.verdicts.set_index("restraint")
    assert rows.loc["front_airbag_stage_1", "verdict"] == "held"
    assert rows.loc["front_airbag_stage_1", "held_by"] == "arming"
    seen = sense(run.plan.events[0].signals, load_sensor_set(), channels=("central_x",)).samples
    assert same_element(run.plan.algorithms[0].rules["front_airbag_stage_1"], seen)


def test_a_misspelt_channel_of_an_own_rule_is_named(tmp_path: Path) -> None:
    text = Path(PER_SAMPLE.rpartition(":")[0]).read_text(encoding="utf-8")
    (tmp_path / "own.py").write_text(text.replace('"central_x"', '"centrla_x"'), encoding="utf-8")
    with pytest.raises(InputError, match=r"requires: got 'centrla_x'.*did you mean 'central_x'"):
        PythonRule(file=f"{tmp_path / 'own.py'}:LeakyVelocity", parameters={"threshold_m_s": 2.0})


@pytest.mark.parametrize(
    "body",
    [
        "class Mine:\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame): return 0.0\n",
        "from crashsense import Rule\nclass Mine(Rule):\n    def demand(self, samples): return 0\n",
        "from crashsense import Rule\n"
        "class Mine(Rule):\n"
        "    requires = 'central_x'\n"
        "    def demand(self, samples): return 0\n",
    ],
)
def test_a_rule_without_a_set_of_channels_is_told_what_to_write(body, tmp_path):
    file = tmp_path / "mine.py"
    file.write_text(body, encoding="utf-8")
    with pytest.raises(InputError, match=r"requires: .*requires = frozenset\(\{\"central_x\"\}\)"):
        load_rule(f"{file}:Mine", parameters={})


def test_an_edit_within_a_second_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python's own kept bytecode would pass for the file: same size, same second."""
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    file = tmp_path / "rule.py"
    for number in ("1.5", "2.5"):
        file.write_text(f"class Mine:\n    threshold = {number}\n")
        os.utime(file, (1_000_000_000, 1_000_000_000))
        assert load_class(f"{file}:Mine").threshold == float(number)
    assert not (tmp_path / "__pycache__").exists()
