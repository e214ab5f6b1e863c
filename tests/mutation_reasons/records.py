"""Reasons of mutants in records."""

from __future__ import annotations

from mutation_reasons.sensing import ROUNDING, TOGETHER

RECORDS = "crashsense/records/"
SIZE = "how much is read: a choice"
CHANCE = "a measured value equals a limit of practice by chance alone"

SAME: dict[tuple[str, str, str], str] = {
    (f"{RECORDS}{module}", line, change): why
    for module, line, change, why in (
        (
            "signal_checks.py",
            "span = max(4, round(0.002 * rate))",
            "4 -> 5",
            "how far around a repeated value is looked at below 2 kHz: a choice",
        ),
        (
            "table_checks.py",
            "if change_kmh > limit:",
            "Gt -> GtE",
            CHANCE,
        ),
        (
            "table_events.py",
            "ratio = Fraction(EVENT_RATE_HZ / rate_hz).limit_denominator(1000)",
            "1000 -> 1001",
            "rates are ratios of small whole numbers: any limit far above them does the same",
        ),
        *(
            (
                "measuring.py",
                "elif mine > _SURE_M_S and others[0] < -_SURE_M_S:",
                change,
                CHANCE,
            )
            for change in ("Gt -> GtE", "Lt -> LtE")
        ),
        *(
            (
                "motion.py",
                "above = (power >= limit**2) & (later[: power.size] >= limit**2)",
                f"GtE -> Gt ({which})",
                CHANCE,
            )
            for which in (1, 2)
        ),
        (
            "signal_checks.py",
            "lively = before.size > 1 and float(before.std()) > moved",
            "Gt -> GtE (1)",
            "a single value has no deviation",
        ),
        (
            "signal_checks.py",
            "lively = before.size > 1 and float(before.std()) > moved",
            "Gt -> GtE (2)",
            CHANCE,
        ),
        (
            "signal_checks.py",
            "bad = min(step, least) > _TOO_COARSE_G",
            "Gt -> GtE",
            "steps are differences of rounded numbers: equality never decides",
        ),
        (
            "table.py",
            "if near > 0 and abs(near / measured - 1.0) <= doubt:",
            "LtE -> Lt",
            CHANCE,
        ),
        (
            "crash_events.py",
            "same = signal.size == central.size and abs(signal.start_s - central.start_s) < 1e-9",
            "1e-09 -> 1.5000000000000002e-09",
            ROUNDING,
        ),
        *(
            ("archives.py", "MOST_RATIO, ALWAYS_BYTES = 50, 8 * 1024 * 1024", change, SIZE)
            for change in ("50 -> 51", "8 -> 9", "1024 -> 1025 (1)", "1024 -> 1025 (2)")
        ),
        ("archives.py", "MOST_MEMBERS = 20_000", "", SIZE),
        ("formats.py", "_MOST_FILES = 20_000", "", SIZE),
        ("manifest.py", "MOST_RECORDS = 10_000", "", SIZE),
        ("iso13499.py", "_MOST_LINES = 500", "", SIZE),
        ("iso13499.py", "if count > _MOST_LINES:", "Gt -> GtE", SIZE),
        (
            "iso13499.py",
            'scale = acceleration_scale(head.text("unit")) or 1.0',
            "1.0 -> 1.5",
            "the class of a channel that is no acceleration is not read",
        ),
        ("formats.py", "_OPENING = 65536", "", SIZE),
        (
            "archives.py",
            "shutil.rmtree(target, ignore_errors=True)",
            "True -> False",
            "the folder was just made; what cannot be removed goes with the process",
        ),
        (
            "library.py",
            "content = json_content(read_text(listed, most_bytes=64 << 20), file=LIBRARY)",
            "",
            SIZE,
        ),
        ("single.py", "_MOST_WORDS = 60", "", SIZE),
        ("table.py", "MOST_VALUES = 10_000_000", "", SIZE),
        ("table.py", "LONGEST_LINE = 1_000_000", "", SIZE),
        ("table.py", "_MOST_COMMENTS = 1000", "", SIZE),
        ("table.py", "_MOST_COLUMNS = 200", "", SIZE),
        ("table.py", "_PORTION = 20_000", "", TOGETHER),
        ("exchange.py", "MOST_CHANNELS = 5000", "", SIZE),
        (
            "table.py",
            "start = round(middle - 0.5 * (times.size - 1) / rate, 9)",
            "9 -> 10",
            "any digit between the rounding of sums and that of a column with six decimals",
        ),
        (
            "iso13499.py",
            "empty = np.zeros(0)",
            "0 -> 1",
            "of a series without values only words and code are read",
        ),
    )
}
