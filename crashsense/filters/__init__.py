"""Filters, two kinds kept apart on purpose.

:mod:`~crashsense.filters.channel_class` looks ahead (zero phase) and serves measured records;
:mod:`~crashsense.filters.causal` knows the past only and serves sensors and the control unit.
"""
