"""``sensor_draws``: sensors and noise of a draw in each event, its own or the same in all."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

import crashsense
from crashsense.errors import InputError
from crashsense.sensing import ANY_OCCURRENCE, NoiseBank, load_sensor_set, sense
from crashsense.signal import Signal
from crashsense.synthesis import load_events

DRAWS = 40


@pytest.fixture(scope="module")
def twins():
    """The same event under two names: only their sensors can tell them apart."""
    (event,) = load_events(["wall_full_32"])
    return [replace(event, name=name, occurrence=name) for name in ("first", "second")]


def demands(events, **options):
    run = crashsense.evaluate(events=events, draws=DRAWS, vary="sensor", **options)
    rows = run.verdicts[run.verdicts["restraint"] == "belt_pretensioner"]
    rows = rows[rows["algorithm"] == "guarded"]
    return [rows[rows["event"] == e.name]["max_demand"].to_numpy() for e in events]


def test_events_meet_their_own_sensors_by_default(twins):
    first, second = demands(twins)
    assert first[0] == second[0]  # the nominal draw
    assert not np.any(first[1:] == second[1:])


@pytest.mark.parametrize("path", ["auto", "full"])
def test_events_meet_the_same_sensors_if_asked(twins, path):
    first, second = demands(twins, sensor_draws="shared", path=path)
    assert np.array_equal(first, second)
    assert np.unique(first).size > DRAWS // 2


def test_events_of_other_lengths_meet_the_same_noise():
    """Word by word up to the end of the shorter event, at both rates."""
    quiet = np.zeros(3500)

    def words(samples, occurrence, path):
        signal = Signal(
            samples, rate_hz=1e4, start_s=-0.05, unit="m/s^2", axis="x", location="central"
        )
        options = {"draws": range(70), "occurrence": occurrence, "channels": ["central_x"]}
        return sense({"central_x": signal}, load_sensor_set(), path=path, **options)

    for path in ("fast", "full"):
        longer, shorter = (
            words(quiet[:n], ANY_OCCURRENCE, path).samples.codes["central_x"] for n in (3500, 3000)
        )
        assert np.array_equal(longer[:, : shorter.shape[1]], shorter)
        assert np.unique(shorter[1:], axis=0).shape[0] > 20  # most codes are 0: noise is low
        own = words(quiet, "an event", path).samples.codes["central_x"]
        assert not np.array_equal(own, longer)


def test_shared_draws_do_not_depend_on_chunks_or_neighbours(twins):
    both = demands(twins, sensor_draws="shared", chunk=7)
    (alone,) = demands(twins[1:], sensor_draws="shared")
    assert np.array_equal(both[1], alone)


def test_ranges_meet_the_same_noise(twins):
    """Noise that is kept for the next sensor set is the noise of a set by itself."""
    sets = ["standard", "central_100g", "central_70g"]
    options = {"events": twins[:1], "draws": DRAWS, "vary": "sensor"}
    together = crashsense.evaluate(sensor_sets=sets, **options).verdicts
    for name in sets:
        alone = crashsense.evaluate(sensor_sets=[name], **options).verdicts
        rows = together[together["sensor_set"] == name].reset_index(drop=True)
        assert rows.equals(alone)


def test_a_folder_says_what_its_events_share(twins, tmp_path):
    run = crashsense.evaluate(
        events=["hammer_tunnel"], draws=3, sensor_draws="shared", out=tmp_path / "run"
    )
    assert run.summary()["sensor_draws"] == "shared"
    assert '"sensor_draws": "shared"' in (run.folder / "provenance.json").read_text()
    again = crashsense.replay(crashsense.open_run(run.folder), "hammer_tunnel", draw=2)
    assert again.differences == ()


def test_another_word_is_refused():
    with pytest.raises(InputError, match="sensor_draws"):
        crashsense.evaluate(events=["hammer_tunnel"], draws=3, sensor_draws="same")


def test_a_bank_serves_threads():
    bank = NoiseBank(most_bytes=3 * 80)

    def ask(start):
        for k in range(400):
            key = (start + k) % 7
            assert bank.get(key, lambda key=key: np.full(10, float(key)))[0] == key

    with ThreadPoolExecutor(4) as pool:
        for done in [pool.submit(ask, start) for start in range(4)]:
            done.result()
    assert bank._bytes == sum(noise.nbytes for noise, _ in bank._kept.values()) <= 3 * 80
    bank.clear()
    assert bank._bytes == 0


def test_a_bank_keeps_what_fits():
    bank = NoiseBank(most_bytes=2 * 80)
    made = []

    def make(number):
        made.append(number)
        return np.full(10, float(number))

    for number in (1, 2, 1, 3, 1, 2):
        assert bank.get(number, lambda number=number: make(number))[0] == number
    assert made == [1, 2, 3, 2]
    with pytest.raises(ValueError, match="read-only"):
        bank.get(1, lambda: make(1))[0] = 0.0
