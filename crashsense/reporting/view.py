"""The contents of a report as plain numbers: the only place that knows both run and report."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crashsense import __version__
from crashsense.reporting.summary import merged_notes
from crashsense.results.run import described
from crashsense.results.tally import Pair, Tally, counted, labels_of, pairs_of
from crashsense.results.views import EventView, stored_views

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.reporting.changes import Changes


@dataclass(frozen=True, eq=False)
class RunView:
    """A run as the summary and the page need it.

    ``nominal`` holds the verdict rows of draw 0, events in the order of the plan; ``tally`` what is
    known of all draws; ``gating`` algorithm -> whether it decides the exit code.
    """

    nominal: pd.DataFrame
    tally: Tally
    gating: Mapping[str, bool]
    separation: Sequence[Mapping[str, Any]]
    seed: int
    folder: Path | None
    notes: Sequence[str] = ()
    #: name of an event -> its view; called one event at a time, so that a page of a big run needs
    #: the traces of one event in memory, not of all
    event_view: Callable[[str], EventView] | None = None
    provenance: Mapping[str, str] = field(default_factory=dict)
    #: statistics over the random draws (:meth:`crashsense.results.Run.statistics`); None: no draws
    statistics: Callable[[], pd.DataFrame] | None = None
    #: statistics of whole draws, one entry for each sensor set and algorithm; empty without draws
    whole_draws: Sequence[Mapping[str, Any]] = ()
    #: in the order asked for; empty: by name
    sensor_sets: Sequence[str] = ()
    #: parts and elements of each sensor set (:func:`sensor_entries`); empty: not stored
    sensors: Sequence[Mapping[str, Any]] = ()
    #: algorithm -> restraints that have a rule; an algorithm that is missing has all
    rules: Mapping[str, Sequence[str]] = field(default_factory=dict)
    #: algorithm -> the events on which its numbers were chosen, where it says so
    fitted_to: Mapping[str, str] = field(default_factory=dict)
    #: title of the page; empty: the usual one
    title: str = ""
    #: what changed since an earlier run, where one is named
    changes: Changes | None = None

    @cached_property
    def pairs(self) -> list[Pair]:
        """All sensor sets and algorithms, those that decide first, in the order asked for."""
        return pairs_of(self.nominal, gating=self.gating, sensor_sets=self.sensor_sets)

    @property
    def deciding(self) -> list[Pair]:
        """Those whose algorithm decides the exit code."""
        return [pair for pair in self.pairs if self.gating.get(pair[1], False)]

    @property
    def shown(self) -> list[Pair]:
        """Those whose details the terminal shows: the deciding ones, or all if none decides."""
        return self.deciding or self.pairs

    @cached_property
    def labels(self) -> dict[Pair, str]:
        """Label of each pair; the sensor set is named if there are several."""
        return labels_of(self.pairs)

    @cached_property
    def counts(self) -> Mapping[Pair, Mapping[str, int]]:
        """Nominal verdicts of each pair (:func:`crashsense.results.tally.counted`)."""
        return counted(self.nominal)

    def rows_shown(self) -> pd.DataFrame:
        """Nominal rows of what is shown."""
        keys = zip(self.nominal["sensor_set"], self.nominal["algorithm"], strict=True)
        shown = set(self.shown)
        return self.nominal[[key in shown for key in keys]]


def view_of(run: Any) -> RunView:
    """Return the view of a :class:`crashsense.results.Run`, or a view as it is."""
    if isinstance(run, RunView):
        return run
    summary = run.summary()
    if "rules" not in summary:  # a run of an earlier version
        summary = {**summary, **described(run.plan)}
    event_view = None
    if run.folder is not None:
        event_view = stored_views(run.folder, held=run.nominal_parts)
        run.nominal_parts.clear()  # they are held by the view, where it wants them
    if event_view is None:  # sensed again
        from crashsense.results.nominal import computed_views

        event_view = computed_views(run.plan)
    order = {name: place for place, name in enumerate(summary["events"])}
    nominal = run.nominal
    # Plain Python text: the page looks rows up by the thousand, where Arrow text is slow.
    words = [name for name in nominal.columns if nominal[name].dtype == "str"]
    nominal = nominal.astype(dict.fromkeys(words, object))
    nominal = nominal.sort_values(
        "event", key=lambda names: names.map(order), kind="stable", ignore_index=True
    )
    draws = summary["draws"]
    return RunView(
        nominal=nominal,
        tally=run.tally,
        gating=summary["gating"],
        separation=summary["separation"],
        seed=int(summary["seed"]),
        folder=None if run.folder is None else Path(run.folder),
        notes=merged_notes(summary["notes"]),
        event_view=event_view,
        provenance={"version": __version__},
        statistics=run.statistics if draws else None,
        whole_draws=summary["over_draws"]["whole_draws"] if draws else (),
        sensor_sets=summary["sensor_sets"],
        sensors=summary.get("sensors", ()),
        rules=summary["rules"],
        fitted_to=summary["fitted_to"],
    )
