"""Writers: an event as a table (CSV, Parquet) or as a test in the format of ISO/TS 13499.

Everything written can be read back: a table with all its columns and statements, a test with its
channels. Requirements and belts have no place in the exchange format; a manifest
(:mod:`crashsense.records.manifest`) or the command line states them.
"""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, printable
from crashsense.event import NOTHING, Event
from crashsense.records.table import RIGID_BODY
from crashsense.resources import CAUTION
from crashsense.units import STANDARD_GRAVITY

#: Channel -> code of ISO/TS 13499 (RED B 1.6.2: object, position, main location, three fine
#: locations, dimension, direction, filter class 0: unfiltered). Safing elements sit in the control
#: unit too and are told by a number.
CODES: Mapping[str, str] = {
    "central_x": "10CTUN000000ACX0",
    "central_y": "10CTUN000000ACY0",
    "central_z": "10CTUN000000ACZ0",
    "central_roll_rate": "10CTUN000000AVX0",
    "central_safing_x": "10CTUN000002ACX0",
    "central_safing_y": "10CTUN000002ACY0",
    "upfront_left_x": "10RACMLE0000ACX0",
    "upfront_right_x": "10RACMRI0000ACX0",
    "side_left_y": "10BPILLELO00ACY0",
    "side_right_y": "10BPILRILO00ACY0",
    "rear_seat_crossmember_x": "10SECMRE0000ACX0",
    "powertrain_x": "10ENGNTP0000ACX0",
    "door_left_pressure": "11DOORLE0000PR00",
    "door_right_pressure": "13DOORRI0000PR00",
}
_ISO_UNITS = {"m/s^2": "m/(s*s)", "rad/s": "rad/s", "Pa": "Pa"}


def write_signals(event: Event, path: Path) -> None:
    """Write ``time_s`` and one column a signal; metadata as JSON (CSV: a first comment line).

    Where the cabin's rigid-body motion is known it has columns of its own (``rigid_body_x_g``): no
    sensor reads them, and they are passed over when the file is read.
    """
    first = next(iter(event.signals.values()))
    columns = {"time_s": np.round(first.times_s, 9)}
    for name, signal in event.signals.items():
        if signal.rate_hz != first.rate_hz or signal.size != first.size:
            raise InputError([Fault(event.name, name, signal.rate_hz, "one time base for all")])
        channel = CHANNELS[name]
        columns[channel.file_name] = signal.samples / channel.file_scale
    for axis, motion in event.cabin.items():
        columns[RIGID_BODY[axis]] = motion.samples / STANDARD_GRAVITY
    metadata = {
        "schema": 1,
        "event": event.name,
        "title": printable(event.title),
        "family": event.family,
        "occurrence": event.occurrence,
        "belted": event.context.belted,
        "driver_seat_occupied": event.context.driver_seat_occupied,
        "passenger_seat_occupied": event.context.passenger_seat_occupied,
        "quiet": sorted(event.quiet),
        "rate_hz": first.rate_hz,
        "axes": "SAE J211 / J1733: +x forward, +y right, +z down; rest value removed",
        "rest_value_removed": True,
        "measured": event.metadata.get("kind") == "record",
        "assumptions": list(event.metadata.get("assumptions", ())),
        "requirements": {
            restraint: {
                "expectation": entry.expectation,
                "required_time_ms": None if entry.required_s is None else 1e3 * entry.required_s,
                "origin_ms": 1e3 * entry.origin_s,
                "not_before_ms": 1e3 * entry.not_before_s,
                "basis": entry.basis,
                "waiver": None if entry.waiver is None else vars(entry.waiver),
                "after": NOTHING if entry.order is None else entry.order.after,
                "delay_ms": None if entry.order is None else entry.order.delay_ms,
                "order_basis": None if entry.order is None else entry.order.basis,
            }
            for restraint, entry in event.requirements.items()
        },
        "source": dict(event.metadata),
        "caution": CAUTION,
    }
    text = json.dumps(metadata, default=str)
    if path.suffix.lower() == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        table = pa.table(columns).replace_schema_metadata({"crashsense": text})
        pq.write_table(table, path)
        return
    import pandas as pd

    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {text}\n")
        pd.DataFrame(columns).to_csv(file, index=False, float_format="%.9g", lineterminator="\n")


def write_iso13499(event: Event, path: Path) -> None:
    """Write an event as a test of ISO/TS 13499: ``NAME.mme`` with a folder, or a zip of both.

    *path* ends in ``.mme`` or ``.zip``. Values are in SI, unfiltered, with as many digits as they
    have; a folder ``Channel`` that holds files of another test is left alone and refused.
    """
    name = re.sub(r"[^A-Za-z0-9_-]+", "_", path.stem) or "test"
    files = _files(event, name)
    if path.suffix.lower() == ".zip":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for inner, text in files.items():
                # A fixed date: the same event gives the same archive.
                info = zipfile.ZipInfo(f"{name}/{inner}", date_time=(2000, 1, 1, 0, 0, 0))
                info.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(info, text)
        return
    folder = path.parent / "Channel"
    if folder.exists() and any(p.stem != name for p in folder.iterdir()):
        expected = "no folder 'Channel' of another test beside it"
        raise InputError([Fault(str(path), "folder", str(folder), expected)])
    folder.mkdir(exist_ok=True)
    for inner, text in files.items():
        place = path if inner == f"{name}.mme" else path.parent / inner
        place.write_text(text, encoding="utf-8")


def _files(event: Event, name: str) -> dict[str, str]:
    speed = event.metadata.get("speed_kmh")
    mass = event.metadata.get("mass_kg")
    side = {"frontal": "FR", "rear": "RE", "side": ""}.get(event.family, "")
    test = {
        "Data format edition number": "1.6",
        "Laboratory name": "NOVALUE",
        "Title": printable(event.title) or event.name,
        "Type of the test": event.family,
        "Number of test objects": "1",
        "Name of test object 1": "NOVALUE",
        "Velocity test object 1": "NOVALUE" if speed is None else repr(float(speed) / 3.6),
        "Mass test object 1": "NOVALUE" if mass is None else repr(float(mass)),
        "Impact side test object 1": side or "NOVALUE",
        "Comments": f"written by crashsense from the event {event.name}; {CAUTION}",
    }
    files = {f"{name}.mme": _lines(test)}
    listed = {
        "Instrumentation standard": "SAE J211",
        "Number of channels": str(len(event.signals)),
    }
    source = "transducer" if event.metadata.get("kind") == "record" else "calculation"
    for number, (channel, signal) in enumerate(event.signals.items(), start=1):
        code = CODES[channel]
        head = {
            "Test object number": code[0],
            "Name of the channel": channel.replace("_", " "),
            "Channel code": code,
            "Location": CHANNELS[channel].location,
            "Dimension": code[12:14],
            "Direction": code[14],
            "Channel frequency class": "NOVALUE",
            "Unit": _ISO_UNITS[CHANNELS[channel].unit],
            "Reference channel": "implicit",
            "Data source": source,
            "Data status": "ok",
            "Time of first sample": repr(float(signal.start_s)),
            "Sampling interval": repr(1.0 / signal.rate_hz),
            "Number of samples": str(signal.size),
        }
        values = "\n".join(repr(float(value)) for value in signal.samples)
        files[f"Channel/{name}.{number:03d}"] = _lines(head) + values + "\n"
        listed[f"Name of channel {number:03d}"] = f"{code} / {channel.replace('_', ' ')}"
    files[f"Channel/{name}.chn"] = _lines(listed)
    return files


def _lines(pairs: Mapping[str, str]) -> str:
    return "".join(f"{key:<28}:{value}\n" for key, value in pairs.items())
