"""Files that ship with the package: recipes and safety notes."""

from __future__ import annotations

from pathlib import Path

from crashsense.errors import CrashsenseError

#: The short caution. Every summary, report and page shows this one.
CAUTION = (
    "Not qualified for any decision about a real vehicle. A wrong airbag decision can injure or "
    "kill; local law and certified practice decide. Read: crashsense safety"
)

#: Environment variable that names the folder of nominal signals kept between runs; empty: none.
CACHE_VARIABLE = "CRASHSENSE_CACHE"

#: Environment variable that names the folder where is kept which code was evaluated; empty: none.
STATE_VARIABLE = "CRASHSENSE_STATE"


def folder(name: str) -> Path:
    """Return the shipped folder *name* (``"pulses"``, ``"safety_notes"``).

    An installed wheel carries the folder inside the package; a checkout (plain or editable) has it
    beside the package. The packaged one is taken if present.
    """
    package = Path(__file__).resolve().parent
    for candidate in (package / name, package.parent / name):
        if candidate.is_dir():
            return candidate
    raise CrashsenseError(f"shipped folder {name!r} is missing from the installation at {package}")
