"""Files that ship with the package, and folders in which the program keeps files for a user."""

from __future__ import annotations

import os
import sys
from functools import cache
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


@cache
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


#: Folders of this user by what they are for: the environment variable that names the parent on
#: most systems (XDG Base Directory Specification), the parent in the home folder, the parent on
#: macOS, and the folder in it.
_USER_FOLDERS = {
    CACHE_VARIABLE: ("XDG_CACHE_HOME", ".cache", "Library/Caches", "crashsense/nominal"),
    STATE_VARIABLE: (
        "XDG_STATE_HOME",
        ".local/state",
        "Library/Application Support",
        "crashsense",
    ),
}


def user_folder(variable: str) -> Path | None:
    """Return the folder for nominal signals (:data:`CACHE_VARIABLE`) or :data:`STATE_VARIABLE`.

    The folder that this environment variable names, else the system's for this user. None if the
    variable is empty, or if the user has no home folder.
    """
    named = os.environ.get(variable)
    if named is not None:
        return Path(named).absolute() if named else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    elsewhere, in_home, on_macos, folder = _USER_FOLDERS[variable]
    if sys.platform == "win32":
        parent = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        parent = home / on_macos
    else:
        parent = Path(os.environ.get(elsewhere) or home / in_home)
    return parent / folder
