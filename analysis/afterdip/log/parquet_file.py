"""Parquet files: the same tables with typed columns, for logs too large for text."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from .cells import Special
from .model import Problem
from .raw import RawColumn, RawTable, UnreadableError, assemble, refuse
from .schema import Table

FEW, RARE = 20, 0.02  # times that make a habit of whole minutes; the share of others at most
MOST_ROWS = 20_000_000
BATCH_ROWS = 1 << 18
MOST_BYTES = 4 * 2**30  # unpacked


def read_parquet(table: Table, file: str, data: bytes) -> tuple[RawTable, list[Problem]]:
    """Return the raw table (its first row of data is row 2) and its header's problems; raises UnreadableError."""
    import pyarrow as pa

    return _read(table, file, pa.BufferReader(data), keep=None)


def read_parquet_where(table: Table, file: Path, keep: Callable) -> tuple[RawTable, list[Problem]]:
    """Return what `read_parquet` does of the rows that `keep` chooses; the others are never held together.

    `keep`: an Arrow record batch -> bool, shape (n_rows,). Rows keep their numbers in the file.
    """
    return _read(table, file.name, file, keep=keep)


def _read(table: Table, file: str, source, *, keep: Callable | None) -> tuple[RawTable, list[Problem]]:
    import pyarrow as pa
    from pyarrow import parquet

    try:
        held = parquet.read_metadata(source)
        if keep is None and held.num_rows > MOST_ROWS:  # a few bytes can promise any number of rows
            raise refuse(file, None, f"at most {MOST_ROWS} rows, got {held.num_rows}", "parquet")
        size = sum(held.row_group(i).total_byte_size for i in range(held.num_row_groups))
        if keep is None and size > MOST_BYTES:
            raise refuse(file, None, f"at most {MOST_BYTES >> 30} GB unpacked, got {size / 2**30:.1f}", "parquet")
        if nested := [field for field in held.schema.to_arrow_schema() if pa.types.is_nested(field.type)]:
            raise UnreadableError(
                [Problem(file, 1, f.name, f"text, numbers or dates, got {f.type}", code="parquet") for f in nested]
            )
        # text is read as the file codes it: a long text repeated in every row stays one text
        texts = [held.schema.column(i).path for i in range(held.num_columns)]
        opened = parquet.ParquetFile(source, read_dictionary=texts, page_checksum_verification=True)
        read, rows = _some_rows(opened, keep) if keep else (opened.read(), np.arange(held.num_rows))
        for i in range(read.num_columns):
            within_dictionary(read.column(i))
        columns = [raw_column(read.column(i)) for i in range(read.num_columns)]
    except (pa.ArrowException, OSError, ValueError, OverflowError) as error:
        raise refuse(
            file, None, "a Parquet file of text, numbers and dates, got one that cannot be read", "parquet"
        ) from error
    raw, problems = assemble(table, file, read.column_names, columns, rows + 2)
    return raw, [*problems, *odd_seconds(file, dict(zip(read.column_names, columns, strict=True)), rows + 2)]


def _some_rows(opened, keep: Callable) -> tuple:
    """Return the Arrow table of the rows chosen and their places in the file, read a batch at a time."""
    import pyarrow as pa

    parts, rows, at = [], [np.zeros(0, dtype=np.int64)], 0
    for batch in opened.iter_batches(batch_size=BATCH_ROWS):
        for column in batch.columns:
            within_dictionary(pa.chunked_array([column]))
        use = np.flatnonzero(keep(batch))
        parts.append(batch.take(pa.array(use)))
        rows.append(at + use)
        at += batch.num_rows
    return pa.Table.from_batches(parts, opened.schema_arrow if not parts else None), np.concatenate(rows)


def within_dictionary(column) -> None:
    """Raise ValueError for a column that points beyond its dictionary, as a damaged page may: Arrow does not look."""
    import pyarrow as pa
    import pyarrow.compute as pc

    for chunk in column.chunks if pa.types.is_dictionary(column.type) else ():
        least, most = pc.min_max(chunk.indices).as_py().values()
        if most is not None and not 0 <= least <= most < len(chunk.dictionary):
            raise ValueError(f"code {most} of a dictionary of {len(chunk.dictionary)}")


def odd_seconds(file: str, columns: dict[str, RawColumn], rows: np.ndarray) -> Iterator[Problem]:
    """Yield a warning for each column of times in whole minutes that has a few others (odd_date).

    People and programs write whole minutes, or whole days; a flipped bit of a time told in parts of a second never
    gives one. What the file's own statistics tell is not asked for: where the footer is damaged, too, to ask ends the
    process.
    """
    for name, column in columns.items():
        timed = np.array([isinstance(cell, datetime.datetime) for cell in column.cells], dtype=bool)
        odd = np.array([t and bool(c.second or c.microsecond) for t, c in zip(timed, column.cells, strict=True)], bool)
        if not odd.any():
            continue
        place, n = np.flatnonzero(odd[column.codes]), int(timed[column.codes].sum())
        if n >= FEW and len(place) <= max(1, RARE * n):
            got = f"'{column.cells[column.codes[place[0]]]}': is the file damaged?"
            message = f"times in whole minutes, as in {n - len(place)} of {n} cells, got {got}"
            yield Problem(file, int(rows[place[0]]), name, message, kind="warning", code="odd_date")


def raw_column(column) -> RawColumn:
    """Return an Arrow column as codes into its distinct values; nulls are empty cells."""
    import pyarrow as pa

    if not pa.types.is_dictionary(column.type):
        if pa.types.is_timestamp(column.type):  # finer than a microsecond is cut; out of the calendar is an error
            column = column.cast(pa.timestamp("us", column.type.tz), safe=column.type.unit != "ns")
        column = pa.chunked_array([column.combine_chunks().dictionary_encode(null_encoding="encode")])
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
