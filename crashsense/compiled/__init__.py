"""Kernels compiled by numba (extra ``fast``), and marches that also run in plain Python.

The marches (:mod:`.crush`, :mod:`.ride`, :mod:`.rollover`) do without numba; every other module
needs it and is reached through :func:`crashsense.engine.kernels`.
"""
