"""Temporary folders are removed by the process that made them, or by the next one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from crashsense import temporary
from crashsense.temporary import folder_until_exit, temporary_folder

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="locks of files are POSIX here")

#: Makes a folder, tells where it is, and waits for a line.
MAKER = """
import sys
from crashsense.temporary import temporary_folder
with temporary_folder() as made:
    (made / "content").mkdir()
    print(made, flush=True)
    sys.stdin.readline()
"""


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for temporary ones, for this process and those that it starts."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    return tmp_path


def maker() -> tuple[subprocess.Popen[str], Path]:
    pipe = subprocess.PIPE
    process = subprocess.Popen([sys.executable, "-c", MAKER], stdin=pipe, stdout=pipe, text=True)
    assert process.stdout is not None
    return process, Path(process.stdout.readline().strip())


def test_a_folder_ends_with_its_block(place: Path) -> None:
    with temporary_folder() as made:
        assert made.parent == place
        assert made.is_dir()
    assert not list(place.iterdir())


def test_the_folder_of_a_killed_process_is_removed_by_the_next_one(place: Path) -> None:
    process, left = maker()
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert (left / "content").is_dir()
    with temporary_folder():
        assert not left.exists()


class Killed(BaseException):
    """Ends a removal where it is, as a signal would."""


@pytest.mark.parametrize("after", range(6))
def test_a_folder_whose_removal_was_cut_short_is_removed_by_the_next_one(
    place: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """Wherever the removal ended: it is kept whole as long as it has content."""
    folder, file = temporary._made()
    (folder / "a").mkdir()
    for name in ("a/b", ".a", "z"):
        (folder / name).touch()
    done: list[str] = []

    def counted(remove: Callable[..., None]) -> Callable[..., None]:
        def removing(path: str, **more: object) -> None:
            if len(done) == after:
                raise Killed
            done.append(path)
            remove(path, **more)

        return removing

    with monkeypatch.context() as patch:
        for name in ("unlink", "rmdir"):
            patch.setattr(os, name, counted(getattr(os, name)))
        with suppress(Killed):
            temporary._remove(folder, file)
    assert len(done) == after
    # The lock ends with its process.
    with suppress(OSError):
        os.close(file)
    temporary._remove_abandoned.cache_clear()
    with temporary_folder():
        # The last step but one leaves an empty folder, which could be anyone's.
        assert folder.exists() == (after == 5)
        assert after < 5 or not list(folder.iterdir())


def test_the_folder_of_a_living_process_is_kept(place: Path) -> None:
    process, held = maker()
    with temporary_folder():
        assert (held / "content").is_dir()
    process.communicate("\n")
    assert not held.exists()


def test_what_is_not_ours_is_kept(place: Path) -> None:
    (place / f"{temporary.PREFIX}notes").mkdir()
    (place / "linked").mkdir()
    (place / "linked" / temporary.HELD).touch()
    (place / f"{temporary.PREFIX}link").symlink_to(place / "linked")
    before = sorted(place.rglob("*"))
    with temporary_folder():
        pass
    assert sorted(place.rglob("*")) == before


def test_a_folder_that_was_taken_for_abandoned_is_made_again(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked, taken = temporary.locked, []

    def late(path: Path, flags: int = 0) -> int | None:
        if not taken:  # another process is quicker
            taken.append(path.parent)
            path.parent.rmdir()
        return locked(path, flags)

    monkeypatch.setattr(temporary, "locked", late)
    with temporary_folder() as made:
        assert made.is_dir()
        assert made not in taken


AT_EXIT = """
import sys
from multiprocessing import get_context
from crashsense.temporary import folder_until_exit

def work():
    (folder_until_exit() / "content").mkdir()

if __name__ == "__main__":
    work()
    process = get_context(sys.argv[1]).Process(target=work)
    process.start()
    process.join()
    sys.exit(process.exitcode)
"""


@pytest.mark.parametrize("start", ["fork", "spawn"])
def test_a_folder_ends_with_its_process(place: Path, tmp_path: Path, start: str) -> None:
    script = tmp_path / "script.py"
    script.write_text(AT_EXIT, encoding="utf-8")
    found = subprocess.run([sys.executable, script, start], capture_output=True, text=True)
    assert found.returncode == 0, found.stderr
    assert list(place.iterdir()) == [script]


def test_no_room_is_told_and_leaves_nothing(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(temporary, "locked", full)
    with pytest.raises(OSError, match=os.strerror(28)):
        folder_until_exit()
    assert not list(place.iterdir())
