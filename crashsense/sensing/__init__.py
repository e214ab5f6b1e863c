"""Sensing: from true acceleration to the samples that the control unit receives."""

from crashsense.sensing.samples import EcuSamples

__all__ = ["EcuSamples"]
