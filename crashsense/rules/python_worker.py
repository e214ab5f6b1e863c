"""What the process of Python rules does: load them, and evaluate blocks in shared memory.

Its counterpart is :mod:`crashsense.rules.python_apart`. Several rules of one file share a process,
each under a number. An exception of a rule is a valid answer; a rule that leaves a thread running
or changes the working folder has failed, and its process is ended.
"""

from __future__ import annotations

import inspect
import mmap
import os
import pickle
import threading
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np

from crashsense.errors import Fault, InputError, RuleError, printable
from crashsense.rules.amounts import thresholds_in
from crashsense.rules.checked import check_branches, said
from crashsense.rules.contract import Rule
from crashsense.rules.loading import load_rule
from crashsense.sensing.samples import EcuSamples

#: How messages name a rule, as its class on the other side does.
NAME = "PythonRule"


def card_of(rule: Rule) -> dict[str, Any]:
    """Return what the parent must know about a rule before any evaluation."""
    inner = getattr(rule, "inner", rule)  # a rule written by sample is wrapped
    try:
        source = inspect.getsourcefile(type(inner)) or ""
    except (TypeError, OSError):
        source = ""
    rates = rule.rates_hz
    return {
        "requires": sorted(rule.requires),
        "uses": sorted(rule.uses | rule.requires),
        "scales": bool(rule.scales),
        "monotone": bool(rule.monotone),
        "rates_hz": None if rates is None else [float(rate) for rate in rates],
        "thresholds": thresholds_in(getattr(inner, "__dict__", {})),
        "source": source,
        "asked_active": type(rule).active is not Rule.active,
        "asked_arming": type(rule).armed_by is not Rule.armed_by or hasattr(rule, "inner"),
    }


class Rules:
    """The rules of a process. *descriptor*: the shared memory; None: samples come in the body."""

    def __init__(self, descriptor: int | None) -> None:
        self.descriptor = descriptor
        self.rules: dict[int, Rule] = {}
        self.memory: mmap.mmap | None = None

    def answer(self, head: Mapping[str, Any], body: bytes) -> tuple[dict[str, Any], bytes]:
        """Answer a request; an error of the rule is an answer as well."""
        threads, folder = set(threading.enumerate()), os.getcwd()
        try:
            found = self._answer(head, body)
        except InputError as error:
            faults = error.faults or (Fault("", "", None, str(error)),)
            return {"faults": [_plain(fault) for fault in faults]}, b""
        except RuleError as error:
            return {"error": printable(error)}, b""
        except BaseException as error:
            return {"error": f"{NAME}: {said(error)}"}, b""
        left = [t for t in threading.enumerate() if t not in threads and t.is_alive()]
        if left:
            text = f"{NAME}: it leaves a thread running ({left[0].name})"
            return {"error": printable(text), "end": True}, b""
        if _folder() != folder:
            return {"error": f"{NAME}: it changes the working folder", "end": True}, b""
        return found

    def _answer(self, head: Mapping[str, Any], body: bytes) -> tuple[dict[str, Any], bytes]:
        number = int(head["rule"])
        if head["do"] == "load":
            parameters, place = pickle.loads(body)
            rule = load_rule(place, parameters=parameters)
            self.rules[number] = rule
            return {"card": card_of(rule)}, b""
        if head["do"] == "drop":
            self.rules.pop(number, None)
            return {}, b""
        rule, samples = self.rules[number], self._samples(head, body)
        if head["do"] == "active":
            return {"active": sorted(str(name) for name in rule.active(samples))}, b""
        if head["do"] == "armed_by":
            pair = rule.armed_by(samples)
            found = None if pair is None else [sorted(names) for names in pair]
            return {"armed_by": found}, b""
        if head["do"] == "demand":
            demand = rule.demand(samples)
            branches: Any = {"total": demand, "main": demand}
        else:
            branches = rule.branch_demands(samples)
        checked = check_branches(branches, name=NAME, samples=samples)
        names = ["total"] if head["do"] == "demand" else [str(name) for name in checked]
        data = [np.ascontiguousarray(checked[name]).tobytes() for name in names]
        return {"branches": names}, b"".join(data)

    def _samples(self, head: Mapping[str, Any], body: bytes) -> EcuSamples:
        """Return the block: arrays on memory that this process can only read."""
        context, rate_hz, layout, inline = pickle.loads(body)
        if inline is not None or self.descriptor is None:
            memory: Any = inline
        else:
            size = os.fstat(self.descriptor).st_size
            if self.memory is None or len(self.memory) < size:
                self.memory = mmap.mmap(self.descriptor, size, access=mmap.ACCESS_READ)
            memory = self.memory
        tables: dict[str, dict[str, Any]] = {"channels": {}, "codes": {}, "valid": {}, "start": {}}
        for table, name, kind, shape, offset in layout:
            count = int(np.prod(shape))
            values = np.frombuffer(memory, dtype=kind, count=count, offset=offset).reshape(shape)
            tables[table][name] = values
        return EcuSamples(
            channels=MappingProxyType(tables["channels"]),
            codes=MappingProxyType(tables["codes"]),
            valid=MappingProxyType(tables["valid"]),
            rate_hz=rate_hz,
            start_s=tables["start"]["start_s"],
            context=context,
        )


def _folder() -> str:
    try:
        return os.getcwd()
    except OSError:  # it is gone
        return ""


def _plain(fault: Fault) -> list[Any]:
    value = fault.value
    if value is not None and not isinstance(value, (str, int, float)):
        value = printable(repr(value))[:200]
    return [fault.file, fault.field, value, fault.expected]
