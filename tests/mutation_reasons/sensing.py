"""Reasons of mutants in the signal chain."""

from __future__ import annotations

SENSING = "crashsense/sensing/"
ROUNDING = "any bound between rounding and a whole one does the same"
TOGETHER = "how much is computed at once never changes a number (test_sense, test_parts)"
KEPT = "what is kept never changes a number"
ASSUMED = "an assumed value: another is as good"

SAME: dict[tuple[str, str, str], str] = {
    (f"{SENSING}{module}", line, change): why
    for module, line, change, why in (
        (
            "timebase.py",
            "ticks = (end - 1 - int(PHASES[-1] * every + 1e-9) - tick) // every + 1",
            "1e-09 -> 1.5000000000000002e-09",
            ROUNDING,
        ),
        (
            "timebase.py",
            "return int(PHASES[phase] * self.every + 1e-9)",
            "1e-09 -> 1.5000000000000002e-09",
            ROUNDING,
        ),
        (
            "one_sensor.py",
            "most=int(sensor.hold_limit_s * sensor.sample_rate_hz + 1e-9),",
            "1e-09 -> 1.5000000000000002e-09",
            ROUNDING,
        ),
        (
            "chain.py",
            "if roots.size < 2 or abs(roots[0].imag) < 1e-12:",
            "0 -> 1",
            "either of a pair of poles will do",
        ),
        ("chain.py", "s = np.log(roots[0])", "0 -> 1", "either of a pair of poles will do"),
        (
            "one_sensor.py",
            "last = np.maximum.accumulate(np.where(good, np.arange(values.shape[1]), -1), axis=-1)",
            "1 -> 2 (2)",
            "any number below the first place",
        ),
        ("groups.py", "GROUP = 2 * PAGE", "", TOGETHER),
        ("sense.py", "PIECE_SAMPLES = 1_000_000", "", TOGETHER),
        ("sense.py", "PART_TICKS = 320_000", "", TOGETHER),
        ("sense.py", "PART_SAMPLES = 2 * PART_TICKS", "", TOGETHER),
        ("disturbance.py", "NOISE_WORDS = 320_000", "", TOGETHER),
        ("chain.py", "KEPT_SAMPLES = 20_000", "", KEPT),
        ("common.py", "MOST_BYTES = 48_000_000", "", KEPT),
        ("noise.py", "noise_models = lru_cache(maxsize=128)(NoiseModels)", "", KEPT),
        ("disturbance.py", "if not ahead or int(rows[-1]) < lead:", "Lt -> LtE", TOGETHER),
        ("sensor.py", "resonance_hz: float = 20_000.0", "", ASSUMED),
        (
            "groups.py",
            "edges = np.flatnonzero(np.diff(setting, append=-1)) + 1",
            "1 -> 2 (1)",
            ("any number that is no setting"),
        ),
        (
            "tolerance.py",
            "numbers = random_draws.uniforms_of(names, draws, width=1, seed=seed)[:, :, 0]",
            "1 -> 2",
            "the first column is the same, and alone is read",
        ),
        (
            "mechanics.py",
            "return float(brentq(net, 0.0, touching, xtol=1e-14)) * gap",
            "1e-14 -> 1.5e-14",
            ROUNDING,
        ),
        *(
            (
                "mechanics.py",
                "_WIDE, _LONG = range(1, 48, 2), range(1, 80, 2)",
                change,
                ("the same odd numbers"),
            )
            for change in ("48 -> 49", "80 -> 81")
        ),
        (
            "element.py",
            "z = np.array([[a, b, a, a, b, 0.0] for a in worst for b in worst])",
            "0.0 -> 1.0",
            "where the mass rests moves no stiffness",
        ),
        (
            "element.py",
            "if element.drive >= limit:",
            "GtE -> Gt",
            "a drive equals the computed limit by chance alone",
        ),
        ("quiet.py", "draws=range(1, QUIET_DRAWS + 1),", "1 -> 2 (1)", "other draws are as good"),
        ("quiet.py", "draws=range(1, QUIET_DRAWS + 1),", "1 -> 2 (2)", "other draws are as good"),
        (
            "chain.py",
            "out[table.size :] = 0.0",
            "0.0 -> 1.0",
            "read by lanes beyond the last word, which nothing keeps",
        ),
        ("element_design.py", "finger: float = 3e-6", "", ASSUMED),
        (
            "element_design.py",
            "pressures: tuple[float, float] = (100.0, mechanics.ATMOSPHERE)",
            "",
            ASSUMED,
        ),
        ("element_design.py", "largest_side: float = 2e-3", "", ASSUMED),
        ("element_design.py", "smallest_side: float = 300e-6", "", ASSUMED),
        ("element_design.py", "aspect: float = 0.8", "", ASSUMED),
        ("quiet.py", "QUIET_S, QUIET_DRAWS = 0.5, 16", "", "how long is watched: a choice"),
        (
            "mechanics.py",
            "if net(0.0) <= 0.0:",
            "LtE -> Lt",
            "at equality the root that is sought is 0 itself",
        ),
        (
            "element.py",
            "made = self.state(with_film=False, **by)",
            "False -> True",
            "nothing that is read of it depends on the film, which takes time",
        ),
        (
            "channel_faults.py",
            "if partner not in sensor_set.sensors or (partner in wanted and partner < channel):",
            "Lt -> LtE",
            "no channel is its own partner",
        ),
    )
}
