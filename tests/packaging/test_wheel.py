"""The wheel carries recipes and notes, and runs from another folder in a fresh environment."""

from __future__ import annotations

import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]


def pip(*arguments: str, python: Path | str = sys.executable) -> subprocess.CompletedProcess[str]:
    command = [str(python), "-m", "pip", "--disable-pip-version-check", *arguments]
    return subprocess.run(command, capture_output=True, text=True)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel with pip; the build back end comes from the package index."""
    folder = tmp_path_factory.mktemp("wheel")
    done = pip("wheel", "--no-deps", "--quiet", "--wheel-dir", str(folder), str(CHECKOUT))
    if done.returncode and "hatchling" in done.stderr and "No matching distribution" in done.stderr:
        pytest.skip("the package index with the build back end cannot be reached")
    assert done.returncode == 0, done.stderr
    return next(folder.glob("*.whl"))


@pytest.mark.slow
def test_recipes_notes_and_templates_are_in_the_wheel(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    shipped = [
        *(p for p in (CHECKOUT / "pulses").rglob("*.toml")),
        *(p for p in (CHECKOUT / "safety_notes").glob("*.md")),
    ]
    assert len(shipped) > 10
    missing = [p for p in shipped if f"crashsense/{p.relative_to(CHECKOUT)}" not in names]
    assert missing == []
    data = [p for p in (CHECKOUT / "crashsense").rglob("*") if p.suffix not in (".py", ".pyc")]
    files = [p for p in data if p.is_file() and "__pycache__" not in p.parts]
    assert [p for p in files if str(p.relative_to(CHECKOUT)) not in names] == []


@pytest.mark.slow
def test_no_stray_top_level(wheel):
    tops = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {t for t in tops if not t.endswith(".dist-info")} == {"crashsense"}


@pytest.mark.slow
def test_the_wheel_runs_from_another_folder(wheel, tmp_path):
    """Installed without its dependencies (they come from the environment of the tests)."""
    home = tmp_path / "environment"
    venv.create(home, with_pip=False, symlinks=os.name != "nt")
    python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    site = next(home.rglob("site-packages"))
    done = pip("install", "--no-deps", "--quiet", "--target", str(site), str(wheel))
    assert done.returncode == 0, done.stderr
    # Everything but the package itself is taken from here, ahead of which the fresh one stands.
    others = [p for p in sys.path if p and Path(p).name in ("site-packages", "dist-packages")]
    (site / "others.pth").write_text("\n".join(others) + "\n", encoding="utf-8")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}

    def start(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(python), *arguments],
            cwd=elsewhere,
            env=environment,
            capture_output=True,
            text=True,
        )

    where = start("-c", "import crashsense; print(crashsense.__file__)")
    assert Path(where.stdout.strip()).is_relative_to(site), where.stderr
    notes = start("-m", "crashsense", "safety")
    assert "# Hazards" in notes.stdout, notes.stderr
    listed = start("-m", "crashsense", "events", "list")
    assert listed.returncode == 0, listed.stderr
    # One of each family of models, with their vehicle files.
    names = ["wall_full_56", "side_pole_75_32", "rollover_kerb_25", "hump_900_50", "hammer_tunnel"]
    chosen = [word for name in names for word in ("--events", name)]
    done = start("-m", "crashsense", "evaluate", *chosen, "--engine", "numpy", "--out", "run")
    assert done.returncode in (0, 1), done.stderr
    assert all(name in listed.stdout for name in names)
    assert "CAUTION" in done.stdout
    assert (elsewhere / "run" / "report.html").stat().st_size > 50_000
    assert {p.name for p in elsewhere.iterdir()} == {"run"}
