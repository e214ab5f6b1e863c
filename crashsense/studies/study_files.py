"""Files of a study: tables (CSV and Parquet), a figure (SVG and PNG), the text."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from crashsense.errors import Fault, InputError
from crashsense.plotting import save
from crashsense.results.folder import write_csv, write_text

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


def write_study(
    folder: str | Path,
    *,
    name: str,
    tables: Mapping[str, pd.DataFrame],
    text: str,
    figure: Figure,
) -> Path:
    """Write ``NAME.csv``, ``.parquet``, ``.svg``, ``.png`` and ``.txt`` into a folder; make it.

    *tables*: what follows the name in the file name, empty for the main table -> table.

    Raises
    ------
    InputError : the folder cannot be written
    """
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        for part, table in tables.items():
            stem = f"{name}_{part}" if part else name
            write_csv(target / f"{stem}.csv", [table])
            table.to_parquet(target / f"{stem}.parquet", index=False)
        write_text(target / f"{name}.txt", text.rstrip() + "\n")
        for ending in ("svg", "png"):
            save(figure, target / f"{name}.{ending}")
    except OSError as error:
        expected = f"a folder that can be written ({error.strerror or error})"
        raise InputError([Fault(f"study {name}", "--out", str(target), expected)]) from None
    return target
