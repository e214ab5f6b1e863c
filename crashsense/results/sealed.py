"""JSON files of a run folder that carry a checksum of their content.

A flipped bit in a number reads as another number; the checksum reveals it. It covers the content,
not the bytes: blanks and the order of keys may change. It guards against damage, not intent.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from crashsense.errors import RunFolderError

#: Key of the checksum, the last of the file.
SEAL = "sha256"


def sealed_text(content: Mapping[str, Any]) -> str:
    """Return content as JSON text with its checksum; NaN is refused.

    >>> sealed_text({"draws": 3}).splitlines()[1]
    ' "draws": 3,'
    """
    whole = {**content, SEAL: _digest(content)}
    return json.dumps(whole, indent=1, allow_nan=False) + "\n"


def parsed(path: Path) -> dict[str, Any]:
    """Return the object that a JSON file holds, its checksum not looked at."""
    try:
        content = json.loads(path.read_bytes().decode("utf-8"))
    except OSError as error:
        raise RunFolderError(f"{path}: cannot be read ({error.strerror or error})") from None
    except (ValueError, RecursionError) as error:
        reason = " ".join(str(error).split())[:80]
        raise RunFolderError(f"{path}: is damaged; it cannot be read as JSON ({reason})") from None
    if not isinstance(content, dict):
        raise RunFolderError(f"{path}: is damaged; expected a JSON object")
    return content


def unsealed(content: Mapping[str, Any], *, path: Path) -> dict[str, Any]:
    """Return content without its checksum, which is compared."""
    said = {key: value for key, value in content.items() if key != SEAL}
    if SEAL not in content:
        raise RunFolderError(f"{path}: is damaged or edited; its checksum ({SEAL!r}) is missing")
    if content[SEAL] != _digest(said):
        raise RunFolderError(f"{path}: is damaged or edited; its content has another checksum")
    return said


def read_sealed(path: Path) -> dict[str, Any]:
    """Return the content of a sealed file.

    Raises
    ------
    RunFolderError : the file cannot be read, or its content is not what was written
    """
    return unsealed(parsed(path), path=path)


def _digest(content: Mapping[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()
