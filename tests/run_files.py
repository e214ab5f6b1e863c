"""Run folders changed in tests as if they had been written so: checksums go with what they say."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from crashsense.results.folder import CHECKSUMS, RunFolder


def edit_json(folder: Path, name: str, change: Callable[[dict[str, Any]], object]) -> None:
    """Change the content of a JSON file of a run, and its checksum with it."""
    content = json.loads((folder / name).read_text(encoding="utf-8"))
    content.pop("sha256")
    change(content)
    RunFolder(folder).write_json(name, content)


def note_parts(folder: Path, table: str = "verdicts") -> None:
    """Note the checksums of a table's parts as they are now, as their writer would have."""
    lines = []
    for task, sums in RunFolder(folder).checksums().items():
        part = folder / f"{table}.parquet" / f"{task}.parquet"
        now = {table: hashlib.sha256(part.read_bytes()).hexdigest()} if part.is_file() else {}
        lines.append(json.dumps({"task": task, "sha256": {**sums, **now}}))
    (folder / CHECKSUMS).write_text("\n".join(lines) + "\n", encoding="utf-8")
