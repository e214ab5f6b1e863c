"""Compiled kernels, loaded and run once before workers are forked (see :mod:`.warm`)."""

from __future__ import annotations

from crashsense import engine

#: The engine that computes, and why it is not ``fast`` (empty if it is).
CHOSEN = engine.choose("fast", thorough=True) if engine.installed() else ("numpy", "")
