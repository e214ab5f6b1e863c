"""Mutants that do the same as the original, each with the reason why no test can notice it."""

from __future__ import annotations

from mutation_reasons import records, rooms, sensing

#: (module, line of the original, its change or empty: any) -> why no test can notice. Of several
#: like changes on a line ``(2)`` is the second.
SAME: dict[tuple[str, str, str], str] = {**rooms.SAME, **sensing.SAME, **records.SAME}
