"""Parquet files: the same tables with typed columns, for logs too large for text."""

from __future__ import annotations

import datetime

import numpy as np

from .cells import Special
from .model import Problem
from .raw import RawColumn, RawTable, UnreadableError, assemble, refuse
from .schema import Table

MOST_ROWS = 20_000_000
MOST_BYTES = 4 * 2**30  # unpacked


def read_parquet(table: Table, file: str, data: bytes) -> tuple[RawTable, list[Problem]]:
    """Return the raw table (its first row of data is row 2) and its header's problems; raises UnreadableError."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        held = parquet.ParquetFile(pa.BufferReader(data)).metadata
        if held.num_rows > MOST_ROWS:  # a few bytes can promise any number of rows
            raise refuse(file, None, f"at most {MOST_ROWS} rows, got {held.num_rows}", "parquet")
        if (size := sum(held.row_group(i).total_byte_size for i in range(held.num_row_groups))) > MOST_BYTES:
            raise refuse(file, None, f"at most {MOST_BYTES >> 30} GB unpacked, got {size / 2**30:.1f}", "parquet")
        if nested := [field for field in held.schema.to_arrow_schema() if pa.types.is_nested(field.type)]:
            raise UnreadableError(
                [Problem(file, 1, f.name, f"text, numbers or dates, got {f.type}", code="parquet") for f in nested]
            )
        # text is read as the file codes it: a long text repeated in every row stays one text
        texts = [held.schema.column(i).path for i in range(held.num_columns)]
        read = parquet.ParquetFile(pa.BufferReader(data), read_dictionary=texts, page_checksum_verification=True).read()
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
        if pa.types.is_timestamp(column.type):  # finer than a microsecond is cut; out of the calendar is an error
            column = column.cast(pa.timestamp("us", column.type.tz), safe=column.type.unit != "ns")
        column = column.dictionary_encode(null_encoding="encode")
    chunk = column.unify_dictionaries().combine_chunks()
    chunk = chunk.chunk(0) if isinstance(chunk, pa.ChunkedArray) else chunk
    distinct, codes = chunk.dictionary, chunk.indices
    if len(distinct.unique()) < len(distinct):  # a file may code one text twice
        again = distinct.dictionary_encode(null_encoding="encode")
        distinct, codes = again.dictionary, again.indices.take(codes)
    if pa.types.is_float32(distinct.type) or pa.types.is_float16(distinct.type):
        cells = [float(str(cell)) for cell in distinct.to_numpy(zero_copy_only=False)]  # 0.1 is not 0.10000000149
    else:
        cells = [plain(cell) for cell in texts_of(distinct)]
    codes = codes.fill_null(len(cells)).to_numpy().astype(np.int64)
    return RawColumn(codes, [*cells, None])


def texts_of(distinct) -> list[object]:
    """Return an Arrow array's cells, bytes for each text that is not UTF-8."""
    try:
        return distinct.to_pylist()
    except UnicodeDecodeError:
        return [_decoded(cell) for cell in distinct.cast("large_binary").to_pylist()]


def _decoded(cell: bytes | None) -> str | bytes | None:
    try:
        return None if cell is None else cell.decode()
    except UnicodeDecodeError:
        return cell


def plain(cell: object) -> object:
    """Return a cell as the parsers know it: decimals become floats; bytes, times of day and the like are refused."""
    if cell is None or isinstance(cell, (str, bool, int, float, datetime.date)):
        return cell
    return float(cell) if hasattr(cell, "as_tuple") else Special("error", repr(cell))
