"""User-written rules in separate processes: whatever they do, only they end."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rules_support import samples

import crashsense.rules
from crashsense import engine, evaluate
from crashsense.errors import InputError, RuleTimeout
from crashsense.rules import Rule, apart
from crashsense.rules.apart import RuleProcess
from crashsense.rules.checked import MOST_TIMEOUTS, evaluate_rule, patience
from crashsense.rules.plugins import PythonRule, rules_in_process

EXAMPLES = Path(crashsense.rules.__file__).parent / "examples"
COMPILER = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")

HEAD = """\
import ctypes, os, signal, sys, threading, time
class Mine:
    requires = frozenset({'central_x'})
    def reset(self, *, rate_hz, context): pass
    def update(self, frame):
        BODY
        return 0.0
"""

#: Restraint -> what the rule for it does, and what is said of it.
BAD = {
    "front_airbag_stage_1": ("raise BaseException('boo')", "PythonRule: BaseException: boo"),
    "front_airbag_stage_2": ("os.chdir('/')", "PythonRule: it changes the working folder"),
    "belt_pretensioner": ("while True: pass", "no answer within 3 s (it hangs)"),
    "side_airbag_left": (
        "mine = threading.Thread(target=time.sleep, args=(1e6,), name='mine')\n"
        "        if threading.active_count() < 3: mine.start()",
        "PythonRule: it leaves a thread running (mine)",
    ),
    "side_airbag_right": (
        "kept = []\n        while True: kept.append(bytearray(10**8))",
        "PythonRule: MemoryError: ",
    ),
    "curtain_left": ("ctypes.string_at(0)", "its process died (SIGSEGV)"),
    "curtain_right": ("os._exit(0)", "its process died (exit code 0)"),
}


def algorithm(folder: Path, bodies: dict[str, str], *, settings: str = "") -> str:
    """Write an algorithm with a rule of this body for each restraint; return its file."""
    lines = ['name = "own"']
    for restraint, body in bodies.items():
        (folder / f"{restraint}.py").write_text(HEAD.replace("BODY", body))
        lines += [f"[rules.{restraint}]", 'family = "python"', f'file = "{restraint}.py:Mine"']
        lines += [settings]
    file = folder / "own.toml"
    file.write_text("\n".join(lines))
    return str(file)


def compiled(folder: Path, body: str) -> str:
    """Build the C example with a statement more in its step; return the library."""
    source = (EXAMPLES / "leaky_velocity.c").read_text()
    (folder / "mine.c").write_text(
        source.replace("    return valid[0]", f"{body}\n return valid[0]")
    )
    command = [str(COMPILER), "-shared", "-fPIC", f"-I{EXAMPLES}"]
    subprocess.run([*command, "-o", f"{folder}/mine.so", f"{folder}/mine.c"], check=True)
    return f"{folder}/mine.so"


@pytest.mark.slow
def test_each_misdeed_is_an_error_of_its_own_rule_and_of_no_other(tmp_path: Path) -> None:
    before, threads = os.getcwd(), len(os.listdir("/proc/self/task")) if os.name == "posix" else 0
    file = algorithm(
        tmp_path,
        {restraint: body for restraint, (body, _) in BAD.items()},
        settings="timeout_ms = 3000.0\nmemory_mb = 500.0",
    )
    alone = evaluate(events=["hammer_tunnel"], algorithms=["guarded"]).verdicts
    rows = evaluate(events=["hammer_tunnel"], algorithms=[file, "guarded"]).verdicts
    of_guarded = rows[rows["algorithm"] == "guarded"].reset_index(drop=True)
    pd.testing.assert_frame_equal(of_guarded, alone.reset_index(drop=True), check_exact=True)
    own = rows[rows["algorithm"] == "own"].set_index("restraint")
    assert set(own["verdict"]) == {"rule_error"}
    said = {restraint: own.loc[restraint, "reason"] for restraint in BAD}
    assert {r: said[r] for r, (_, text) in BAD.items() if text not in said[r]} == {}
    assert os.getcwd() == before
    if os.name == "posix":
        assert len(os.listdir("/proc/self/task")) <= threads + 1


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("os._exit(0)", r"Python code that loads \(its process died \(exit code 0\)\)"),
        ("raise BaseException('boo')", r"a Python file that runs \(BaseException: boo\)"),
        ("raise KeyboardInterrupt", r"KeyboardInterrupt"),
        ("os.kill(os.getpid(), signal.SIGSEGV)", r"its process died \(SIGSEGV\)"),
        ("os.chdir('/')", r"it changes the working folder"),
    ],
)
def test_a_file_that_ends_the_program_on_import_is_one_fault(
    line: str, message: str, tmp_path: Path
) -> None:
    (tmp_path / "mine.py").write_text(HEAD.replace("class", f"{line}\nclass").replace("BODY", ""))
    with pytest.raises(InputError, match=message) as error:
        PythonRule(file=f"{tmp_path}/mine.py:Mine")
    assert len(str(error.value).splitlines()) == 1


def test_the_end_of_the_interpreter_is_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    """What it collects last meets modules without their names."""
    for name in ("contextlib", "os"):
        monkeypatch.setattr(apart, name, None)
    RuleProcess.__new__(RuleProcess).__del__()


def test_samples_of_a_process_apart_cannot_be_written_to(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(
        "from crashsense.rules import Rule\n"
        "import numpy as np\n"
        "class Mine(Rule):\n"
        "    requires = frozenset({'central_x'})\n"
        "    def __init__(self, what): self.what = what\n"
        "    def demand(self, samples):\n"
        "        x = samples.channels['central_x']\n"
        "        if self.what == 'flag': x.setflags(write=True)\n"
        "        if self.what == 'put': samples.channels['central_x'] = 2.0 * x\n"
        "        if self.what == 'value': x[:] = 0.0\n"
        "        return np.abs(x)\n"
    )
    x = samples(central_x=np.linspace(-3.0, 3.0, 50)[None, :].repeat(3, axis=0))
    place = f"{tmp_path}/mine.py:Mine"
    for what, words in (("flag", "WRITEABLE"), ("put", "item assignment"), ("value", "read-only")):
        found = evaluate_rule(PythonRule(file=place, parameters={"what": what}), x)
        assert len(found.errors) == 3
        assert words in found.errors[0]
    sound = PythonRule(file=place, parameters={"what": ""})
    np.testing.assert_array_equal(sound.demand(x), np.abs(x.channels["central_x"]))


@pytest.mark.parametrize("name", engine.ENGINES)
def test_demand_is_the_same_here_and_apart(name: str, tmp_path: Path) -> None:
    """Whatever engine computes around it: a user-written rule never depends on it."""
    if name == "fast" and not engine.installed():
        pytest.skip("numba is not installed")
    place = f"{EXAMPLES / 'block_rule.py'}:VelocityWithPeak"
    x = samples(central_x=100.0 * np.random.default_rng(1).standard_normal((4, 300)))
    apart = PythonRule(file=place)
    with rules_in_process():
        here = PythonRule(file=place)
    assert (type(apart.host).__name__, type(here.host).__name__) == ("There", "Here")
    with engine.using(name):
        np.testing.assert_array_equal(apart.demand(x), here.demand(x))
        one, other = apart.branch_demands(x), here.branch_demands(x)
    assert one.keys() == other.keys()
    for branch in one:
        np.testing.assert_array_equal(one[branch], other[branch])
    assert (apart.requires, apart.scales, apart.uses) == (here.requires, here.scales, here.uses)


def test_samples_arrive_with_and_without_shared_memory(tmp_path: Path) -> None:
    """Where no memory can be shared (not POSIX) they travel with the request."""
    (tmp_path / "mine.py").write_text(
        HEAD.replace("BODY", "return abs(frame.value('central_x')) + 1.0")
    )
    rule = PythonRule(file=f"{tmp_path}/mine.py:Mine")
    x = samples(central_x=np.random.default_rng(2).standard_normal((3, 50)))
    expected = np.abs(x.channels["central_x"]) + 1.0
    process = rule.host.process
    memory = process.memory
    np.testing.assert_array_equal(rule.demand(x), expected)
    assert (memory is None) == (os.name != "posix")
    assert memory is None or memory.map is not None  # it was used
    process.memory = None
    np.testing.assert_array_equal(rule.demand(x), expected)
    process.close()
    if memory is not None:
        for _ in range(2):  # a file is closed once: its number may be another's by then
            memory.close()


class Hanging(Rule):
    """Hangs in every draw, and counts how often it was asked."""

    requires = frozenset({"central_x"})
    asked = 0

    def demand(self, samples):
        type(self).asked += 1
        raise RuleTimeout("no answer")


def test_a_rule_that_hangs_again_and_again_is_given_up() -> None:
    rule = Hanging()
    x = samples(central_x=np.zeros((200, 20)))
    with patience():
        first, second = evaluate_rule(rule, x), evaluate_rule(rule, x)
    assert Hanging.asked == 1 + MOST_TIMEOUTS
    assert len(first.errors) == len(second.errors) == 200
    assert first.errors[0] == "no answer"
    expected = f"given up after {MOST_TIMEOUTS} draws without an answer: no answer"
    assert {first.errors[199], second.errors[0], second.errors[199]} == {expected}
    evaluate_rule(rule, x)  # another event: asked again
    assert Hanging.asked == 2 * (1 + MOST_TIMEOUTS)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals and processes of POSIX systems")
@pytest.mark.parametrize("kind", ["python", "c"])
def test_no_process_outlives_a_parent_that_is_killed(kind: str, tmp_path: Path) -> None:
    if kind == "c":
        if COMPILER is None:
            pytest.skip("no C compiler on this machine")
        library = compiled(tmp_path, "for (;;) ;")
        rule = f"CLibraryRule(file='{library}', parameters=(2.0, 0.0), timeout_ms=1e6)"
    else:
        (tmp_path / "mine.py").write_text(HEAD.replace("BODY", "while True: pass"))
        rule = f"PythonRule(file='{tmp_path}/mine.py:Mine', timeout_ms=1e6)"
    (tmp_path / "parent.py").write_text(
        "import threading, time\n"
        "import numpy as np\n"
        "from crashsense.rules.apart import _LIVE\n"
        "from crashsense.rules.c_library import CLibraryRule\n"
        "from crashsense.rules.conformance import block\n"
        "from crashsense.rules.plugins import PythonRule\n"
        f"rule = {rule}\n"
        "x = block({'central_x': np.zeros((1, 50))}, rate_hz=2000.0)\n"
        "threading.Thread(target=rule.demand, args=(x,), daemon=True).start()\n"
        "time.sleep(1.0)\n"
        "print(*[p.process.pid for p in _LIVE if p.process.poll() is None], flush=True)\n"
        "while True: time.sleep(0.01)\n"
    )
    parent = subprocess.Popen(
        [sys.executable, str(tmp_path / "parent.py")], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    try:
        children = [int(word) for word in parent.stdout.readline().split()]
    finally:
        parent.send_signal(signal.SIGKILL)
        parent.wait()
        parent.stdout.close()
    assert children
    deadline = time.monotonic() + 10.0
    left = children
    while left and time.monotonic() < deadline:
        time.sleep(0.1)
        left = [pid for pid in left if _runs(pid)]
    assert left == []


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (OSError, IndexError):
        return False
    return state != "Z"  # ended, and not yet asked for by whoever has inherited it


@pytest.mark.skipif(COMPILER is None, reason="no C compiler on this machine")
def test_a_c_rule_that_takes_memory_without_end_ends_alone(tmp_path: Path) -> None:
    from crashsense.rules.c_library import CLibraryRule

    greedy = (
        "for (;;) { char *p = malloc(1 << 24);"
        " for (int i = 0; i < 1 << 24; i += 4096) ((volatile char *)p)[i] = 1; }"
    )
    rule = CLibraryRule(
        file=compiled(tmp_path, greedy),
        parameters=(2.0, 0.0),
        memory_mb=200.0,
        timeout_ms=20000.0,
    )
    found = evaluate_rule(rule, samples(central_x=np.zeros((1, 20))))
    assert "its process died (SIGSEGV)" in found.errors[0]


def test_rules_in_process_is_a_choice_that_is_recorded(tmp_path: Path) -> None:
    """By the plan or the call; without it the rule runs apart. The rows are the same."""
    body = "return abs(frame.value('central_x')) / 300.0 + 1e-9 * (os.getpid() == PID)"
    body = body.replace("PID", str(os.getpid()))
    file = algorithm(tmp_path, {"front_airbag_stage_1": body})
    (tmp_path / "plan.toml").write_text(
        f'events = ["hammer_tunnel"]\nalgorithms = ["{file}"]\nrules_in_process = true\n'
    )
    found = {}
    for name, plan, given in (
        ("apart", None, {"events": ["hammer_tunnel"], "algorithms": [file]}),
        ("call", None, {"events": ["hammer_tunnel"], "algorithms": [file],
                        "rules_in_process": True}),
        ("plan", str(tmp_path / "plan.toml"), {}),
    ):  # fmt: skip
        out = tmp_path / name
        rows = evaluate(plan, out=out, **given).verdicts.set_index("restraint")
        written = json.loads((out / "provenance.json").read_text())
        found[name] = (written["rules_in_process"], rows.loc["front_airbag_stage_1", "max_demand"])
        assert ("rules_in_process = true" in (out / "plan.toml").read_text()) == (name != "apart")
    assert {name: chosen for name, (chosen, _) in found.items()} == {
        "apart": False, "call": True, "plan": True,
    }  # fmt: skip
    assert found["plan"][1] == found["call"][1]
    assert found["call"][1] - found["apart"][1] == pytest.approx(1e-9, rel=1e-3)


def test_the_run_folder_stays_where_it_was_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = algorithm(tmp_path, {"front_airbag_stage_1": f"os.chdir('{tmp_path}/else')"})
    (tmp_path / "else").mkdir()
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    evaluate(events=["hammer_tunnel"], algorithms=[file], out="run", rules_in_process=True)
    assert list((tmp_path / "else").iterdir()) == []
    assert (tmp_path / "here" / "run" / "provenance.json").is_file()
