"""What the process of a C rule does: loads the library and evaluates blocks.

Loaded by ``worker.py``, without the numeric stack. The body of a request holds raw doubles (draw by
draw, tick by tick, frame values) and validity bytes; that of an answer demand and trace values.
"""

from __future__ import annotations

import ctypes
from array import array
from typing import Any

ABI = 1
_NEEDED = ("crashsense_rule_init", "crashsense_rule_reset", "crashsense_rule_step")


class Refused(Exception):
    """The library does not meet the interface."""


def _constant(library: ctypes.CDLL, name: str) -> int:
    try:
        return int(ctypes.c_int.in_dll(library, name).value)
    except ValueError:
        raise Refused(f"a library with the constant {name}") from None


def load(path: str) -> tuple[ctypes.CDLL, int]:
    """Load a library and check its constants before calling any of its functions."""
    try:
        library = ctypes.CDLL(path)
    except OSError as error:
        raise Refused(f"a C shared library ({error})") from None
    version = _constant(library, "crashsense_rule_abi")
    if version != ABI:
        raise Refused(f"a library built for interface version {ABI}, it says {version}")
    channels = _constant(library, "crashsense_rule_channel_count")
    missing = [name for name in _NEEDED if not hasattr(library, name)]
    if missing:
        raise Refused("a library with the function " + ", ".join(missing))
    double_p = ctypes.POINTER(ctypes.c_double)
    library.crashsense_rule_init.argtypes = [double_p, ctypes.c_int, ctypes.c_double]
    library.crashsense_rule_init.restype = ctypes.c_void_p
    library.crashsense_rule_reset.argtypes = [ctypes.c_void_p, ctypes.c_int]
    library.crashsense_rule_reset.restype = None
    library.crashsense_rule_step.argtypes = [
        ctypes.c_void_p,
        ctypes.c_void_p,
        ctypes.c_void_p,
    ]
    library.crashsense_rule_step.restype = ctypes.c_double
    return library, channels


def run(library: ctypes.CDLL, request: dict[str, Any], body: bytes) -> tuple[array, array]:
    """Evaluate a block: return demand and trace values, draw by draw, tick by tick."""
    draws, size, width = request["draws"], request["size"], request["width"]
    count = draws * size * width
    values = array("d")
    values.frombytes(body[: 8 * count])
    valid = body[8 * count :]
    parameters = request["parameters"]
    given = (ctypes.c_double * max(1, len(parameters)))(*parameters)
    state = library.crashsense_rule_init(given, len(parameters), request["rate_hz"])
    if not state:
        raise Refused("parameters that the library accepts (its init returned NULL)")
    frames = (ctypes.c_double * len(values)).from_buffer(values) if len(values) else None
    flags = ctypes.create_string_buffer(valid, len(valid)) if valid else None
    frame_at, flag_at = ctypes.addressof(frames or given), ctypes.addressof(flags or given)
    step, reset = library.crashsense_rule_step, library.crashsense_rule_reset
    capacity = request["trace"]
    out, traces = array("d"), array("d")
    inner = (ctypes.c_double * max(1, capacity))()
    for draw in range(draws):
        reset(state, request["belted"])
        for tick in range(size):
            place = (draw * size + tick) * width
            out.append(step(state, frame_at + 8 * place, flag_at + place))
            if capacity:
                library.crashsense_rule_trace.argtypes = [
                    ctypes.c_void_p,
                    ctypes.POINTER(ctypes.c_double),
                    ctypes.c_int,
                ]
                written = library.crashsense_rule_trace(state, inner, capacity)
                traces.extend(inner[:written] + [float("nan")] * (capacity - written))
    if hasattr(library, "crashsense_rule_free"):
        library.crashsense_rule_free.argtypes = [ctypes.c_void_p]
        library.crashsense_rule_free(state)
    return out, traces


_LOADED: list[tuple[ctypes.CDLL, int]] = []


def answer(request: dict[str, Any], body: bytes) -> tuple[dict[str, Any], bytes]:
    """Answer a request: what the library is, and demand and trace of a block."""
    out, traces = array("d"), array("d")
    try:
        if not _LOADED:
            _LOADED.append(load(request["library"]))
        library, channels = _LOADED[0]
        found: dict[str, Any] = {
            "channels": channels,
            "trace": hasattr(library, "crashsense_rule_trace"),
        }
        if "draws" in request:
            out, traces = run(library, request, body)
    except Refused as refused:
        found = {"refused": str(refused)}
    except MemoryError:
        found = {"refused": "less memory: the block does not fit"}
    found["count"], found["traced"] = len(out), len(traces)
    return found, out.tobytes() + traces.tobytes()
