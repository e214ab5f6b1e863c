"""Parts and copies in a run folder, one by one: what is not as it was written is never taken."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from crashsense.errors import RunFolderError
from crashsense.results import input_copies
from crashsense.results.folder import CHECKSUMS, RunFolder
from crashsense.results.input_copies import INPUTS, keep_inputs, kept_inputs
from crashsense.results.tables import CURVE_SCHEMA, DRAWN_SCHEMA, SCHEMA_VERSION, Task

ONE, OTHER = Task(0, 0, 1), Task(1, 0, 1)


def drawn(value: float) -> pa.Table:
    row = {"occurrence": "wall", "sensor_set": "s", "draw": 1, "quantity": "q", "value": value}
    return pa.Table.from_pylist([row], schema=DRAWN_SCHEMA)


@pytest.fixture
def folder(tmp_path: Path) -> RunFolder:
    found = RunFolder(tmp_path)
    found.write_manifest({"schema_version": SCHEMA_VERSION, "identity": {}})
    found.write_parts(ONE, {"drawn": drawn(1.0)})
    found.write_parts(OTHER, {"drawn": drawn(2.0)})
    return found


def test_a_sound_part_is_not_taken_for_another(folder: RunFolder) -> None:
    """Each is a whole file of the right layout: only its checksum tells that it was exchanged."""
    part = folder.part("drawn", ONE)
    assert folder.read_part(part).column("value").to_pylist() == [1.0]
    shutil.copy(folder.part("drawn", OTHER), part)
    with pytest.raises(RunFolderError, match=r"this part is damaged \(its checksum differs\)"):
        folder.read_part(part)


def test_a_part_without_a_noted_checksum_is_not_read(folder: RunFolder) -> None:
    (folder.path / CHECKSUMS).unlink()
    with pytest.raises(RunFolderError, match=r"this part is damaged \(its checksum is not noted\)"):
        folder.read_part(folder.part("drawn", ONE))


@pytest.mark.parametrize("noted", [True, False])
def test_only_whole_parts_of_the_right_layout_are_done(folder: RunFolder, noted: bool) -> None:
    """Where no checksum is noted a part is read through: its layout and every page count."""
    part, tables = folder.part("drawn", ONE), ("drawn",)
    content = part.read_bytes()
    others = pa.Table.from_pylist([], schema=CURVE_SCHEMA)
    wrong_layout = part.with_name("other")
    pq.write_table(others, wrong_layout)
    damaged = [content[:-20], wrong_layout.read_bytes(), b""]
    middle = content.find(b"wall")
    damaged.append(content[:middle] + b"wail" + content[middle + 4 :] if middle > 0 else b"PAR1")

    def forget() -> None:
        if not noted:
            (folder.path / CHECKSUMS).unlink(missing_ok=True)

    forget()
    assert folder.is_done(ONE, tables=tables)
    assert folder.checksums()[ONE.name] == {"drawn": hashlib.sha256(content).hexdigest()}
    for bad in damaged:
        part.write_bytes(bad)
        forget()
        assert not folder.is_done(ONE, tables=tables)
        assert not part.exists()  # a damaged one is removed
        part.write_bytes(content)
    part.unlink()
    assert not folder.is_done(ONE, tables=tables)


def test_copies_of_inputs_are_left_alone_while_whole_and_made_again_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [tmp_path / name for name in ("mine.toml", "rule.py", "large.toml")]
    for file in files:
        file.write_text(f"{file.name} as it was" * (100 if file.stem == "large" else 1))
    monkeypatch.setattr(input_copies, "LARGEST", 100)
    monkeypatch.setattr(
        input_copies, "_own_inputs",
        lambda _: [("algorithm", "mine", [(file, file.name) for file in files], ("wall",))],
    )  # fmt: skip
    run = tmp_path / "run"
    run.mkdir()

    def kept() -> dict[str, Path | None]:
        (found,) = kept_inputs(run)
        assert (found.kind, found.name, found.events) == ("algorithm", "mine", ("wall",))
        return {file.original.name: file.copy for file in found.files}

    keep_inputs(None, run)
    copies = kept()
    assert copies["large.toml"] is None
    whole = [copy for copy in copies.values() if copy is not None]
    assert [copy.read_text() for copy in whole] == ["mine.toml as it was", "rule.py as it was"]
    before = {copy: copy.stat().st_ino for copy in [*whole, run / INPUTS / "index.json"]}
    keep_inputs(None, run)
    assert {copy: copy.stat().st_ino for copy in before} == before
    index = run / INPUTS / "index.json"
    for damage in ("", "{}", index.read_text().replace("rule.py", "ruler.py")):
        index.write_text(damage)  # an index that says nothing, or no longer what was written
        keep_inputs(None, run)
        assert kept() == copies
    for copy in whole:
        copy.write_text("damaged")
        keep_inputs(None, run)
        assert [one.read_text() for one in whole] == ["mine.toml as it was", "rule.py as it was"]
        copy.unlink()
        keep_inputs(None, run)
        assert kept() == copies
        assert all(one.exists() for one in whole)
