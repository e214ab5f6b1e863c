"""Tables as CSV: what pandas writes, byte for byte, with texts that no spreadsheet executes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crashsense.results import as_csv
from crashsense.results.as_csv import csv_of


def table_of(rows: int) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "number": [1.0, np.nan, np.inf, -np.inf, 1e-7, 1e22],
            "text": ["x", "y,z", 'q"r', "n;l", None, ""],
            "count": [1, 2, 3, 4, 5, 6],
            "yes": [True, False, True, True, False, True],
            "nothing": [None] * 6,
            "kind": pd.Categorical(["u", "v", None, "u", "u", "v"]),
            "a, b": ["r", " s", "t", "", "v", "w"],
        }
    ).iloc[:rows]


@pytest.mark.parametrize("rows", [0, 6])
def test_tables_are_written_as_pandas_writes_them(rows: int) -> None:
    table = table_of(rows)
    mixed = table.assign(mixed=pd.Series([1, "a", None, 2.5, "b", 3], dtype=object))
    dates = table.assign(day=pd.Timestamp("2020-02-01"))
    numbers = table.assign(mixed=pd.Series([1, 2.5, None, 3, 4, 5], dtype=object))
    signs = table.assign(sign=pd.Categorical([-1, 1, -1, 1, 1, 1]))
    alone = [table[[name]] for name in table]
    for one in (table, table.astype(object), mixed, dates, numbers, signs, *alone):
        for header in (True, False):
            assert csv_of(one, header=header) == one.to_csv(index=False, header=header)


def test_a_table_of_arrow_is_the_same_text() -> None:
    table = table_of(6)
    arrow = pa.Table.from_pandas(table, preserve_index=False)
    # Pieces with lists of texts of their own, numbers that are none, and none where there are.
    pieces = [arrow[:2], arrow[2:5], arrow[5:]]
    coded = [
        piece.set_column(1, "text", piece.column("text").dictionary_encode()) for piece in pieces
    ]
    for one in (arrow, pa.concat_tables(pieces), pa.concat_tables(coded)):
        assert csv_of(one) == table.to_csv(index=False)


@given(st.lists(st.floats(), min_size=1))
def test_numbers_are_the_shortest_that_give_them_back(values: list[float]) -> None:
    written = csv_of(pa.table({"x": values, "n": [1] * len(values)}), header=False)
    wanted = ["" if np.isnan(value) else repr(value) for value in values]
    assert written == "".join(f"{text},1\n" for text in wanted)


@pytest.mark.parametrize("alike", [True, False])
def test_numbers_of_every_size(alike: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not alike:  # an Arrow that spells them another way
        monkeypatch.setattr(as_csv, "_spelt_as_expected", lambda: False)
    powers = [f"1e{n}" for n in range(-323, 309)]
    texts = [*powers, *(t.replace("1e", "7e") for t in powers), "0.1", "123.5", "999999999.5"]
    numbers = np.array([float(text) for text in texts])
    for values in (numbers, -numbers, np.nextafter(numbers, np.inf), np.nextafter(numbers, 0.0)):
        rows = csv_of(pa.table({"x": values}), header=False).splitlines()
        assert rows == list(map(repr, values.tolist()))


def test_cells_that_a_spreadsheet_would_execute_are_made_safe() -> None:
    cells = {
        "event": ["=cmd()", "wall", "a\x1b[31m"],
        "x": [-1.0, 2.0, 3.0],
        "n": ["@x", "-2", "-"],
    }
    wanted = "event,x,n\n'=cmd(),-1.0,'@x\nwall,2.0,'-2\na\\x1b[31m,3.0,-\n"
    assert csv_of(pa.table(cells)) == wanted
    mixed = pd.DataFrame(cells).assign(mixed=[1, "+a", None])
    assert csv_of(mixed).splitlines()[1].endswith(",'@x,1")
    assert csv_of(mixed).splitlines()[2].endswith(",'-2,'+a")
