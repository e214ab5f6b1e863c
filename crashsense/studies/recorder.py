"""An evaluation as an event data recorder would hold it, by the definitions of 49 CFR Part 563.

Derived from the words that the control unit received (not from the true motion): trigger, time
zero, velocity change every 10 ms, its maximum and when, deployment times, in the resolution of the
regulation. The true velocity change is given beside it: recorded values must lie within 10 %.

Definitions: 49 CFR 563.5 (text of 1 June 2026): trigger 8 km/h within 150 ms, longitudinal or,
where recorded, lateral, or a non-reversible deployment; time zero of a continuously running system
the first point of the interval in which the longitudinal velocity change exceeds 0.8 km/h in 20 ms
(lateral: in 5 ms), or a deployment if that is earlier; end of event where the resultant velocity
change within 20 ms falls to 0.8 km/h or less. 563.7, 563.8 Table III: range, accuracy, resolution.
That Table I records for 250 ms or to the end of the event and 30 ms, the shorter, is from memory.
A study aid: a recorder is certified by tests of the device itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError
from crashsense.plotting import BLUE, GREEN, GREY, VERMILION, new_figure, tidy
from crashsense.resources import CAUTION
from crashsense.results import Run, replay
from crashsense.signal import Signal
from crashsense.text_table import text_table
from crashsense.trials import Trial, trial

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


KMH = 1.0 / 3.6

#: Trigger: velocity change [m/s] within a window [s].
TRIGGER_M_S, TRIGGER_WINDOW_S = 8.0 * KMH, 0.150

#: Time zero: velocity change [m/s] within a window [s], longitudinal and lateral.
ZERO_M_S, ZERO_WINDOW_X_S, ZERO_WINDOW_Y_S = 0.8 * KMH, 0.020, 0.005

#: End of event: resultant velocity change [m/s] within a window [s].
END_M_S, END_WINDOW_S = 0.8 * KMH, 0.020

#: Velocity change is recorded every so often, for so long, its maximum for longer, and at most so
#: long past the end of the event [s].
INTERVAL_S, LENGTH_S, MAXIMUM_S, PAST_END_S = 0.010, 0.250, 0.300, 0.030

#: Range and resolution of a velocity change [km/h], resolution of times [ms], accuracy [-].
RANGE_KMH, STEP_KMH, STEP_MS, ACCURACY = 100.0, 1.0, 2.5, 0.10

#: Element -> what the regulation asks of it.
ELEMENTS = {
    "delta_v_longitudinal_kmh": "every 10 ms to 250 ms; -100 to 100 km/h, 10 %, 1 km/h",
    "delta_v_lateral_kmh": "the same; given where a lateral channel is recorded",
    "maximum_delta_v_longitudinal_kmh": "from time zero to 300 ms; -100 to 100 km/h, 10 %, 1 km/h",
    "time_maximum_delta_v_longitudinal_ms": "0 to 300 ms, 3 ms, 2.5 ms",
    "deployment times": "from time zero to the deployment command, first stage if staged",
}


def largest_change(velocity: FloatArray, *, rate_hz: float, window_s: float) -> float:
    """Return the largest velocity change [m/s], either sign, within any interval of a length.

    Intervals up to *window_s*: what is reached sooner counts too.

    >>> ramp = np.arange(0.0, 0.5, 1e-3) * 14.815  # 8 km/h in 150 ms: 14.815 m/s^2
    >>> round(3.6 * largest_change(ramp, rate_hz=1000.0, window_s=0.150), 2)
    8.0
    """
    span = max(int(round(window_s * rate_hz)), 1)
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    # The value at n against the extremes of the window that ends at n.
    origin = span // 2
    size = span + 1
    origin = size // 2 if size % 2 else size // 2 - 1
    low = minimum_filter1d(velocity, size, mode="nearest", origin=origin)
    high = maximum_filter1d(velocity, size, mode="nearest", origin=origin)
    return float(max((velocity - low).max(), (high - velocity).max()))


def first_change(
    velocity: FloatArray, *, rate_hz: float, window_s: float, above_m_s: float
) -> int | None:
    """Return the first sample of the first interval in which velocity changes by more, or None.

    >>> slow, fast = (np.arange(0.0, 0.1, 1e-3) * a for a in (11.0, 11.2))
    >>> [first_change(v, rate_hz=1000.0, window_s=0.020, above_m_s=0.8 / 3.6) for v in (slow, fast)]
    [None, 0]
    """
    span = max(int(round(window_s * rate_hz)), 1)
    if velocity.size <= span:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(velocity, span + 1)
    hit = np.abs(windows - windows[:, :1]).max(axis=-1) > above_m_s
    return int(np.argmax(hit)) if hit.any() else None


@dataclass(frozen=True, eq=False)
class Recording:
    """What a recorder would hold.

    ``table``: one row an interval: time [ms] from time zero, velocity changes as recorded, as the
    words give them and as they truly were [km/h], and whether the recorded one is within 10 %.
    ``elements``: one row a single value: name, value, unit, and what the regulation asks.
    ``trigger``: why an event is recorded; empty: it is not.
    """

    event: str
    draw: int
    trigger: str
    time_zero_s: float
    end_s: float
    table: pd.DataFrame
    elements: pd.DataFrame
    notes: tuple[str, ...]


def record_of(judged: Trial, *, draw: int | None = None) -> Recording:
    """Return what a recorder would hold of one draw of a trial (default: the first).

    The trial has one event and one algorithm and keeps its samples and signals; ``central_x`` must
    have been sensed, ``central_y`` is recorded if it was.

    Raises
    ------
    InputError : the trial has no words of ``central_x``

    >>> from crashsense.trials.trial import trial
    >>> channels = ["central_x", "central_y", "central_safing_x", "upfront_left_x"]
    >>> found = record_of(trial("wall_full_40", channels=[*channels, "upfront_right_x"]))
    >>> found.trigger.startswith("longitudinal")
    True
    """
    import pandas as pd

    at = judged.at(draw)
    words: dict[str, FloatArray] = {}
    notes: list[str] = []
    for channel in ("central_x", "central_y"):
        values = judged.samples.channels.get(channel)
        if values is not None and judged.samples.valid[channel][at].any():
            words[channel] = _words(judged, channel, at, notes)
    if "central_x" not in words:
        where = f"event {judged.event.name}"
        raise InputError([Fault(where, "channel", None, "words of central_x, to be recorded")])
    rate = judged.rate_hz
    times = judged.times_s[at]
    # The clock of a word is when the control unit is done with it; the motion was earlier.
    velocity = {name: np.concatenate([[0.0], np.cumsum(a[1:]) / rate]) for name, a in words.items()}
    fired = _fired(judged, at)
    trigger = _trigger(velocity, fired, rate)
    zero = _time_zero(velocity, fired, times, rate)
    if zero is None:
        zero = 0.0
        notes.append("no time zero in the words: the first contact stands for it")
    end = _end(velocity, times, zero, rate)
    last = min(LENGTH_S, end - zero + PAST_END_S, float(times[-1]) - zero)
    grid = np.arange(0.0, last + 1e-9, INTERVAL_S)
    columns: dict[str, Any] = {"time_ms": np.round(1e3 * grid, 3)}
    elements: list[dict[str, Any]] = []
    names = {"central_x": "longitudinal", "central_y": "lateral"}
    for channel, axis in names.items():
        if channel not in velocity:
            continue
        of_words = _since(velocity[channel], times, zero, grid)
        true = _true_change(judged, channel, at, zero, grid)
        recorded = _rounded(of_words, notes, axis)
        columns[f"delta_v_{axis}_kmh"] = recorded
        columns[f"words_{axis}_kmh"] = 3.6 * of_words
        columns[f"true_{axis}_kmh"] = 3.6 * true
        # Half a step of the resolution is no error of the recorder.
        allowed = np.maximum(ACCURACY * np.abs(3.6 * true), STEP_KMH / 2 + 1e-9)
        columns[f"within_{axis}"] = np.abs(recorded - 3.6 * true) <= allowed
        fine = np.arange(0.0, min(MAXIMUM_S, end - zero + PAST_END_S, times[-1] - zero), 1 / rate)
        whole = _since(velocity[channel], times, zero, fine)
        peak = int(np.argmax(np.abs(whole))) if whole.size else 0
        largest = whole[peak : peak + 1] if whole.size else np.zeros(1)
        elements += [
            _element(
                f"maximum_delta_v_{axis}_kmh", float(_rounded(largest, notes, axis)[0]), "km/h"
            ),
            _element(
                f"time_maximum_delta_v_{axis}_ms",
                round(1e3 * peak / rate / STEP_MS) * STEP_MS,
                "ms",
            ),
        ]
    if len(velocity) == 2:
        fine = np.arange(0.0, min(MAXIMUM_S, end - zero + PAST_END_S, times[-1] - zero), 1 / rate)
        both = [_since(v, times, zero, fine) for v in velocity.values()]
        resultant = np.hypot(*both).max(initial=0.0)
        elements.append(_element("maximum_delta_v_resultant_kmh", round(3.6 * resultant), "km/h"))
    for restraint, fire_s in fired.items():
        elements.append(_element(f"deployment_{restraint}_ms", 1e3 * (fire_s - zero), "ms"))
    elements.append(_element("driver_belt_fastened", judged.event.context.belted, ""))
    elements.append(_element("time_zero_after_first_contact_ms", 1e3 * zero, "ms"))
    elements.append(_element("end_of_event_ms", 1e3 * (end - zero), "ms"))
    return Recording(
        event=judged.event.name,
        draw=int(judged.draws[at]),
        trigger=trigger,
        time_zero_s=zero,
        end_s=end,
        table=pd.DataFrame(columns),
        elements=pd.DataFrame(elements),
        notes=tuple(dict.fromkeys(notes)),
    )


def recording(
    run: Run,
    event: str,
    *,
    draw: int = 0,
    sensor_set: str | None = None,
    algorithm: str | None = None,
) -> Recording:
    """Return what a recorder would hold of one evaluation of a run; it is run again.

    Parameters and errors as for :func:`crashsense.results.replay`. Both central channels are
    sensed, whether a rule reads them or not; that changes no word of another channel.
    """
    replayed = replay(run, event, draw=draw, sensor_set=sensor_set, algorithm=algorithm)
    before = replayed.trial
    own = [name for name in ("central_x", "central_y") if name in before.sensor_set.sensors]
    conditions = before.conditions
    with_both = trial(
        before.event,
        sensor_set=before.sensor_set,
        algorithm=before.algorithm,
        draw=draw,
        channels=list(dict.fromkeys([*before.samples.channels, *own])),
        seed=conditions.seed,
        vary=conditions.vary,
        sensor_draws=conditions.sensor_draws,
        path=conditions.path,
        engine=replayed.engine,
    )
    found = record_of(with_both)
    differs = replayed.differences
    more = [f"differs from the run in {', '.join(differs)}"] if differs else []
    return replace(found, notes=(*found.notes, *replayed.notes, *more))


def _words(judged: Trial, channel: str, at: int, notes: list[str]) -> FloatArray:
    """Accelerations of one draw as received; what is not valid holds the last value."""
    values = judged.samples.channels[channel][at]
    valid = judged.samples.valid[channel][at]
    if not valid.all():
        notes.append(
            f"{channel}: {int((~valid).sum())} samples without a valid word, last one held"
        )
        place = np.maximum.accumulate(np.where(valid, np.arange(valid.size), 0))
        values = np.where(valid[place], values[place], 0.0)
    report = judged.reports.get(channel)
    if report is not None and report.clipped_before_filter[at]:
        notes.append(
            f"{channel}: {int(report.clipped_before_filter[at])} samples clipped in the sensor; "
            "accuracy holds within its range only, the time of saturation is to be reported"
        )
    return np.asarray(values, dtype=np.float64)


def _fired(judged: Trial, at: int) -> dict[str, float]:
    """Restraint -> time of the deployment command [s]; stage 1 represents a staged airbag."""
    found = {}
    for restraint in judged.event.requirements:
        time = float(judged.scores(restraint).fire_s[at])
        if np.isfinite(time):
            found[restraint] = time
    return found


def _trigger(velocity: dict[str, FloatArray], fired: dict[str, float], rate: float) -> str:
    for channel, axis in (("central_x", "longitudinal"), ("central_y", "lateral")):
        if channel in velocity:
            change = largest_change(velocity[channel], rate_hz=rate, window_s=TRIGGER_WINDOW_S)
            if change >= TRIGGER_M_S:
                seen = f"{axis} velocity change {3.6 * change:.1f} km/h within 150 ms"
                return f"{seen} (trigger: 8 km/h or more)"
    if fired:
        first = min(fired, key=lambda name: fired[name])
        return f"deployment of {first}"
    return ""


def _time_zero(
    velocity: dict[str, FloatArray], fired: dict[str, float], times: FloatArray, rate: float
) -> float | None:
    found = [min(fired.values())] if fired else []
    for channel, window in (("central_x", ZERO_WINDOW_X_S), ("central_y", ZERO_WINDOW_Y_S)):
        if channel in velocity:
            first = first_change(
                velocity[channel], rate_hz=rate, window_s=window, above_m_s=ZERO_M_S
            )
            if first is not None:
                found.append(float(times[first]))
    return min(found) if found else None


def _end(velocity: dict[str, FloatArray], times: FloatArray, zero: float, rate: float) -> float:
    """First time after time zero at which the resultant change of 20 ms is small, else the last."""
    span = max(int(round(END_WINDOW_S * rate)), 1)
    changes = [v[span:] - v[:-span] for v in velocity.values()]
    resultant = np.sqrt(sum(change**2 for change in changes))
    after = times[span:] >= zero + END_WINDOW_S
    small = after & (resultant <= END_M_S)
    return float(times[span:][np.argmax(small)]) if small.any() else float(times[-1])


def _since(velocity: FloatArray, times: FloatArray, zero: float, grid: FloatArray) -> FloatArray:
    """Velocity change [m/s] at times after time zero."""
    start = np.interp(zero, times, velocity)
    return np.asarray(np.interp(zero + grid, times, velocity) - start)


def _true_change(judged: Trial, channel: str, at: int, zero: float, grid: FloatArray) -> FloatArray:
    signal = judged.signals.get(channel)
    if signal is None:
        return np.zeros(grid.size)
    row = signal.samples[at if signal.samples.shape[0] > 1 else 0]
    one = Signal(
        row, rate_hz=signal.rate_hz, start_s=signal.start_s, unit=signal.unit, axis=signal.axis,
        location=signal.location,
    )  # fmt: skip
    velocity = one.velocity().samples
    return _since(velocity, one.times_s, zero, grid)


def _rounded(change: FloatArray, notes: list[str], axis: str) -> FloatArray:
    """A velocity change in the resolution and range of the regulation [km/h]."""
    values = np.round(3.6 * change / STEP_KMH) * STEP_KMH + 0.0
    if (np.abs(values) > RANGE_KMH).any():
        notes.append(f"{axis} velocity change beyond the range of 100 km/h, cut there")
    return np.clip(values, -RANGE_KMH, RANGE_KMH)


def _element(name: str, value: Any, unit: str) -> dict[str, Any]:
    return {"element": name, "value": float(value), "unit": unit, "asked": ELEMENTS.get(name, "")}


def recording_sentence(found: Recording) -> str:
    """Return what would be recorded, in plain words."""
    if not found.trigger:
        return (
            f"{found.event}: no trigger (less than 8 km/h within 150 ms and no deployment): "
            "nothing needs to be recorded."
        )
    values = found.elements.set_index("element")["value"]
    text = f"{found.event}: recorded, {found.trigger}; "
    text += f"maximum {values['maximum_delta_v_longitudinal_kmh']:g} km/h longitudinal at "
    text += f"{values['time_maximum_delta_v_longitudinal_ms']:g} ms"
    within = found.table["within_longitudinal"]
    text += f"; {int(within.sum())} of {len(within)} recorded values within 10 % of the true change"
    return text + "."


def recording_text(found: Recording) -> str:
    """Return the recording as text."""
    lines = [f"CAUTION: {CAUTION}", "", recording_sentence(found), ""]
    for row in found.elements.to_dict("records"):
        lines.append(f"  {row['element']:<44} {row['value']:>9.1f} {row['unit']}")
    lines += ["", *_table_lines(found.table), ""]
    lines.append("By the definitions of 49 CFR Part 563; a study aid, no test of a recorder.")
    lines += [f"Note: {note}" for note in found.notes]
    return "\n".join(lines)


def _table_lines(table: pd.DataFrame) -> list[str]:
    """The velocity changes, an axis below the other: [km/h] by the time [ms]."""
    axes = [axis for axis in ("longitudinal", "lateral") if f"delta_v_{axis}_kmh" in table]
    lines: list[str] = []
    for axis in axes:
        lines += [""] if lines else []
        lines.append(f"{axis} velocity change [km/h]")
        head = ["  time ms", "recorded", "from the words", "true", "within 10 %"]
        rows = [
            [
                f"{row['time_ms']:g}",
                *(f"{row[f'{name}_{axis}_kmh']:.2f}" for name in ("delta_v", "words", "true")),
                "yes" if row[f"within_{axis}"] else "no",
            ]
            for row in table.to_dict("records")
        ]
        lines += text_table([head, *rows], left=())
    return lines


def recording_figure(found: Recording) -> Figure:
    """Draw velocity change as recorded, as the words give it and as it truly was."""
    axes_names = [a for a in ("longitudinal", "lateral") if f"delta_v_{a}_kmh" in found.table]
    figure = new_figure(8.0, 1.4 + 2.5 * len(axes_names))
    panels = figure.subplots(len(axes_names), 1, sharex=True, squeeze=False)[:, 0]
    times = found.table["time_ms"]
    for panel, axis in zip(panels, axes_names, strict=True):
        true = found.table[f"true_{axis}_kmh"]
        panel.fill_between(
            times, true * (1 - ACCURACY), true * (1 + ACCURACY), color=GREEN, alpha=0.15, lw=0,
            label=f"true change, within {ACCURACY:.0%}",
        )  # fmt: skip
        panel.plot(times, true, color=GREEN, ls=":", lw=1.4, label="true change")
        panel.plot(times, found.table[f"words_{axis}_kmh"], color=BLUE, lw=1.0, label="from words")
        panel.plot(
            times, found.table[f"delta_v_{axis}_kmh"], color=VERMILION, ls="none", marker="s", ms=4,
            label="recorded",
        )  # fmt: skip
        panel.set_ylabel(f"{axis}\nvelocity change [km/h]", fontsize=8)
        low, high = panel.get_ylim()  # a change of nothing is not drawn as if it were one
        panel.set_ylim(min(low, -5.0), max(high, 5.0))
        tidy(panel)
    values = found.elements.set_index("element")["value"]
    for number, name in enumerate(n for n in values.index if n.startswith("deployment_")):
        for panel in panels:
            panel.axvline(values[name], color=GREY, ls="--", lw=0.9)
        panels[0].annotate(
            name.removeprefix("deployment_").removesuffix("_ms"), (values[name], 1.0),
            xycoords=("data", "axes fraction"), xytext=(3, -9 - 9 * number),
            textcoords="offset points", fontsize=7,
        )  # fmt: skip
    panels[-1].set_xlabel("time from time zero of the recorder [ms]")
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=4, fontsize=8, frameon=False)
    figure.suptitle(
        f"{found.event}, draw {found.draw}: {found.trigger or 'no trigger'}", fontsize=9, x=0.01,
        ha="left",
    )  # fmt: skip
    return figure
