"""Compiled kernels, loaded and run once before workers are forked (see :mod:`.warm`)."""

from __future__ import annotations

import os
from contextlib import suppress
from functools import partial

from crashsense import engine, processes
from crashsense.campaign.warm_sensors import make_ready


def compile_apart() -> None:
    """Compile kernels that are not kept yet in a process that then ends.

    A compiler holds 400 MB afterwards, and every worker would be forked with them. By a fork, for
    which a server that has just begun is no worse than for those that it is there for.
    """
    if engine.kept():
        return
    # What fails there fails here again, with a message. It takes minutes on a slow machine.
    os.waitpid(processes.apart(partial(engine.choose, "fast", thorough=True), most_s=0), 0)


def _chosen() -> tuple[str, str]:
    if not engine.installed():
        return "numpy", ""
    with suppress(OSError):  # no process can be had: compiled here
        compile_apart()
    return engine.choose("fast", thorough=True)


#: The engine that computes, and why it is not ``fast`` (empty if it is).
CHOSEN = _chosen()

make_ready(CHOSEN[0])
