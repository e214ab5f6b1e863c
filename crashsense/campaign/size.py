"""Size, time and disk of a plan, in numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Estimate:
    """Size, time and disk of a plan, before it is run."""

    events: int
    sensor_sets: int
    algorithms: int
    draws: int
    evaluations: int
    rows: int
    seconds: float
    bytes: int
    workers: int

    def __str__(self) -> str:
        return (
            f"{self.events} events x {self.sensor_sets} sensor sets x {self.algorithms} algorithms "
            f"x {self.draws} draws (the nominal one included) = {self.evaluations} evaluations, "
            f"{self.rows} rows\n"
            f"about {long_time(self.seconds)} with {self.workers} worker(s), "
            f"about {large_size(self.bytes)} on disk"
        )


def long_time(seconds: float) -> str:
    """A time in words.

    >>> long_time(4.2), long_time(5400.0), long_time(260000.0)
    ('4 s', '1.5 h', '3.0 days')
    """
    for size, word in ((86_400.0, "days"), (3_600.0, "h"), (120.0, "min")):
        if seconds >= size:
            return f"{seconds / (60.0 if word == 'min' else size):.1f} {word}"
    return f"{seconds:.0f} s"


def large_size(size: float) -> str:
    """A number of bytes in words.

    >>> large_size(2.5e6), large_size(3.2e12)
    ('2.5 MB', '3.2 TB')
    """
    for unit, word in ((1e12, "TB"), (1e9, "GB")):
        if size >= unit:
            return f"{size / unit:.1f} {word}"
    return f"{size / 1e6:.1f} MB"
