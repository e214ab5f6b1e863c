"""Read-only samples for rules: mappings and arrays that cannot be changed.

An array made here is a view on a read-only buffer: it does not own its memory, so that both writing
to it and setting its write flag fail. Nothing is copied.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.sensing.samples import EcuSamples


def locked(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return a view that can be neither written to nor made writable.

    >>> view = locked(np.zeros(3))
    >>> view.setflags(write=True)
    Traceback (most recent call last):
    ...
    ValueError: cannot set WRITEABLE flag to True of this array
    """
    return np.asarray(values.data.toreadonly())


def locked_samples(samples: EcuSamples) -> EcuSamples:
    """Return the block with read-only mappings and arrays; values are shared."""
    return replace(
        samples,
        channels=_mapping(samples.channels),
        codes=_mapping(samples.codes),
        valid=_mapping(samples.valid),
        start_s=locked(samples.start_s),
    )


def _mapping(arrays: Mapping[str, npt.NDArray[Any]]) -> Mapping[str, npt.NDArray[Any]]:
    return MappingProxyType({name: locked(values) for name, values in arrays.items()})
