"""Reasons of mutants in scoring, filters, rules, results, campaign and trials."""

from __future__ import annotations

SAME: dict[tuple[str, str, str], str] = {
    (
        "crashsense/scoring.py",
        "in_time = fired & (fire <= required_s + TOLERANCE_S)",
        "LtE -> Lt",
    ): "the tolerance is there so that equality itself never decides",
    (
        "crashsense/scoring.py",
        "if compiled is not None and np.all(np.diff(scales) >= 0.0):",
        "GtE -> Gt",
    ): "which of two twins computes equal scales; where scales fall, a test says it",
    ("crashsense/signal.py", "_REACH = 26", ""): "how steep the filter is: a choice",
    (
        "crashsense/signal.py",
        "rows = values.reshape(-1, values.shape[-1])",
        "1 -> 2 (1)",
    ): "numpy takes any negative length as the one that is left",
    (
        "crashsense/signal.py",
        "taps *= np.i0(8.0 * np.sqrt(1 - (place / middle) ** 2.0)) / np.i0(8.0)",
        "Div -> Mult (2)",
    ): "a factor of all taps, which are brought to gain 1 afterwards",
    (
        "crashsense/campaign/running.py",
        "for part in folder.tables(occurrence=where[name], packed=True):",
        "True -> False",
    ): "packed text takes less memory; it is unpacked before it is used",
    (
        "crashsense/signal.py",
        "first = max(0, int(np.ceil((first_s - self.start_s) * self.rate_hz - 1e-6)))",
        "1e-06 -> 1.5e-06",
    ): "a millionth of a sample: any bound between rounding and half a sample does the same",
    (
        "crashsense/signal.py",
        "last = min(self.size - 1, int(np.floor((last_s - self.start_s) * self.rate_hz + 1e-6)))",
        "1e-06 -> 1.5e-06",
    ): "as above",
    (
        "crashsense/sensing/channel_faults.py",
        'found.append(Fault(file, "fault", text[:80], expected))',
        "80 -> 81",
    ): "how much of a wrong text a message shows",
    (
        "crashsense/campaign/tasks.py",
        "if work(held) >= wanted * (1.0 - 1e-9):",
        "1e-09 -> 1.5000000000000002e-09",
    ): "rounding of sums: any bound between it and the work of a task does the same",
    (
        "crashsense/campaign/tasks.py",
        "KEPT_SHARE = 8",
        "",
    ): "how large a part is: a choice; how parts are cut never changes a row",
    ("crashsense/campaign/tasks.py", "ROWS_OF_SHARED_PULSE = 2**15", ""): "as above",
    ("crashsense/campaign/tasks.py", "ROWS_OF_FAMILIES = 2**17", ""): "as above",
    ("crashsense/campaign/tasks.py", "ROWS_A_PART = 2**13", ""): "as above",
    (
        "crashsense/campaign/tasks.py",
        "unit = SENSED_BLOCK if most >= SENSED_BLOCK else BLOCK",
        "GtE -> Gt",
    ): "at equality either unit gives a part of SENSED_BLOCK draws",
    (
        "crashsense/campaign/running.py",
        "SLOW_OCCURRENCE_S, SLOW_DRAW_S = 0.1, 0.02",
        "",
    ): "up to which plan nothing is measured: a choice",
    (
        "crashsense/campaign/running.py",
        "failures = 0",
        "",
    ): "told only where parts are missing and somebody listens, and there they are counted",
    (
        "crashsense/campaign/executors.py",
        "LOOK_SECONDS, LOST_SECONDS = 5.0, 60.0",
        "",
    ): "how often a cluster is looked at, and how long workers are waited for: choices",
    (
        "crashsense/campaign/executors.py",
        "while waiting and len(running) < 2 * self.workers:",
        "2 -> 3",
    ): "how many bundles wait beside those that run: a choice",
    (
        "crashsense/campaign/executors.py",
        'reason = " ".join(f"{type(error).__name__}: {error}".split())[:120].rstrip(": ")',
        "120 -> 121",
    ): "how much of a reason a message shows",
    (
        "crashsense/campaign/executors.py",
        "shared = self.client.scatter(_packed_job(job), broadcast=True, hash=False)",
        "",
    ): "how a job travels, not what is in it",
    (
        "crashsense/campaign/evaluation.py",
        "times = trial.times_s if rows else np.empty((0, 0))",
        "",
    ): "without rows no time is read",
    (
        "crashsense/results/plot.py",
        "axes.plot([row.required_ms] * 2, [place - 0.4, place + 0.4], color=INK, lw=2.2)",
        "0.4 -> 0.6000000000000001 (1)",
    ): "how tall a mark is drawn",
    (
        "crashsense/results/plot.py",
        "axes.plot([row.required_ms] * 2, [place - 0.4, place + 0.4], color=INK, lw=2.2)",
        "0.4 -> 0.6000000000000001 (2)",
    ): "how tall a mark is drawn",
    (
        "crashsense/results/nominal.py",
        "if not (np.abs(raw) >= QUIET_PART * sensor.range).any():",
        "GtE -> Gt",
    ): "a largest value equals a part of the range by chance alone",
    (
        "crashsense/results/views.py",
        "filled[:, size:] = rows[:, -1:]",
        "1 -> 2",
    ): "what fills the last bin stands for the last point, which is kept anyway",
    (
        "crashsense/results/views.py",
        "latest = max([0.0, *(t for t in times_ms if t == t)])",
        "0.0 -> 1.0",
    ): "up to 28 ms the window ends at 60 ms anyway",
    ("crashsense/results/views.py", "HELD_BYTES = 50_000_000", ""): (
        "how much is held in memory never changes what is read"
    ),
    (
        "crashsense/results/nominal.py",
        "beyond_ms=intervals(own, np.abs(raw) > limit),",
        "Gt -> GtE",
    ): "a sample equals the range by chance alone",
    (
        "crashsense/results/views.py",
        "origin_ms: float = 0.0",
        "0.0 -> 1.0",
    ): "read only where an occupant flies, and then it is given",
    (
        "crashsense/results/plot.py",
        "axes.set_axisbelow(True)",
        "",
    ): "whether a line of the grid lies before or behind a bar",
    (
        "crashsense/results/folder.py",
        'return text if len(text) <= 60 else text[:57] + "..."',
        "LtE -> Lt",
    ): "how much of a value a message shows",
    (
        "crashsense/results/folder.py",
        'return text if len(text) <= 60 else text[:57] + "..."',
        "60 -> 61",
    ): "as above",
    (
        "crashsense/results/folder.py",
        'reason = " ".join(str(error).split())[:120]',
        "120 -> 121",
    ): "how much of a reason a message shows",
    (
        "crashsense/rules/per_sample.py",
        'return text if len(text) <= 60 else f"{text[:57]}..."',
        "60 -> 61",
    ): "how much of a text a message shows",
    ("crashsense/results/folder.py", "return True  # locked by Windows", "True -> False"): (
        "systems without advisory locks of POSIX, where this tool does not run"
    ),
    (
        "crashsense/results/folder.py",
        "return False  # locked by Windows for another",
        "False -> True",
    ): "as above",
    (
        "crashsense/results/views.py",
        "places = start + _extremes(rows[:, start:stop], most=MOST_POINTS - 3)",
        "3 -> 4",
    ): "of an odd number and of the even one below it half as many pairs are made",
    (
        "crashsense/results/statistics.py",
        'drawn = generator(0, "bootstrap").multinomial(n, times / n, size=resamples)',
        "0 -> 1",
    ): "another seed is as good",
    (
        "crashsense/results/statistics.py",
        "near = max(math.ceil(float(bdtrik(level, n, p))), 0)",
        "0 -> 1",
    ): "the next line steps down from 1 to 0",
    (
        "crashsense/results/statistics.py",
        "return near - 1 if near > 0 and float(bdtr(near - 1, n, p)) >= level else near",
        "Gt -> GtE",
    ): "fewer than no success have no chance",
    (
        "crashsense/trials/explain.py",
        "share = math.floor(100.0 * value / threshold + 1e-9) if threshold else math.inf",
        "1e-09 -> 1.5000000000000002e-09",
    ): "any bound beyond rounding does the same",
    (
        "crashsense/trials/explain.py",
        "reached = 0.0 if one.why is None else one.why.demand",
        "0.0 -> 1.0",
    ): "those without a reason were left out before",
    (
        "crashsense/sensing/transport.py",
        "arrived = (drawn >= lost) | ~noisy[:, None]",
        "GtE -> Gt",
    ): "a uniform number equals it once in 2^53",
    (
        "crashsense/results/tally.py",
        "found = self._failed.get(pair, np.empty(0, dtype=np.int64))[1:]",
        "0 -> 1",
    ): "what stands for draw 0 is left out again",
    ("crashsense/rules/program.py", "registers = 0", "0 -> 1"): "one register more than is used",
    ("crashsense/rules/program.py", "MOST = 4000", ""): "how long a program may be: a choice",
    ("crashsense/rules/program.py", "_NEVER = -float(2**40)", "2 -> 3"): "as good as for ever",
    (
        "crashsense/rules/program.py",
        "_ONE = ((0.0, 1),)",
        "1 -> 2",
    ): "one row of memory more than is used",
    (
        "crashsense/rules/program.py",
        "return self._line(op.WINDOW_SUM, (value,), n=ticks, memory=((0.0, 1 + ticks),))",
        "1 -> 2",
    ): "as above",
    ("crashsense/rules/program.py", "ticks = min(ticks, self.size + 1)", "1 -> 2"): (
        "longer than the draw: what stands before the first tick is never left"
    ),
    ("crashsense/rules/program.py", "if len(self.lines) >= MOST:", "GtE -> Gt"): (
        "how long a program may be: a choice"
    ),
    ("crashsense/rules/python_apart.py", "_CLOSED = -1", "1 -> 2"): "any number that no file has",
    (
        "crashsense/rules/polyline.py",
        "out = np.where(v * u0 <= u * v0, here, out)",
        "LtE -> Lt",
    ): "on the ray of a vertex, where both pieces of the line meet",
    (
        "crashsense/rules/polyline.py",
        "return np.asarray(np.where(v * last_u <= u * last_v, beyond, out), dtype=np.float64)",
        "LtE -> Lt",
    ): "as above",
    (
        "crashsense/rules/conformance.py",
        "if not over.size or over[0] >= given.pulses.size - 20:",
        "20 -> 21",
    ): "how many samples are left at least: a choice",
    (
        "crashsense/rules/conformance.py",
        "_demand(rule, _changed_after(one, tick, scale=scale))[0, tick + 1 :]",
        "1 -> 2",
    ): "demand that its samples move for one tick more and never again latches as well",
    (
        "crashsense/rules/conformance.py",
        "for _ in range(3):",
        "3 -> 4",
    ): "how often a time is taken: a choice",
    (
        "crashsense/rules/conformance.py",
        "if not over.size or over[0] >= given.pulses.size - 20:",
        "GtE -> Gt",
    ): "as above",
    (
        "crashsense/rules/contract.py",
        "if rates is None or any(abs(rate_hz - rate) <= 1e-9 * rate for rate in rates):",
        "1e-09 -> 1.5000000000000002e-09",
    ): "any bound between rounding and another rate does the same",
    (
        "crashsense/rules/contract.py",
        "if rates is None or any(abs(rate_hz - rate) <= 1e-9 * rate for rate in rates):",
        "LtE -> Lt",
    ): "the tolerance is there so that equality itself never decides",
    (
        "crashsense/rules/conformance.py",
        "pulses[name] = _AMPLITUDE[unit] * (shape + 0.05 * noise) / (1.0 + 0.3 * number)",
        "0.05 -> 0.07500000000000001",
    ): "pulses to try rules with: other ones are as good",
    (
        "crashsense/rules/conformance.py",
        "pulses[name] = _AMPLITUDE[unit] * (shape + 0.05 * noise) / (1.0 + 0.3 * number)",
        "Add -> Sub (2)",
    ): "as above: channels differ either way",
    (
        "crashsense/rules/conformance.py",
        "other[:, tick + 1 :] = scale * values[:, tick + 1 :][:, ::-1] + 1.0",
        "sign or not left out",
    ): "futures to try rules with: other ones are as good",
    (
        "crashsense/rules/conformance.py",
        "for scale in (0.0, -1.0, 3.0):",
        "3.0 -> 4.5",
    ): "as above",
    (
        "crashsense/rules/conformance.py",
        "for scale in (0.0, -2.0, 2.0, 5.0)",
        "2.0 -> 3.0 (2)",
    ): "as above",
    (
        "crashsense/rules/conformance.py",
        "for level in (0.0, 0.3, -0.3)",
        "0.3 -> 0.44999999999999996 (2)",
    ): "as above",
    (
        "crashsense/rules/conformance.py",
        "sizes = np.unique(source.integers(1, given.pulses.size, size=12)).tolist()",
        "1 -> 2",
    ): "which prefixes are tried: a choice",
    (
        "crashsense/rules/conformance.py",
        '_NOISE = {"m/s^2": 1.0, "Pa": 50.0, "rad/s": 0.005}',
        "",
    ): "noise of a sound sensor at rest: a choice",
    ("crashsense/rules/apart.py", "START_S = 30.0", ""): "how long a start may take: a choice",
    (
        "crashsense/rules/algorithm.py",
        "if depth > 50:",
        "50 -> 51",
    ): "how deep is followed: a choice",
    (
        "crashsense/rules/apart.py",
        "if left <= 0 or not select.select([], [descriptor], [], left)[1]:",
        "LtE -> Lt",
    ): "no time is left either way: select returns at once",
    (
        "crashsense/rules/apart.py",
        "if left <= 0 or not select.select([descriptor], [], [], left)[0]:",
        "LtE -> Lt",
    ): "as above",
    (
        "crashsense/trials/plot.py",
        "if axes.get_legend_handles_labels()[0]:",
        "0 -> 1",
    ): "as many handles as labels",
    (
        "crashsense/trials/plot.py",
        "axes.set_ylim(0.0, 1.05 * HIGHEST_DEMAND)",
        "1.05 -> 1.5750000000000002",
    ): "how much room is left above",
    (
        "crashsense/trials/lanes.py",
        "places = engine.given(np.arange(last - first))",
        "Sub -> Add",
    ): "the kernel reads as many places as there are rows",
    ("crashsense/trials/explain.py", "MOST_LINES = 15", ""): "how long a table may be: a choice",
    ("crashsense/trials/plot.py", "LEAST_DEMAND = 0.1", ""): "which demand is too small to see",
    ("crashsense/trials/plot.py", "MOST_CHANNELS = 3", ""): "how many channels are drawn: a choice",
    ("crashsense/trials/plot.py", "if low <= value <= high:", ""): (
        "the end of an axis equals a range by chance alone"
    ),
    (
        "crashsense/trials/plot.py",
        "HIGHEST_DEMAND = 2.0",
        "",
    ): "up to which demand is drawn: a choice",
    ("crashsense/trials/block.py", "BLOCK = 2 * PAGE", ""): (
        "draws that are computed together never change a number (test_trial)"
    ),
    (
        "crashsense/rules/maps.py",
        "((0.0, 2.0), (10.0, 1.4), (40.0, 1.8), (100.0, 4.0)),",
        "",
    ): "a default line: another choice is as good",
    (
        "crashsense/rules/conformance.py",
        "sizes = np.unique(source.integers(1, given.pulses.size, size=12)).tolist()",
        "12 -> 13",
    ): "how many prefixes are tried; that they find what they must, rules broken on purpose show",
    (
        "crashsense/rules/running.py",
        "GROUP = 12",
        "",
    ): "groups of any size give the same to rounding",
    ("crashsense/rules/running.py", "FEW_SAMPLES = 7_000", ""): "both ways give the same extremes",
    (
        "crashsense/rules/running.py",
        "if values.size < FEW_SAMPLES:",
        "Lt -> LtE",
    ): "both ways give the same extremes",
    (
        "crashsense/rules/kernels.py",
        "powers = decay ** np.arange(1, count + 1, dtype=np.float64)",
        "1 -> 2 (2)",
    ): "one power more than is used",
    (
        "crashsense/rules/kernels.py",
        "out *= out >= AT_REST_M_S",
        "GtE -> Gt",
    ): "far below one code of any sensor, and beyond rounding: equality never decides",
    (
        "crashsense/rules/why.py",
        "before = np.flatnonzero(one.times_s[0] <= by_s + 1e-9)",
        "LtE -> Lt",
    ): "the tolerance is there so that equality itself never decides",
    (
        "crashsense/rules/apart.py",
        "view = view[os.write(descriptor, view[:65536]) :]",
        "65536 -> 65537",
    ): "how much is written at once",
    (
        "crashsense/rules/loading.py",
        'name = "crashsense_rule_" + hashlib.sha256(str(path).encode()).hexdigest()[:16]',
        "16 -> 17",
    ): "how much of a checksum makes a name",
    (
        "crashsense/rules/worker.py",
        "now = 0",
        "0 -> 1",
    ): "a byte more for a rule, on systems that do not say what a process takes",
    (
        "crashsense/rules/conformance.py",
        '_AMPLITUDE = {"m/s^2": 600.0, "Pa": 30000.0, "rad/s": 6.0}',
        "",
    ): "how strong the pulses are: that they fire what they try, a test shows",
    (
        "crashsense/rules/conformance.py",
        "(ticks >= size // 8) & (ticks < size // 2),",
        "",
    ): "pulses to try rules with: other ones are as good, which rules broken on purpose show",
    (
        "crashsense/rules/conformance.py",
        "np.sin(np.pi * (ticks - size // 8) / (size // 2 - size // 8)),",
        "",
    ): "as above",
    (
        "crashsense/rules/conformance.py",
        "offsets = np.array([1.0, -1.0, 0.0, 0.5])[:, None] * _OFFSET[unit]",
        "",
    ): "as above",
    (
        "crashsense/rules/conformance.py",
        "shape = np.stack([hump, -hump, hump * np.sin(0.7 * ticks), 0.2 * noise[3], -0.3 * hump])",
        "",
    ): "pulses to try rules with: other ones are as good, which rules broken on purpose show",
    (
        "crashsense/rules/conformance.py",
        "for tick in (1, size // 8, size // 4, size // 2, size - 2):",
        "",
    ): "where the future is changed: other places are as good",
}
