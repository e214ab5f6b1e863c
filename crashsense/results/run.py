"""A run: an executed plan, in memory or in its folder, and how a folder is opened.

What only a plan needs is imported where there is one: a folder is read without it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from crashsense.errors import Fault, InputError, RunFolderError, unknown_name
from crashsense.event import ALL_RESTRAINTS
from crashsense.resources import CAUTION
from crashsense.results.folder import RunFolder, refuse_change, unpacked
from crashsense.results.intake import Intake
from crashsense.results.outcome import Outcome, outcome_of
from crashsense.results.tables import KEY, SCHEMA_VERSION, TABLES, VERDICT_SCHEMA, plain_rows_of
from crashsense.results.tally import TALLY_COLUMNS, Pair, Tally, count_entries, counts, pairs_of
from crashsense.scoring import separation
from crashsense.verdict_schema import PlainRow

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from crashsense.plan import Plan
    from crashsense.trials import Explanation

#: Written last: what the whole run came to.
SUMMARY = "summary.json"

#: Up to this many rows the verdicts of a run folder are read once and stay in memory: reading many
#: small parts is slow.
KEPT_ROWS = 100_000


class Run:
    """An executed plan. In memory, or a run folder read part by part."""

    def __init__(
        self,
        *,
        plan: Plan | None,
        folder: Path | None,
        tables: Mapping[str, Sequence[pa.Table]] | None = None,
        intake: Intake | None = None,
        stored_summary: Mapping[str, Any] | None = None,
        path: str = "auto",
        engine: str = "numpy",
        trust: bool = False,
        nominal_parts: Mapping[Path, pa.Table] | None = None,
    ) -> None:
        #: parts of the nominal table that have been read already
        self.nominal_parts = dict(nominal_parts or {})
        #: True: code of rules from the folder may run although this user has not evaluated it
        self.trust = trust
        #: how the samples were computed: "auto" (fast where it is exact enough) or "full"
        self.path = path
        self.engine = engine
        self._plan = plan
        self.folder = folder
        rows = None if intake is None else intake.rows()
        self._tables = tables if rows is None else {"verdicts": rows}
        #: what was taken from the parts as they came
        self._intake = intake
        self._summary = dict(stored_summary) if stored_summary is not None else None

    @property
    def is_resolved(self) -> bool:
        """True if the plan is in memory and its events are synthesised."""
        return self._plan is not None

    @property
    def in_memory(self) -> bool:
        """True if the verdicts are in memory."""
        return self._tables is not None

    def _keep_small(self) -> None:
        """Read the verdicts of a finished run once and keep them, if they are few."""
        rows = KEPT_ROWS + 1 if self._summary is None else self._summary["rows"]
        if self._tables is None and self.folder is not None and rows <= KEPT_ROWS:
            self._tables = {"verdicts": [RunFolder(self.folder).whole()]}

    @property
    def plan(self) -> Plan:
        """The resolved plan; of a folder read back it is resolved again from plan.toml."""
        if self._plan is None:
            if self.folder is None:
                raise RunFolderError("a run without plan and folder has no plan")
            from crashsense.results.stored_plan import plan_of

            self._plan = plan_of(self.folder, trust=self.trust)
        return self._plan

    def parts(
        self,
        table: str = "verdicts",
        *,
        columns: list[str] | None = None,
        nominal: bool = False,
    ) -> Iterator[Any]:
        """Yield a table part by part, as pandas frames: for runs that do not fit in memory.

        With *nominal* only draw 0, and only the parts that hold it are read.
        """
        if self._tables is not None and (table in self._tables or self.folder is None):
            import pyarrow.compute as pc

            for part in self._tables.get(table, ()):
                rows = part.filter(pc.equal(part.column("draw"), 0)) if nominal else part
                rows = rows if columns is None else rows.select(columns)
                yield unpacked(rows, TABLES[table][1]).to_pandas()
        elif self.folder is not None:
            for part in RunFolder(self.folder).tables(table, columns=columns, nominal=nominal):
                yield part.to_pandas()

    def rows(self, event: str, *, draw: int) -> pd.DataFrame:
        """Return the verdict rows of one event and draw, sorted by the key."""
        import pandas as pd
        import pyarrow.compute as pc

        parts: Iterable[pa.Table] = ()
        if self._tables is not None:
            parts = self._tables["verdicts"]
        elif self.folder is not None:
            folder = RunFolder(self.folder)
            parts = map(folder.read_part, folder.parts_of_draw(draw))
        # By columns: an expression is computed by another library, which is imported for it.
        found = [
            part.filter(
                pc.and_(pc.equal(part.column("event"), event), pc.equal(part.column("draw"), draw))
            )
            for part in parts
        ]
        frames = [unpacked(part, VERDICT_SCHEMA).to_pandas() for part in found if part.num_rows]
        if not frames:
            return VERDICT_SCHEMA.empty_table().to_pandas()
        return pd.concat(frames).sort_values(list(KEY), ignore_index=True)

    def plain_rows(self, event: str, *, draw: int) -> list[PlainRow]:
        """Return the same rows as plain values, of a small part of the run in a moment."""
        if self._tables is not None:
            found = plain_rows_of(self._tables["verdicts"], event=event, draw=draw)
        elif self.folder is not None:
            folder = RunFolder(self.folder)
            paths = folder.parts_of_draw(draw)
            likely = [path for path in paths if folder.may_hold(path, event=event)]
            found = plain_rows_of(map(folder.read_part, likely), event=event, draw=draw)
            if not found:  # by a damaged part, which is found when it is read
                found = plain_rows_of(map(folder.read_part, paths), event=event, draw=draw)
        else:
            found = []
        return sorted(found, key=lambda row: tuple(row[name] for name in KEY))

    @cached_property
    def verdicts(self) -> pd.DataFrame:
        """The whole verdict table, sorted by its key (event, draw, sensor_set, ...)."""
        import pandas as pd

        self._keep_small()
        frame = pd.concat(list(self.parts()))
        return frame.sort_values(list(KEY), ignore_index=True)

    @cached_property
    def nominal(self) -> pd.DataFrame:
        """Draw 0 of the verdict table; of a big run only the parts that hold it are read."""
        import pandas as pd

        if self._intake is not None:
            frames = [self._intake.nominal.to_pandas()]
        else:
            self._keep_small()
            frames = list(self.parts(nominal=True))
        return pd.concat(frames).sort_values(list(KEY), ignore_index=True)

    @cached_property
    def tally(self) -> Tally:
        """Counts over all rows, and what is met; every part is read once."""
        if self._intake is not None:
            return self._intake.tally
        self._keep_small()
        intake = Intake()
        if self._tables is None and self.folder is not None:
            parts = RunFolder(self.folder).tables(columns=TALLY_COLUMNS, packed=True)
        else:
            parts = iter((self._tables or {})["verdicts"])
        for part in parts:
            intake.count(part)
        return intake.tally

    @property
    def exit_code(self) -> int:
        """0: every requirement met by every gating algorithm; 1: some not met."""
        return self.tally.exit_code(self.summary()["gating"])

    def statistics(self) -> pd.DataFrame:
        """Probabilities and quantiles over draws 1 and up, one row a requirement.

        The columns are those of :meth:`crashsense.results.tally.Tally.statistics`.
        """
        return self._statistics.copy()

    @cached_property
    def _statistics(self) -> pd.DataFrame:
        return self.tally.statistics()

    def outcome(self, *, algorithm: str | None = None, sensor_set: str | None = None) -> Outcome:
        """What the nominal draw came to for one algorithm and sensor set: ``print`` its sentence.

        Without names: the first that decides the exit code.
        """
        pair = self._pair(algorithm, sensor_set)
        return outcome_of(self.nominal, pair, tally=self.tally)

    def explain(
        self,
        event: str,
        restraint: str,
        *,
        draw: int = 0,
        algorithm: str | None = None,
        sensor_set: str | None = None,
    ) -> Explanation:
        """Say why a restraint fired in an event of the run, or why not; the event is sensed anew.

        Without names: the first algorithm and sensor set that decide the exit code.

        Raises
        ------
        InputError : a name or draw that the run does not have
        RunFolderError : inputs changed since the run, and it holds no copy of them
        """
        from crashsense.results.replay import replay

        sensors, ruler = self._pair(algorithm, sensor_set)
        found = replay(self, event, draw=draw, sensor_set=sensors, algorithm=ruler)
        return found.trial.explain(restraint)

    def plot(
        self,
        *,
        restraint: str | None = None,
        algorithm: str | None = None,
        sensor_set: str | None = None,
        title: str = "",
    ) -> Figure:
        """Return a matplotlib figure of required and fire times, draws as a line from 5 to 95 %.

        Without names: every restraint that must fire, the first algorithm and sensor set that
        decide the exit code.
        """
        from crashsense.results.plot import timing_figure, timing_rows

        if restraint is not None and restraint not in ALL_RESTRAINTS:
            raise unknown_name("restraint", restraint, ALL_RESTRAINTS, file="run")
        sensors, ruler = self._pair(algorithm, sensor_set)

        def own(rows: pd.DataFrame) -> pd.DataFrame:
            return rows[(rows["sensor_set"] == sensors) & (rows["algorithm"] == ruler)]

        drawn = own(self.statistics()) if self.tally.draws else None
        rows = timing_rows(own(self.nominal), restraint, statistics=drawn)
        return timing_figure(rows, title=title or f"{ruler}, sensors {sensors}")

    def report(self, folder: str | Path | None = None, *, title: str = "") -> Path:
        """Write ``report.html`` into *folder* (default: the run's own) and return its path."""
        # A run is where a user looks for the page, which stands rooms above: by the front door.
        from crashsense import write_report

        target = self.folder if folder is None else Path(folder)
        if target is None:
            raise InputError([Fault("report", "folder", None, "a folder; this run has none")])
        target.mkdir(parents=True, exist_ok=True)
        return write_report(self, target, title=title)

    def _pair(self, algorithm: str | None, sensor_set: str | None) -> Pair:
        """Sensor set and algorithm by name, the deciding ones first."""
        summary = self.summary()
        pairs = pairs_of(
            self.nominal, gating=summary["gating"], sensor_sets=summary.get("sensor_sets", ())
        )
        for kind, name, at in (("sensor_set", sensor_set, 0), ("algorithm", algorithm, 1)):
            known = list(dict.fromkeys(pair[at] for pair in pairs))
            if name is not None and name not in known:
                raise unknown_name(kind, name, known, file="run")
        return next((s, a) for s, a in pairs if sensor_set in (None, s) and algorithm in (None, a))

    def __repr__(self) -> str:
        return f"<Run {self._words()}>"

    def _words(self) -> str:
        summary = self.summary()
        draws = f"nominal and {summary['draws']} draws" if summary["draws"] else "nominal"
        where = "in memory" if self.folder is None else str(self.folder)
        sensors, ruler = self._pair(None, None)
        return (
            f"{where}: {self.nominal['event'].nunique()} events, {draws}; exit code "
            f"{summary['exit_code']}\n {ruler}, sensors {sensors}: {self.outcome().sentence}"
        )

    def _repr_html_(self) -> str:
        head, _, sentence = self._words().partition("\n")
        table = counts(self.nominal).reset_index()
        shown = [name for name in table if table[name].dtype.kind not in "if" or table[name].any()]
        body = table[shown].to_html(index=False)
        return (
            f"<p><b>CAUTION</b>: {escape(CAUTION)}</p><p><b>{escape(sentence.strip())}</b></p>"
            f"<p>{escape(head)}</p>{body}"
        )

    def summary(self) -> dict[str, Any]:
        """Counts, failures, separation, seed and notes: what summary.json holds."""
        if self._summary is None:
            self._summary = _summarise(self)
        return self._summary


def _summarise(run: Run) -> dict[str, Any]:
    """Put together what summary.json holds; counts are of the nominal draw unless over draws."""
    from crashsense.plan.requirements import waivers_of

    plan, tally = run.plan, run.tally
    gating = {algorithm.name: algorithm.gate for algorithm in plan.algorithms}
    # Only where demand scales with the thresholds does the separation tell of other thresholds.
    scales = {
        (a.name, name): rule.scales for a in plan.algorithms for name, rule in a.rules.items()
    }
    return {
        "caution": CAUTION,
        "schema_version": SCHEMA_VERSION,
        "gating": gating,
        "fitted_to": {a.name: a.fitted_to for a in plan.algorithms if a.fitted_to},
        "requirements_met": {name: tally.met_by(name) for name in gating},
        "exit_code": tally.exit_code(gating),
        "counts": count_entries(tally.counts),
        "rows": tally.rows,
        "waived_failures": sum(totals.waived for totals in tally.nominal.values()),
        "over_draws": tally.over_draws(draws=plan.draws) if plan.draws else None,
        "separation": [
            {**_plain(s.as_dict()), "scales": scales.get((s.algorithm, s.restraint))}
            for s in separation(run.nominal)
        ],
        **plan.keys.of("draws"),
        "waivers": waivers_of(plan.events, on=date.today()),
        "notes": list(plan.notes),
        **described(plan),
    }


def described(plan: Plan) -> dict[str, Any]:
    """Names of a plan in its order, its sensors, and the restraints with a rule by algorithm."""
    from crashsense.results.sensor_entries import sensor_entries

    return {
        "events": [event.name for event in plan.events],
        "sensor_sets": [sensors.name for sensors in plan.sensor_sets],
        "sensors": sensor_entries(plan.sensor_sets),
        "rules": {algorithm.name: list(algorithm.rules) for algorithm in plan.algorithms},
    }


def _plain(content: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in content.items()
    }


def open_run(folder: str | Path, *, plan: Plan | None = None, trust: bool = False) -> Run:
    """Open a run folder; refuse anything else, a damaged one, or one of a later program.

    *plan* is needed to replay a run of objects made in Python, which a folder does not hold; it
    must be the plan of the run. Opening runs no code of the folder; what does so later (replay, a
    plan resolved again) runs rules in Python or C only if this user has evaluated them on this
    machine, or with *trust*.
    """
    found = RunFolder(folder)
    manifest = found.manifest()
    found.check_files(manifest)
    if not (found.path / SUMMARY).is_file():
        raise RunFolderError(f"{folder}: the run is not complete; {found.how_to_repair(manifest)}")
    identity = manifest["identity"]
    if plan is not None:
        now = {"plan": plan.keys.written(), "inputs": dict(plan.inputs)}
        refuse_change(found.path, {key: identity[key] for key in now}, now)
    return Run(
        plan=plan,
        folder=found.path,
        stored_summary=found.read_json(SUMMARY, manifest=manifest),
        path=identity.get("path", "auto"),
        engine=identity.get("engine", "numpy"),
        trust=trust,
    )
