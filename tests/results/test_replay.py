"""Replay and explain of a run folder: quick, by its own inputs, and plain about what differs."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from run_files import edit_json, note_parts

from crashsense import cli, engine
from crashsense.campaign import evaluate
from crashsense.errors import RunFolderError
from crashsense.plan.inputs import code_digest
from crashsense.resources import folder as shipped_folder
from crashsense.results import input_copies as copies_module
from crashsense.results import open_run, replay
from crashsense.results.folder import RunFolder
from crashsense.results.provenance import versions
from crashsense.results.replay import _changes_since, _differences
from crashsense.results.tables import SCHEMA_VERSION
from crashsense.synthesis import nominal_cache
from crashsense.synthesis.recipe import Recipe
from crashsense.trials.rows import plain_rows

KNOCK, POLE = "hammer_tunnel", "side_pole_75_32"
#: Of one recipe, and one of which the order of stages has a row too.
BELTED, UNBELTED = "wall_full_16_belted", "wall_full_16_unbelted"
ORDERED = "pole_centre_29"

RULE = """
class Steady:
    requires = frozenset({"central_x"})

    def reset(self, *, rate_hz, context):
        pass

    def update(self, frame):
        return LEVEL
"""


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("replayed") / "run"
    evaluate(events=[KNOCK, POLE, BELTED, UNBELTED, ORDERED], draws=2, out=out, engine="numpy")
    return out


@pytest.fixture
def synthesised(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Names of the recipes whose physics ran."""
    names: list[str] = []
    plain = Recipe.synthesise

    def noted(self, draws, **asked):
        names.append(self.name)
        return plain(self, draws, **asked)

    monkeypatch.setattr(Recipe, "synthesise", noted)
    with nominal_cache.without():
        yield names


# -- only what is asked for ------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("command", ["explain", "replay"])
def test_only_the_event_that_is_asked_for_is_synthesised(command, run_folder, synthesised, capsys):
    arguments = [BELTED, "0"] if command == "replay" else [BELTED]
    assert cli.run([command, str(run_folder), *arguments]) == 0, capsys.readouterr()
    assert synthesised == ["wall_full_16"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([POLE, "--draw", "7"], "run: draw: got 7; expected 0 to 2, the draws of the run"),
        (["side_pole_75_23"], f"did you mean '{POLE}'"),
        ([POLE, "--sensor-set", "standrad"], "did you mean 'standard'"),
        ([POLE, "--algorithm", "gaurded"], "did you mean 'guarded'"),
    ],
)
def test_a_wrong_name_or_draw_builds_nothing(arguments, message, run_folder, synthesised, capsys):
    assert cli.run(["explain", str(run_folder), *arguments]) == 2
    assert message in capsys.readouterr().err
    assert synthesised == []


def test_a_plan_of_names_synthesises_these_alone(synthesised):
    evaluate(events=[KNOCK, BELTED], algorithms=["plain"])
    assert set(synthesised) == {KNOCK, "wall_full_16"}


@pytest.mark.slow
def test_one_event_alone_gives_the_rows_of_the_whole_run(run_folder):
    run = open_run(run_folder)
    for event in (KNOCK, POLE, BELTED, UNBELTED, ORDERED):
        for draw, algorithm in ((0, "plain"), (2, "guarded")):
            again = replay(run, event, draw=draw, algorithm=algorithm)
            assert again.differences == ()
            assert again.notes == ()
            assert len(again.rows) == 7 + (event == ORDERED)


# -- copies of inputs ------------------------------------------------------------------------------


def own_algorithm(folder: Path, level: str = "0.5") -> Path:
    (folder / "steady.py").write_text(RULE.replace("LEVEL", level), encoding="utf-8")
    file = folder / "mine.toml"
    file.write_text(
        '[rules.front_airbag_stage_1]\nfamily = "python"\nfile = "steady.py:Steady"\n',
        encoding="utf-8",
    )
    return file


def own_recipe(folder: Path) -> Path:
    source = next(shipped_folder("pulses").rglob(f"{KNOCK}.toml"))
    text = source.read_text(encoding="utf-8").replace(f'"{KNOCK}"', '"my_knock"', 1)
    assert '"my_knock"' in text
    vehicle = re.search(r'^structure = "(.*)"', text, re.M)
    assert vehicle is not None
    (folder / "vehicles").mkdir()
    name = f"{vehicle[1]}.toml"
    shutil.copy(shipped_folder("pulses") / "vehicles" / name, folder / "vehicles" / "my_body.toml")
    text = text.replace(vehicle[0], 'structure = "my_body"')
    (folder / "my_knock.toml").write_text(text, encoding="utf-8")
    return folder / "my_knock.toml"


def own_sensors(folder: Path) -> Path:
    import crashsense.sensing

    source = Path(crashsense.sensing.__file__).parent / "library" / "sets" / "standard.toml"
    text = source.read_text(encoding="utf-8").replace('"standard"', '"my_sensors"', 1)
    (folder / "my_sensors.toml").write_text(text, encoding="utf-8")
    return folder / "my_sensors.toml"


@pytest.fixture(scope="module")
def own_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with a run, in which the algorithm, its rule, the recipe and the sensors are the
    user's; the user's files (``home``); and both as they were (``kept``)."""
    place = tmp_path_factory.mktemp("own")
    home = place / "home"
    home.mkdir()
    run = evaluate(
        events=[str(own_recipe(home))],
        algorithms=[str(own_algorithm(home))],
        sensor_sets=[str(own_sensors(home))],
        draws=1,
        out=place / "run",
    )
    assert set(run.verdicts["event"]) == {"my_knock"}
    for name in ("home", "run"):
        shutil.copytree(place / name, place / "kept" / name)
    return place


@pytest.fixture
def own_run(own_made: Path) -> Path:
    """The run folder; it and the user's files are as they were, whatever a test did to them."""
    for name in ("home", "run"):
        shutil.rmtree(own_made / name, ignore_errors=True)
        shutil.copytree(own_made / "kept" / name, own_made / name)
    return own_made / "run"


def test_a_vehicle_of_the_plan_is_replayed_from_its_copy(tmp_path):
    shipped = shipped_folder("pulses") / "vehicles" / "small_car.toml"
    text = shipped.read_text(encoding="utf-8").replace("total_kg = 1500.0", "total_kg = 1300.0")
    file = tmp_path / "my_car.toml"
    file.write_text(text, encoding="utf-8")
    plan = f'events = ["{BELTED}"]\nalgorithms = ["plain"]\nvehicle = "my_car.toml"\ndraws = 1\n'
    (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
    out = tmp_path / "run"
    evaluate(tmp_path / "plan.toml", out=out)
    inputs = json.loads((out / "manifest.json").read_text(encoding="utf-8"))["identity"]["inputs"]
    assert f"event {BELTED}: vehicle my_car.toml" in inputs
    assert (out / "inputs" / "vehicle_my_car" / "my_car.toml").read_text(encoding="utf-8") == text
    again = replay(open_run(out), BELTED, draw=1)
    assert (again.differences, again.notes) == ((), ())
    heavier = text.replace("total_kg = 1300.0", "total_kg = 1800.0")
    assert heavier != text
    for change, said in (("edited", "has changed"), ("gone", "is gone")):
        if change == "edited":
            file.write_text(heavier, encoding="utf-8")
        else:
            file.unlink()
        again = replay(open_run(out), BELTED, draw=1)
        assert again.differences == ()
        (note,) = again.notes
        assert note.startswith(f"vehicle my_car: my_car.toml {said} since the run; the copy in")


def test_a_run_of_shipped_inputs_keeps_no_copies(run_folder):
    assert not (run_folder / "inputs").exists()


def test_the_users_own_files_are_kept_as_they_were(own_run):
    index = json.loads((own_run / "inputs" / "index.json").read_text(encoding="utf-8"))
    kept = {}
    for group in index["inputs"]:
        for file in group["files"]:
            copy = own_run / "inputs" / file["copy"]
            assert copy.read_bytes() == Path(file["original"]).read_bytes()
            kept[copy.name] = group["kind"]
    assert kept == {
        "mine.toml": "algorithm",
        "steady.py": "algorithm",
        "my_sensors.toml": "sensor set",
        "my_knock.toml": "recipe",
        "my_body.toml": "recipe",
    }


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    ("name", "note"),
    [
        ("mine.toml", "algorithm mine: mine.toml"),
        ("steady.py", "algorithm mine: steady.py"),
        ("my_sensors.toml", "sensor set my_sensors: my_sensors.toml"),
        ("my_knock.toml", "recipe my_knock: my_knock.toml"),
        ("vehicles/my_body.toml", "recipe my_knock: my_body.toml"),
    ],
)
@pytest.mark.parametrize("change", ["edited", "gone"])
def test_an_input_that_changed_is_taken_from_its_copy(name, note, change, own_run, capsys):
    assert replay(open_run(own_run), "my_knock", draw=1).notes == ()
    file = own_run.parent / "home" / name
    if change == "edited":
        file.write_text("not what it was\n", encoding="utf-8")
        note += " has changed since the run"
    else:
        file.unlink()
        note += " is gone since the run"
    again = replay(open_run(own_run), "my_knock", draw=1)
    assert again.differences == ()
    assert [n.partition(";")[0] for n in again.notes] == [note]
    for command in (
        ["replay", str(own_run), "my_knock", "1"],
        ["explain", str(own_run), "my_knock"],
    ):
        assert cli.run(command) == 0
        said = " ".join(capsys.readouterr().out.split())  # long lines are broken
        assert f"Note: {note}; the copy in" in said


@pytest.mark.slow
def test_a_moved_home_is_replayed_from_the_copies(own_run):
    shutil.rmtree(own_run.parent / "home")
    again = replay(open_run(own_run), "my_knock", draw=1)
    assert again.differences == ()
    assert len(again.notes) == 3


def test_a_run_folder_that_moved_takes_its_copies_with_it(own_run, tmp_path):
    shutil.rmtree(own_run.parent / "home")
    other = tmp_path / "elsewhere"
    shutil.move(own_run, other)
    assert replay(open_run(other), "my_knock", draw=1).differences == ()


def test_a_damaged_copy_is_refused(own_run):
    (own_run.parent / "home" / "steady.py").unlink()
    copy = next((own_run / "inputs").rglob("steady.py"))
    copy.write_text(RULE.replace("LEVEL", "2.0"), encoding="utf-8")
    with pytest.raises(RunFolderError, match=r"steady\.py: the run's copy is damaged"):
        replay(open_run(own_run), "my_knock")


@pytest.mark.slow
def test_a_large_file_is_not_kept_and_missed_by_name(tmp_path, monkeypatch):
    monkeypatch.setattr(copies_module, "LARGEST", 500)
    file = own_algorithm(tmp_path)
    rule = tmp_path / "steady.py"
    rule.write_text(rule.read_text() + "# " + 600 * "x" + "\n")
    evaluate(events=[KNOCK], algorithms=[str(file)], out=tmp_path / "run")
    assert sorted(p.name for p in (tmp_path / "run" / "inputs").rglob("*.*")) == [
        "index.json", "mine.toml"
    ]  # fmt: skip
    assert replay(open_run(tmp_path / "run"), KNOCK).differences == ()
    rule.write_text(RULE)
    with pytest.raises(RunFolderError, match=r"steady\.py: has changed since the run and was too"):
        replay(open_run(tmp_path / "run"), KNOCK)


@pytest.mark.slow
def test_two_rule_files_of_one_name_are_both_kept(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        own_algorithm(tmp_path / name, "0.25" if name == "a" else "0.75")
    (tmp_path / "both.toml").write_text(
        '[rules.front_airbag_stage_1]\nfamily = "python"\nfile = "a/steady.py:Steady"\n'
        f'[rules.belt_pretensioner]\nfamily = "python"\nfile = "{tmp_path}/b/steady.py:Steady"\n'
    )
    evaluate(events=[KNOCK], algorithms=[str(tmp_path / "both.toml")], out=tmp_path / "run")
    for name in ("a", "b"):
        shutil.rmtree(tmp_path / name)
    again = replay(open_run(tmp_path / "run"), KNOCK)
    assert again.differences == ()
    demand = again.rows.set_index("restraint")["max_demand"]
    assert demand["front_airbag_stage_1"] == 0.25
    assert demand["belt_pretensioner"] == 0.75


@pytest.mark.slow
def test_a_run_goes_on_with_its_copies_in_place(tmp_path):
    file = own_algorithm(tmp_path)
    out = tmp_path / "run"
    arguments = {"events": [KNOCK], "algorithms": [str(file)], "draws": 3, "out": out}
    whole = evaluate(**arguments, chunk=1).verdicts
    sorted((out / "verdicts.parquet").glob("*.parquet"))[1].unlink()
    shutil.rmtree(out / "inputs")
    assert evaluate(**arguments).verdicts.equals(whole)
    assert (out / "inputs" / "index.json").is_file()


# -- what made the run -----------------------------------------------------------------------------


def test_provenance_has_engine_and_dates(run_folder, tmp_path):
    found = json.loads((run_folder / "provenance.json").read_text(encoding="utf-8"))
    assert (found["engine"], found["path"]) == ("numpy", "auto")
    assert "numba" not in found["versions"]
    begun, finished = (datetime.fromisoformat(found[key]) for key in ("begun", "finished"))
    assert begun.tzinfo is not None
    assert begun <= finished


def test_provenance_of_the_fast_engine_has_its_version(tmp_path):
    numba = pytest.importorskip("numba")
    evaluate(events=[KNOCK], engine="fast", out=tmp_path / "run")
    found = json.loads((tmp_path / "run" / "provenance.json").read_text(encoding="utf-8"))
    assert (found["engine"], found["versions"]["numba"]) == ("fast", numba.__version__)


def test_opening_a_finished_run_again_does_not_move_its_date(tmp_path):
    arguments = {"events": [KNOCK], "algorithms": ["plain"], "out": tmp_path / "run"}
    evaluate(**arguments)
    file = tmp_path / "run" / "provenance.json"
    then = "2020-01-01T00:00:00+00:00"
    edit_json(tmp_path / "run", "provenance.json", lambda p: p.update(finished=then))
    evaluate(**arguments)
    assert json.loads(file.read_text())["finished"] == then


@pytest.fixture(scope="module")
def pole_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run folder of one event, not to be changed."""
    out = tmp_path_factory.mktemp("pole") / "run"
    evaluate(events=[POLE], engine="numpy", out=out)
    return out


@pytest.fixture
def pole_run(pole_made: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(pole_made, tmp_path / "run"))


@pytest.fixture
def fast_run(pole_run: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A run of engine fast on a machine that has no numba any more."""
    out = pole_run
    edit_json(out, "manifest.json", lambda m: m["identity"].update(engine="fast"))
    monkeypatch.setattr(engine, "installed", lambda: False)
    return out


def nudged(out: Path, by: float) -> None:
    """Change the stored demand a little, as another engine would."""
    for part in (out / "verdicts.parquet").glob("*.parquet"):
        import pyarrow.parquet as pq

        table = pq.read_table(part)
        at = table.column_names.index("max_demand")
        values = np.array(table.column("max_demand").to_pylist(), dtype=float) + by
        table = table.set_column(at, table.schema.field(at), [values])
        pq.write_table(table, part)
    note_parts(out)


def listed(**columns: list[object]) -> list[dict[str, object]]:
    """Rows as plain values, of columns."""
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def changed(rows: list[dict[str, object]], **columns: list[object]) -> list[dict[str, object]]:
    return [row | new for row, new in zip(rows, listed(**columns), strict=True)]


def test_what_another_engine_may_differ_by():
    """Times by 1e-9, absolute and relative, and nulls in the same rows; words and counts not at
    all."""
    stored = listed(time=[1.0, None, 30.0], held_by=["a", None, "b"], n=[1, 2, 3])
    near = changed(stored, time=[1.0 + 1e-11, None, 30.0 - 2e-8])
    assert _differences(near, stored, exact=False) == ()
    assert _differences(near, stored, exact=True) == ("time",)
    assert _differences([dict(row) for row in stored], stored, exact=True) == ()
    for other, names in (
        (changed(stored, time=[1.0 + 1e-6, None, 30.0]), ("time",)),
        (changed(stored, time=[1.0 + 2.5e-9, None, 30.0]), ("time",)),
        (changed(stored, time=[1.0, 2.0, 30.0]), ("time",)),
        (changed(stored, held_by=["a", None, "c"], n=[1, 2, 4]), ("held_by", "n")),
        (changed(stored, n=[1.0, 2.0, 3.0 + 1e-12]), ("n",)),
        (stored[:2], ("3 rows stored, 2 now",)),
    ):
        assert _differences(other, stored, exact=False) == names


@pytest.mark.slow
def test_another_engine_is_named_and_compared_to_its_tolerance(fast_run, capsys):
    nudged(fast_run, 1e-12)
    assert cli.run(["replay", str(fast_run), POLE, "0"]) == 0
    out = capsys.readouterr().out
    assert "Note: the run was made by engine fast, this is engine numpy (numba is not" in out
    assert out.endswith("The same as in the run, to 1e-9.\n")
    nudged(fast_run, 1e-6)
    assert cli.run(["replay", str(fast_run), POLE, "0"]) == 1
    out = capsys.readouterr().out
    assert "engine fast, this is engine numpy" in out
    assert out.endswith("DIFFERS from the run (compared to 1e-9) in: max_demand\n")


def test_the_same_engine_is_compared_bit_for_bit(pole_run, capsys):
    nudged(pole_run, 1e-12)
    assert cli.run(["replay", str(pole_run), POLE, "0"]) == 1
    printed = capsys.readouterr().out
    assert printed.endswith("DIFFERS from the run (compared bit for bit) in: max_demand\n")


@pytest.mark.slow
def test_a_difference_names_what_has_changed_since(pole_run, capsys):
    out = pole_run
    edit_json(out, "manifest.json", lambda m: m["identity"]["versions"].update(numpy="1.0.0"))
    edit_json(out, "manifest.json", lambda m: m["identity"].update(code="other"))
    assert replay(open_run(out), POLE).notes == ()
    nudged(out, 1e-6)
    assert replay(open_run(out), POLE).notes == (
        f"numpy was 1.0.0, now {np.__version__}",
        "the program has changed since the run",
    )


# -- traces ----------------------------------------------------------------------------------------


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["traces.csv", "traces.parquet", "TRACES.CSV"])
def test_traces_are_written_as_their_name_says(name, run_folder, tmp_path, capsys):
    target = tmp_path / name
    assert cli.run(["replay", str(run_folder), POLE, "2", "--out", str(target)]) == 0
    assert f"Traces: {target}" in capsys.readouterr().out
    found = pd.read_parquet(target) if name.endswith("parquet") else pd.read_csv(target)
    again = replay(open_run(run_folder), POLE, draw=2)
    assert {"time_ms", "central_x_g", "door_left_pressure_kpa", "central_roll_rate_deg_s"} <= set(
        found.columns
    )
    assert not [column for column in found if column.endswith("_si")]
    g = again.trial.samples.channels["central_x"][0] / 9.80665
    np.testing.assert_allclose(found["central_x_g"], g, rtol=1e-12)
    kpa = again.trial.samples.channels["door_left_pressure"][0] / 1000.0
    np.testing.assert_allclose(found["door_left_pressure_kpa"], kpa, rtol=1e-12)
    assert found["time_ms"].tolist() == [round(1e3 * t, 3) for t in again.trial.times_s[0]]
    total = again.trial.demands["side_airbag_left"]["total"][0]
    np.testing.assert_allclose(found["side_airbag_left_total"], total, rtol=1e-12)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("file/t.csv", "expected a file in a folder"),  # a folder that is not there is made
        ("t.xlsx", "expected a name that ends in .csv or .parquet"),
        ("t", "expected a name that ends in .csv or .parquet"),
        ("folder.csv", "expected a file; this is a folder"),
    ],
)
def test_a_target_that_cannot_be_written_is_refused_first(
    name, message, run_folder, tmp_path, synthesised, capsys
):
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "file").touch()
    assert cli.run(["replay", str(run_folder), POLE, "0", "--out", str(tmp_path / name)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"command line: --out: got '{tmp_path / name}'; ")
    assert message in captured.err
    assert synthesised == []


# -- rows as plain values --------------------------------------------------------------------------


def test_plain_rows_are_the_rows_of_the_table(run_folder: Path) -> None:
    opened = open_run(run_folder)
    for event, draw in ((KNOCK, 0), (UNBELTED, 2)):
        table = opened.rows(event, draw=draw).astype(object)
        wanted = table.where(table.notna(), None).to_dict("records")
        assert wanted
        assert opened.plain_rows(event, draw=draw) == wanted
        trial = replay(opened, event, draw=draw).trial
        mine = [r for r in wanted if r["algorithm"] == trial.algorithm.name]
        assert plain_rows(trial) == mine


def test_parts_of_other_events_are_left_unread(run_folder: Path, monkeypatch) -> None:
    read: list[str] = []
    plain = RunFolder.read_part

    def noted(self, path, **how):
        read.append(path.name)
        return plain(self, path, **how)

    monkeypatch.setattr(RunFolder, "read_part", noted)
    assert open_run(run_folder).plain_rows(KNOCK, draw=0)
    assert len(set(read)) == 1
    assert open_run(run_folder).plain_rows("no such event", draw=0) == []


@pytest.mark.parametrize("models", ["numpy", "fast"])
def test_small_work_gives_the_rows_of_the_run(models: str, run_folder: Path) -> None:
    if models == "fast":
        pytest.importorskip("numba")
    with engine.for_small_work(models):
        again = replay(open_run(run_folder), POLE)
    assert (again.differences, again.notes, again.engine) == ((), (), "numpy")


@pytest.mark.slow
def test_the_nominal_draw_is_replayed_bit_for_bit_without_kernels(
    tmp_path: Path, monkeypatch, capsys
) -> None:
    pytest.importorskip("numba")
    out = tmp_path / "run"
    evaluate(events=[KNOCK, BELTED], draws=1, out=out, engine="fast")
    asked: list[str] = []
    plain = engine.choose

    def noted(name, **how):
        asked.append(name)
        return plain(name, **how)

    monkeypatch.setattr(engine, "choose", noted)
    for event in (KNOCK, BELTED):
        assert cli.run(["replay", str(out), event]) == 0
        assert capsys.readouterr().out.endswith("The same as in the run, bit for bit.\n")
    assert asked == []
    nudged(out, 1e-12)  # where the last bits differ the engine of the run decides
    assert cli.run(["replay", str(out), BELTED]) == 1
    assert capsys.readouterr().out.endswith("(compared bit for bit) in: max_demand\n")
    assert asked == ["fast"]


def test_what_has_changed_since_a_run_is_told_and_nothing_else(tmp_path: Path) -> None:
    now = versions("numpy")
    identity = {"versions": dict(now), "code": code_digest()}
    folder = RunFolder(tmp_path)
    folder.write_manifest({"schema_version": SCHEMA_VERSION, "identity": identity})
    assert _changes_since(tmp_path, "numpy") == []
    name = "numpy"
    identity["versions"] |= {name: "0.1", "gone": "1.0"}
    folder.write_manifest({"schema_version": SCHEMA_VERSION, "identity": identity})
    assert _changes_since(tmp_path, "numpy") == [f"{name} was 0.1, now {now[name]}"]
    identity |= {"versions": {}, "code": "another"}
    folder.write_manifest({"schema_version": SCHEMA_VERSION, "identity": identity})
    assert _changes_since(tmp_path, "numpy") == ["the program has changed since the run"]
