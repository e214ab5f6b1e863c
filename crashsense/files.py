"""The one place that opens a user's files and turns their text into numbers.

A file from outside may be a device, endless, in another encoding, nested a thousand levels deep,
or hold numbers that no quantity can have. Every reader of the package opens files here, so that
each of these is refused in one line (:class:`~crashsense.errors.InputError` naming file, field,
value and what was expected) before memory or time is spent.

What is limited, and why:

- *regular files only*: a pipe or a device may never end;
- *size* (:data:`MOST_BYTES`, smaller for text that is parsed): memory is bounded by it;
- *numbers* between :data:`SMALLEST` and :data:`LARGEST` in size, or zero: anything outside is a
  mistake, and its square would overflow or vanish;
- *nesting* (:data:`DEEPEST`) and *texts* without control characters, which a terminal would act on.
"""

from __future__ import annotations

import json
import math
import os
import stat
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crashsense.errors import Fault, InputError, printable

if TYPE_CHECKING:
    import pandas as pd

#: Largest file that is read at all [bytes].
MOST_BYTES = 512 * 1024 * 1024
#: Largest file of settings (plan, recipe, sensor, algorithm, manifest) [bytes]. Shipped ones have
#: less than 20 000.
MOST_SETTINGS = 4 * 1024 * 1024
#: Deepest nesting of tables and lists in a file of settings. Shipped ones nest to 9.
DEEPEST = 64
#: Size of a number other than zero, in any unit of a file: no physical quantity is smaller or
#: larger, and squares and products of two stay within the range of a double.
SMALLEST, LARGEST = 1e-100, 1e100
#: Largest whole number of a file of settings (what 64 bits hold), and the largest that a float
#: counts to by ones.
LARGEST_WHOLE, LARGEST_COUNT = 2**63 - 1, 2**53

_NUMBER = f"a finite number (0, or {SMALLEST:g} to {LARGEST:g} in size)"
_ENCODINGS = {
    b"\xff\xfe": "UTF-16",
    b"\xfe\xff": "UTF-16",
}
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISSOCK, "a socket"),
)


# --- opening ------------------------------------------------------------------------------------


@contextmanager
def opened(
    path: str | Path, *, most_bytes: int = MOST_BYTES, shown: str = "", expected: str = "a file"
) -> Iterator[BufferedReader]:
    """Open a regular file for reading bytes; the only call of ``open`` on a user's path.

    Parameters
    ----------
    path : the file; a link is followed
    most_bytes : a larger file is refused before it is read
    shown : how messages name the file; default: *path*
    expected : what messages say was expected ("a plan file")

    >>> with opened("/dev/null") as stream:
    ...     pass
    Traceback (most recent call last):
    crashsense.errors.InputError: /dev/null: got 'a device'; expected a file
    """
    name = shown or str(path)
    try:
        # Looked at before opening: to open a pipe or a device may already wait or act.
        mode = os.stat(path).st_mode
        if not stat.S_ISREG(mode):
            raise InputError([_irregular(mode, name, expected)])
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        handle = os.open(path, flags)
    except FileNotFoundError:
        raise InputError([Fault(name, "", None, f"{expected} that exists")]) from None
    except InputError:
        raise
    except OSError as error:
        reason = (error.strerror or "unreadable").lower()
        raise InputError(
            [Fault(name, "", None, f"{expected} that can be read ({reason})")]
        ) from None
    except ValueError:
        # A NUL in the name, or a name that this system cannot encode.
        raise InputError([Fault(name, "", None, f"{expected}: no file has such a name")]) from None
    with os.fdopen(handle, "rb") as stream:
        seen = os.fstat(stream.fileno())
        if not stat.S_ISREG(seen.st_mode):  # exchanged meanwhile
            raise InputError([_irregular(seen.st_mode, name, expected)])
        if seen.st_size > most_bytes:
            wanted = f"{expected} of at most {_size(most_bytes)}"
            raise InputError([Fault(name, "size", _size(seen.st_size), wanted)])
        yield stream


def _irregular(mode: int, name: str, expected: str) -> Fault:
    kind = next((word for test, word in _KINDS if test(mode)), "no regular file")
    return Fault(name, "", kind, expected)


def _size(count: int) -> str:
    """Return a size as text.

    >>> _size(4194304), _size(20)
    ('4.0 MiB', '20 bytes')
    """
    return f"{count / 2**20:.1f} MiB" if count >= 2**17 else f"{count} bytes"


def read_bytes(
    path: str | Path, *, most_bytes: int = MOST_BYTES, shown: str = "", expected: str = "a file"
) -> bytes:
    """Return the content of a regular file (arguments as for :func:`opened`)."""
    with opened(path, most_bytes=most_bytes, shown=shown, expected=expected) as stream:
        # One byte more than allowed tells a file that grew, or that lies about its size.
        content = stream.read(most_bytes + 1)
    if content is None:  # no regular file after all: one of the system that has nothing to say now
        raise InputError([Fault(shown or str(path), "", None, f"{expected} with content")])
    if len(content) > most_bytes:
        wanted = f"{expected} of at most {_size(most_bytes)}"
        raise InputError([Fault(shown or str(path), "size", "a larger file", wanted)])
    return content


def read_text(
    path: str | Path,
    *,
    most_bytes: int = MOST_SETTINGS,
    shown: str = "",
    expected: str = "a text file",
) -> str:
    """Return a file as text: UTF-8, byte-order mark removed, no NUL."""
    content = read_bytes(path, most_bytes=most_bytes, shown=shown, expected=expected)
    return decoded(content, file=shown or str(path), expected=expected)


def decoded(content: bytes, *, file: str, expected: str = "a text file") -> str:
    r"""Return bytes as text: UTF-8, byte-order mark removed, no NUL.

    >>> decoded(b"\xef\xbb\xbfbits = 12", file="a.toml")
    'bits = 12'
    """
    for mark, name in _ENCODINGS.items():
        if content.startswith(mark):
            raise InputError(
                [Fault(file, "content", name, f"{expected} in UTF-8; save it as UTF-8")]
            )
    if b"\x00" in content:
        raise InputError([Fault(file, "content", "binary data", f"{expected} in UTF-8")])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        seen = repr(content[error.start : error.start + 1])[2:-1]
        raise InputError(
            [Fault(file, f"line {line}", f"the byte {seen}", f"{expected} in UTF-8")]
        ) from None


def is_file(path: str | Path) -> bool:
    """True if a regular file of this name exists; False also for a name that no file can have.

    >>> is_file("x" * 5000), is_file("nul\\0")
    (False, False)
    """
    return os.path.isfile(path)


def exists(path: str | Path) -> bool:
    """True if a file or folder of this name exists; False also for a name that none can have.

    >>> exists("."), exists("x" * 5000)
    (True, False)
    """
    return os.path.exists(path)


def is_folder(path: str | Path) -> bool:
    """True if a folder of this name exists, as :func:`exists`."""
    try:
        return Path(path).is_dir()
    except (OSError, ValueError):
        return False


# --- structured text ----------------------------------------------------------------------------


def read_toml(
    path: str | Path, *, shown: str = "", expected: str = "a TOML file"
) -> dict[str, Any]:
    """Return the content of a TOML file, its numbers, nesting and texts checked."""
    text = read_text(path, shown=shown, expected=expected)
    return toml_content(text, file=shown or str(path))


def toml_content(text: str, *, file: str) -> dict[str, Any]:
    """Return TOML text as a dict; numbers, nesting and control characters checked.

    >>> toml_content("bits = 1" + 30 * "0", file="a.toml")
    Traceback (most recent call last):
    crashsense.errors.InputError: a.toml: bits: got 1000000000000000000000000000000; expected a
    whole number of at most 9223372036854775807 in size
    """
    try:
        content = tomllib.loads(text)
    except RecursionError:
        raise InputError([Fault(file, "", None, f"nesting of at most {DEEPEST}")]) from None
    except ValueError as error:  # TOMLDecodeError is one; so are 5000 digits
        reason = printable(str(error).split(";")[0])[:120]
        raise InputError([Fault(file, "", None, f"valid TOML ({reason})")]) from None
    check_content(content, file=file)
    return content


def json_content(text: str, *, file: str, field: str = "") -> Any:
    """Return JSON text as objects; numbers, nesting and control characters checked."""
    try:
        content = json.loads(text)
    except RecursionError:
        raise InputError([Fault(file, field, None, f"nesting of at most {DEEPEST}")]) from None
    except ValueError as error:
        reason = printable(str(error).split(";")[0])[:120]
        raise InputError([Fault(file, field, text[:40], f"valid JSON ({reason})")]) from None
    check_content(content, file=file, field=field)
    return content


def check_content(content: Any, *, file: str, field: str = "") -> None:
    """Check the content of any TOML or JSON file; report every fault at once.

    Raises :class:`InputError` for nesting deeper than :data:`DEEPEST`, numbers outside the range of
    :func:`number`, and control characters in keys and texts (tab and line end are allowed).
    """
    faults: list[Fault] = []
    waiting: list[tuple[str, Any, int]] = [(field, content, 0)]
    while waiting and len(faults) < 20:
        where, value, depth = waiting.pop()
        if depth > DEEPEST:
            faults.append(Fault(file, where[:60], None, f"nesting of at most {DEEPEST}"))
        elif isinstance(value, dict):
            for key, inner in value.items():
                if printable(key) != key:
                    faults.append(Fault(file, where, key, "a key without control characters"))
                waiting.append((f"{where}.{key}" if where else str(key), inner, depth + 1))
        elif isinstance(value, list):
            for count, inner in enumerate(value):
                waiting.append((f"{where}[{count}]", inner, depth + 1))
        elif isinstance(value, bool):
            continue
        elif isinstance(value, int | float):
            wrong = _wrong(value)
            if wrong:
                faults.append(Fault(file, where, value, wrong))
        elif isinstance(value, str):
            kept = value.replace("\n", "").replace("\t", "").replace("\r", "")
            if printable(kept) != kept:
                faults.append(Fault(file, where, value[:40], "a text without control characters"))
    if faults:
        raise InputError(faults[::-1])


# --- numbers ------------------------------------------------------------------------------------


def _wrong(value: int | float) -> str:
    """What was expected in place of an implausible number; empty if it is plausible."""
    if isinstance(value, int):
        if abs(value) <= LARGEST_WHOLE:
            return ""
        return f"a whole number of at most {LARGEST_WHOLE} in size"
    if not math.isfinite(value):
        return "a finite number"
    if value != 0.0 and not SMALLEST <= abs(value) <= LARGEST:
        return _NUMBER
    return ""


def number(
    value: object,
    *,
    file: str,
    field: str,
    above: float | None = None,
    least: float | None = None,
    most: float | None = None,
    expected: str = "",
) -> float:
    """Return a user's value as a finite float; accepts text and numbers.

    Parameters
    ----------
    value : a number or its text; ``True``, ``nan``, ``inf``, 400 digits, 5e-324 are refused
    above, least, most : limits; *above* is exclusive
    expected : what messages say was expected; default: the limits

    >>> number(" 56.5 ", file="a.toml", field="speed_kmh", above=0.0)
    56.5
    >>> number(5e-324, file="a.toml", field="speed_kmh", above=0.0)
    Traceback (most recent call last):
    crashsense.errors.InputError: a.toml: speed_kmh: got 5e-324; expected a finite number (0, or
    1e-100 to 1e+100 in size)
    """
    wrong = ""
    found = math.nan
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        wrong = expected or "a number"
    else:
        try:
            found = _parsed(value)
        except (ValueError, OverflowError):
            wrong = expected or "a number"
        else:
            wrong = _wrong(found)
    if not wrong:
        limits = []
        limits += [f"above {above:g}"] if above is not None and not found > above else []
        limits += [f"{least:g} or more"] if least is not None and not found >= least else []
        limits += [f"{most:g} or less"] if most is not None and not found <= most else []
        if limits:
            wrong = expected or f"a number, {' and '.join(limits)}"
    if wrong:
        shown = value[:60] if isinstance(value, str) else value
        raise InputError([Fault(file, field, shown, wrong)])
    return found


def _parsed(value: str | int | float) -> float:
    if isinstance(value, str):
        if "_" in value:  # Python would take 1_000
            raise ValueError(value)
        return float(value)
    return float(value)


def whole(
    value: object,
    *,
    file: str,
    field: str,
    least: int | None = None,
    most: int = LARGEST_COUNT,
    expected: str = "",
) -> int:
    """Return a user's value as a whole number; ``1e3`` and ``12.0`` are accepted, ``12.5`` is not.

    >>> whole("nan", file="plan.toml", field="draws", least=0)
    Traceback (most recent call last):
    crashsense.errors.InputError: plan.toml: draws: got 'nan'; expected a whole number, 0 or more
    """
    wanted = expected or "a whole number" + (f", {least} or more" if least is not None else "")
    found = number_or_none(value)
    if found is None or found != math.floor(found):
        shown = value[:60] if isinstance(value, str) else value
        raise InputError([Fault(file, field, shown, wanted)])
    if (least is not None and found < least) or found > most:
        limit = "" if expected or found <= most else f", {most} or less"
        raise InputError([Fault(file, field, value, wanted + limit)])
    return int(found)


def number_or_none(value: object) -> float | None:
    """Return a user's value as a finite float, or None if it is no plausible number.

    >>> number_or_none("1e3"), number_or_none("nan"), number_or_none(10**400)
    (1000.0, None, None)
    """
    try:
        return number(value, file="", field="")
    except InputError:
        return None


# --- what goes out ------------------------------------------------------------------------------


def csv_text(text: str) -> str:
    r"""Return a text that is safe in a CSV cell: nothing that a spreadsheet would execute.

    A text that begins with ``= + - @``, a tab or a carriage return gets a leading apostrophe, as is
    common practice; control characters are escaped. Numbers never pass through here, and a single
    sign ("-" for none) is not a formula.

    >>> csv_text("=1+1"), csv_text("wall, 56 km/h"), csv_text("a\x1b[31m")
    ("'=1+1", 'wall, 56 km/h', 'a\\x1b[31m')
    """
    risky = len(text) > 1 and text[0] in "=+-@\t\r"
    safe = printable(text)
    return f"'{safe}" if risky else safe


def csv_safe(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table whose texts passed :func:`csv_text`; the same object if nothing changes."""
    for name in table.columns:
        column = table[name]
        if column.dtype.kind in "biufcmM":
            continue
        texts = [value for value in column.unique() if isinstance(value, str)]
        changed = {text: csv_text(text) for text in texts if csv_text(text) != text}
        if changed:
            table = table.assign(**{name: column.map(lambda v, new=changed: new.get(v, v))})
    return table
