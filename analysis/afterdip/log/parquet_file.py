"""Parquet files: the same tables with typed columns, for logs too large for text."""

from __future__ import annotations

import datetime

import numpy as np

from .model import Problem
from .raw import RawColumn, RawTable, assemble, refuse
from .schema import Table

MOST_ROWS = 50_000_000


def read_parquet(table: Table, file: str, data: bytes) -> tuple[RawTable, list[Problem]]:
    """Return the raw table (its first row of data is row 2) and its header's problems; raises UnreadableError."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        file_of = parquet.ParquetFile(pa.BufferReader(data))
        if file_of.metadata.num_rows > MOST_ROWS:  # a few bytes can promise any number of rows
            raise refuse(file, None, f"at most {MOST_ROWS} rows, got {file_of.metadata.num_rows}", "parquet")
        read = file_of.read()
        columns = [raw_column(read.column(i)) for i in range(read.num_columns)]
    except (pa.ArrowException, OSError, ValueError, OverflowError) as error:
        raise refuse(
            file, None, "a Parquet file of text, numbers and dates, got one that cannot be read", "parquet"
        ) from error
    return assemble(table, file, read.column_names, columns, np.arange(2, read.num_rows + 2))


def raw_column(column) -> RawColumn:
    """Return an Arrow column as codes into its distinct values; nulls are empty cells."""
    import pyarrow as pa

    if not pa.types.is_dictionary(column.type):
        column = (
            column.cast(pa.timestamp("us", column.type.tz), safe=False)
            if pa.types.is_timestamp(column.type)
            else column
        )
        column = column.dictionary_encode(null_encoding="encode")
    chunk = column.unify_dictionaries().combine_chunks()
    chunk = chunk.chunk(0) if isinstance(chunk, pa.ChunkedArray) else chunk
    cells = [plain(cell) for cell in chunk.dictionary.to_pylist()]
    codes = chunk.indices.fill_null(len(cells)).to_numpy().astype(np.int64)
    return RawColumn(codes, [*cells, None])


def plain(cell: object) -> object:
    """Return a cell as the parsers know it: decimals become floats, everything unknown its text."""
    if cell is None or isinstance(cell, (str, bool, int, float, datetime.date)):
        return cell
    return float(cell) if hasattr(cell, "as_tuple") else repr(cell)
