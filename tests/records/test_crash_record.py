"""The public crash record NHTSA 10146, read in full: 57.1 km/h, full-width rigid wall.

Reference figures were derived from the same record outside this project, by another program; ranges
are their spread over channel and zeroing window. Skipped where the record is not at hand.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from crashsense.errors import InputError
from crashsense.event import RESTRAINTS
from crashsense.filters.causal import causal_lowpass, lowpass_sections
from crashsense.filters.channel_class import channel_class_filter
from crashsense.occupant import occupant_load_criterion
from crashsense.records import check_record, read_record
from crashsense.units import STANDARD_GRAVITY

SPEED_M_S = 57.09 / 3.6


@pytest.fixture(scope="module")
def events(record_folder):
    return {event.name: event for event in read_record(record_folder)}


@pytest.fixture(scope="module")
def mean_x(events):
    """Mean of both channels: for comparison with the derived figures only, never for sensing."""
    return np.mean([e.signals["central_x"].samples for e in events.values()], axis=0)


def after_contact(signal):
    return signal.samples[round(-signal.start_s * signal.rate_hz) :]


def test_each_side_is_an_event_of_its_own(events):
    assert sorted(events) == ["v10146_left", "v10146_right"]
    for event in events.values():
        signal = event.signals["central_x"]
        assert (signal.rate_hz, signal.start_s, signal.size) == (10000.0, -0.05, 3500)
        assert event.family == "frontal"
        assert event.context.belted
        assert {"central_z", "powertrain_x"} < set(event.signals)
        # No safing element was measured, and none is made up from the central channel.
        assert "central_safing_x" not in event.signals
        assert event.source is not None
        assert not event.source.varies


@pytest.mark.parametrize(("side", "peak_g"), [("left", 45), ("right", 40)])
def test_class_60_peaks(events, side, peak_g):
    signal = events[f"v10146_{side}"].signals["central_x"]
    smooth = channel_class_filter(signal.samples, rate_hz=signal.rate_hz, channel_class=60)
    assert -smooth.min() / STANDARD_GRAVITY == pytest.approx(peak_g, abs=0.6)
    assert 0.063 - 5e-4 <= signal.times_s[smooth.argmin()] <= 0.066 + 5e-4


@pytest.mark.parametrize(("side", "peak_g"), [("left", 54), ("right", 51)])
def test_three_pole_bessel_peaks(events, side, peak_g):
    signal = events[f"v10146_{side}"].signals["central_x"]
    sections = lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=signal.rate_hz)
    out = causal_lowpass(signal.samples, sections=sections)
    assert np.abs(out).max() / STANDARD_GRAVITY == pytest.approx(peak_g, abs=0.6)


@pytest.mark.parametrize("side", ["left", "right"])
def test_free_flight_and_required_time(events, side):
    event = events[f"v10146_{side}"]
    assert event.metadata["free_flight_ms"] == pytest.approx(47.0, abs=0.6)
    stage_1 = event.requirements["front_airbag_stage_1"]
    assert stage_1.expectation == "fire"
    assert stage_1.required_s * 1e3 == pytest.approx(17.0, abs=0.6)
    others = {event.requirements[r].expectation for r in RESTRAINTS if r != "front_airbag_stage_1"}
    assert others == {"open"}


@pytest.mark.parametrize(
    ("ms", "m_s"),
    [(10, 0.37), (15, 1.50), (17, 1.59), (20, 2.08), (30, 3.63), (40, 5.18), (50, 7.80)]
    + [(60, 10.80), (80, 17.25), (100, 18.36)],
)
def test_velocity_change_over_time(events, mean_x, ms, m_s):
    signal = next(iter(events.values())).signals["central_x"]
    velocity = signal.replaced(mean_x, note="mean of both sides").velocity(from_s=0.0)
    found = -float(np.interp(ms / 1e3, velocity.times_s, velocity.samples))
    # Another zeroing window (10 to 50 ms before contact) moves 60 ms by 0.06 m/s, and ringing of
    # 100 g turns half a sample of time into 0.05 m/s.
    assert found == pytest.approx(m_s, abs=0.05)


def test_velocity_change_overall_and_restitution(events):
    changes = [-e.metadata["velocity_change_kmh"] / 3.6 for e in events.values()]
    assert np.mean(changes) == pytest.approx(18.4, abs=0.15)
    assert np.mean(changes) / SPEED_M_S - 1 == pytest.approx(0.16, abs=0.01)


def test_dynamic_crush(events, mean_x):
    signal = next(iter(events.values())).signals["central_x"]
    velocity = signal.replaced(mean_x, note="mean").velocity(from_s=0.0)
    speed = velocity.replaced(velocity.samples + SPEED_M_S, note="from the closing speed")
    crush = speed.displacement(from_s=0.0)
    assert crush.samples.max() == pytest.approx(0.746, abs=0.006)
    assert crush.times_s[crush.samples.argmax()] == pytest.approx(0.074, abs=0.001)


def test_occupant_load_criterion(events):
    found = [
        occupant_load_criterion(
            -after_contact(e.signals["central_x"]), rate_hz=10000.0, initial_speed_m_s=SPEED_M_S
        )
        for e in events.values()
    ]
    assert np.mean([olc for olc, _ in found]) == pytest.approx(29.4, abs=0.3)
    assert np.mean([t2 for _, t2 in found]) == pytest.approx(0.0997, abs=0.0005)


@pytest.mark.parametrize(("range_g", "lost"), [(50, 1.4), (100, 0.1), (120, 0.045)])
def test_velocity_lost_by_clipping_the_raw_signal(events, range_g, lost):
    losses = []
    for event in events.values():
        signal = event.signals["central_x"]
        limit = range_g * STANDARD_GRAVITY
        clipped = signal.replaced(np.clip(signal.samples, -limit, limit), note="clipped")
        both = [s.velocity(from_s=0.0).between(0.06, 0.06).samples[0] for s in (signal, clipped)]
        losses.append(abs(both[1] - both[0]))
    assert np.mean(losses) == pytest.approx(lost, abs=max(0.06, 0.1 * lost))


def test_failed_channel_is_refused_by_name_and_never_padded(record_folder):
    findings = check_record(record_folder)
    refused = [f for f in findings if "channel 96" in f.field]
    assert len(refused) == 1
    assert "CF (channel failed, last point at 66.9 ms)" in str(refused[0])
    assert not [f for f in findings if f.severity != "info"]

    for event in read_record(record_folder):
        told = " ".join(event.metadata["assumptions"])
        assert "channel 96 (engine) refused: CF (channel failed" in told

    (event,) = read_record(record_folder, channel=96)
    signal = event.signals["central_x"]
    assert signal.size == 1170
    assert signal.end_s == pytest.approx(0.0669)
    assert {s.size for s in event.signals.values()} == {1170}
    warned = [str(f) for f in event.metadata["findings"] if f.severity == "warning"]
    assert any("used because it was asked for" in text for text in warned)
    assert any("length" in text for text in warned)
    # The required time is that of the passenger cell, whatever part was chosen to be sensed.
    left = read_record(record_folder)[0].requirements["front_airbag_stage_1"]
    assert event.requirements["front_airbag_stage_1"].required_s == left.required_s
    assert any("from channel 93" in text for text in event.metadata["assumptions"])


def test_a_listed_channel_without_a_file_is_normal(record_folder):
    assert not [f for f in check_record(record_folder) if "channel 99" in str(f)]
    with pytest.raises(InputError, match="channel 99: got 'no file'; expected a file v10146.099"):
        read_record(record_folder, channel=99)


def test_nothing_of_the_maker_leaves_the_header(record_folder, events):
    rows = (record_folder / "v10146.EV5").read_text().splitlines()
    vehicle = rows[rows.index("----- VEHICLE -----") + 1].split("|")
    test = rows[rows.index("----- TEST -----") + 1].split("|")
    words = {w for cell in test[1:2] for w in cell.split() if w.isalpha() and len(w) > 3}
    hidden = {vehicle[4], vehicle[6], test[4], test[5], test[6], *words} - {"NCAP"}
    assert len(hidden) >= 6
    for event in events.values():
        metadata = {**event.metadata, "findings": [str(f) for f in event.metadata["findings"]]}
        shown = f"{event.name} {event.title} {json.dumps(metadata)} {event.requirements}"
        shown += " ".join(h for s in event.signals.values() for h in s.history)
        assert not [word for word in hidden if word in shown]


def test_files_read_are_listed_with_their_hash(events):
    metadata = events["v10146_left"].metadata
    names = ["v10146.EV5", "v10146.093", "v10146.095", "v10146.097"]
    assert [Path(path).name for path in metadata["files"]] == names
    for path in metadata["files"]:
        digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
        assert metadata["sha256"][Path(path).name] == digest


def test_every_draw_repeats_the_record(events):
    event = events["v10146_left"]
    varied = event.vary(3, seed=1)["central_x"]
    assert np.array_equal(varied.samples[-1], event.signals["central_x"].samples)
    block = event.source.block([4, 5], seed=9)
    required = block.required_s["v10146_left"]["front_airbag_stage_1"]
    assert required.tolist() == [event.requirements["front_airbag_stage_1"].required_s] * 2
    assert np.isnan(block.required_s["v10146_left"]["curtain_left"]).all()
