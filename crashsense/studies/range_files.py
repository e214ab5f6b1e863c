"""Files of the study of sensor ranges: tables, figure, advice, and the folder that takes them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crashsense.errors import Fault, InputError, RunFolderError
from crashsense.files import csv_safe
from crashsense.plotting import new_figure, save
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from crashsense.studies.sensor_range import RangeStudy

TABLE = "range.parquet"
FILES = (TABLE, "range.csv", "range_settings.csv", "range.svg", "advice.txt")

#: Key of the study's metadata in the Parquet schema.
KEY = "crashsense"


def check_range_folder(folder: str | Path) -> Path:
    """Return the folder if a study may write into it: new, empty, or a former study's.

    Raises
    ------
    RunFolderError : it is a file, a run folder, or holds anything that this study did not write
    """
    path = Path(folder)
    if path.exists() and not path.is_dir():
        raise RunFolderError(f"{path}: is a file; expected a new folder, or one of a former study")
    if not path.is_dir():
        return path
    held = sorted(p.name for p in path.iterdir() if not p.name.startswith("."))
    foreign = [name for name in held if name not in FILES]
    if held and not foreign and not _is_ours(path / TABLE):
        foreign = held
    if foreign:
        what = "a run folder" if "manifest.json" in foreign else f"it holds {foreign[0]!r}"
        raise RunFolderError(
            f"{path}: not a folder of this study ({what}); expected a new or empty folder, or one"
            " of a former study range"
        )
    return path


def _is_ours(path: Path) -> bool:
    """True if the table was written by this study."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        note = (pq.read_schema(path).metadata or {}).get(KEY.encode())
        found = json.loads(note) if note else {}
    except (OSError, pa.ArrowException, ValueError):
        return False
    return {"sensor", "restraint", "columns"} <= set(found)


def range_figure(settings: pd.DataFrame, metadata: Mapping[str, Any]) -> Figure:
    """Draw over the range, one below the other: requirements, separation, clipping.

    *settings* and *metadata* of a :class:`~crashsense.studies.sensor_range.RangeStudy`; numbers
    already computed. The clipping is that of the smallest corner and word length tried.
    """
    from matplotlib.ticker import MaxNLocator, NullLocator

    figure = new_figure(8.0, 7.6)
    lost, ratio, clipped = figure.subplots(3, 1, sharex=True)
    column = metadata["range_column"]
    markers = "osD^v<>*"
    groups = list(settings.groupby(["bits", "corner_hz"], sort=True))
    corners: set[float] = set()
    for number, ((bits, corner), rows) in enumerate(groups):
        style: dict[str, Any] = {
            "color": f"C{number}" if len(groups) > 1 else "black",
            "marker": markers[number % len(markers)],
            "label": f"{bits:g} bit, {corner:g} Hz",
        }
        lost.plot(
            rows[column],
            rows["requirements_lost"],
            **{**style, "label": f"lost by the range, {style['label']}"},
        )
        ratio.plot(rows[column], rows["separation_ratio"], **style)
        if corner not in corners:  # the ideal sensor has no word length
            corners.add(corner)
            ideal = {"color": style["color"], "label": f"ideal sensor, {corner:g} Hz"}
            failing = {**ideal, "label": f"failed with the ideal sensor, {corner:g} Hz"}
            lost.plot(rows[column], rows["ideal_failures"], linestyle="--", **failing)
            ratio.plot(rows[column], rows["ideal_separation_ratio"], linestyle="--", **ideal)
    ratio.axhline(1.0, color="tab:red", linestyle=":", label="below: no threshold scale works")
    rows = groups[0][1]
    for when, colour, line, marker in (
        ("before", "tab:orange", "--", "x"),
        ("after", "tab:blue", ":", "+"),
    ):
        clipped.plot(
            rows[column],
            100 * rows[f"worst_clipped_{when}_filter"],
            color=colour,
            linestyle=line,
            marker=marker,
            label=f"{when} the filter",
        )
    lost.set_title(
        f"{metadata['sensor']}, {metadata['restraint']}, algorithm {metadata['algorithm']}",
        fontsize="medium",
    )
    lost.set_ylabel("requirements [-]\n(less is better)")
    lost.yaxis.set_major_locator(MaxNLocator(integer=True))
    ratio.set_ylabel("separation c/m [-]\n(more is better)")
    clipped.set_ylabel("samples clipped, worst\nevent [%] (less is better)")
    clipped.set_xlabel(f"sensor range [+/- {metadata['unit']}]")
    clipped.set_xscale("log")
    ticks = sorted(set(settings[column]))
    clipped.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    clipped.xaxis.set_minor_locator(NullLocator())
    for axes, top in ((lost, 1.0), (ratio, 1.05), (clipped, 1.0)):
        # From zero, so that a difference in the fourth digit does not look like one in the first.
        axes.set_ylim(0, max(top, 1.08 * axes.get_ylim()[1]))
        axes.grid(alpha=0.3)
        # Beside the curves, never on them.
        axes.legend(fontsize="small", loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
    return figure


def write_range_study(study: RangeStudy, folder: str | Path) -> Path:
    """Write the tables (Parquet and CSV), range.svg and advice.txt; return the folder.

    Raises
    ------
    RunFolderError : the folder holds other things than a former study
    InputError : it cannot be written
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    target = check_range_folder(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        table = pa.Table.from_pandas(study.table, preserve_index=False)
        note = {KEY: json.dumps(study.metadata, sort_keys=True)}
        pq.write_table(
            table.replace_schema_metadata({**(table.schema.metadata or {}), **note}),
            target / TABLE,
        )
        csv_safe(study.table).to_csv(target / "range.csv", index=False)
        csv_safe(study.settings).to_csv(target / "range_settings.csv", index=False)
        save(range_figure(study.settings, study.metadata), target / "range.svg")
        text = "\n".join((f"CAUTION: {CAUTION}", "", *study.advice))
        (target / "advice.txt").write_text(f"{text}\n", encoding="utf-8")
    except OSError as error:
        expected = f"a folder that can be written ({error.strerror})"
        raise InputError([Fault("study range", "out", str(target), expected)]) from None
    return target
