"""CSV files: UTF-8, comma, one header row. Plain files go through Arrow, unusual ones through csv's strict reader."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from contextlib import suppress

import numpy as np

from .model import MOST_TOLD, Problem
from .raw import RawColumn, RawTable, UnreadableError, assemble, column_names, encode, header_name, refuse
from .schema import Table

BLOCK_BYTES = 1 << 22  # read at a time: each block's distinct cells are joined to those of the others
UTF16 = (b"\xff\xfe", b"\xfe\xff")


def read_csv(table: Table, file: str, data: bytes) -> tuple[RawTable, list[Problem]]:
    """Return the raw table in these bytes and the problems of its header; raises UnreadableError."""
    text_ok(file, data)
    data = data.removeprefix(b"\xef\xbb\xbf")
    if not data or data.isspace():
        raise refuse(file, None, "a header row, got an empty file", "empty_file")
    first = first_line(data)
    if not first.strip(b" \t\r,"):
        raise refuse(file, 1, "a header row, got an empty row", "empty_file")
    for mark, name in ((b";", "semicolons"), (b"\t", "tabs")):
        if mark in first and b"," not in first:
            raise refuse(file, 1, f"columns separated by commas, got {name}", "separator")
    with suppress(csv.Error, StopIteration):  # the strict reader says what is wrong, and where
        column_names(table, file, next(_records(data)))  # before anything below is read
    return assemble(table, file, *(_fast(data) or _strict(file, data)))


def _records(data: bytes, *, strict: bool = False) -> Iterator[list[str]]:
    """Return the records in these bytes one by one, as csv reads them."""
    return csv.reader(io.TextIOWrapper(io.BytesIO(data), "utf-8-sig", "replace", newline=""), strict=strict)


def first_line(data: bytes) -> bytes:
    """Return the bytes before the first line feed, without copying the rest."""
    return data[: data.find(b"\n")] if b"\n" in data else data


def text_ok(file: str, data: bytes) -> None:
    """Raise UnreadableError unless the bytes are UTF-8 text without NUL."""
    if data.startswith(UTF16):
        raise refuse(file, None, "UTF-8 text (save as 'CSV UTF-8'), got UTF-16", "encoding")
    if b"\0" in data:
        raise _at_byte(file, data, data.index(b"\0"), "text, got a NUL byte")
    try:
        if not data.isascii():
            data.decode("utf-8")
    except UnicodeDecodeError as error:
        got = f"got byte 0x{data[error.start]:02x}"
        raise _at_byte(file, data, error.start, f"UTF-8 text (save as 'CSV UTF-8'), {got}") from error


def _at_byte(file: str, data: bytes, at: int, message: str) -> UnreadableError:
    """Return the refusal of a byte, at its row and column as the csv reader counts them up to there."""
    row, header, record = 1, [], []
    with suppress(csv.Error):  # a cell too long: the row is known, the column is not
        for record in _records(data[:at] + b"?"):  # so that the cell with the byte is not empty
            row, header = row + bool(header), header or record
            record = record if row > 1 else []
    column = header_name(header[len(record) - 1]) if 0 < len(record) <= len(header) else ""
    return UnreadableError([Problem(file, row, column or None, message, code="encoding")])


def _plain(data: bytes) -> bool:
    """Return whether there is only one way to read these bytes, and Arrow's is it.

    No bare carriage returns; and quotes, if any, open and close in turn at the edges of cells - so that
    none is doubled, stray or left open, which the strict reader refuses or resolves.
    """
    if b"\r" in data and (data.count(b"\r") != data.count(b"\r\n")):
        return False
    if b'"' not in data:
        return True
    text = np.frombuffer(b"\n" + data + b"\n", dtype=np.uint8)
    quotes = np.flatnonzero(text == ord('"'))
    edge = np.isin(np.arange(256), list(b",\r\n"))
    return len(quotes) % 2 == 0 and bool(edge[text[quotes[::2] - 1]].all() and edge[text[quotes[1::2] + 1]].all())


def _fast(data: bytes) -> tuple[list[str], list[RawColumn], np.ndarray] | None:
    """Read plain files by Arrow, dictionary-encoded; None if the strict reader has to look at this one."""
    top = first_line(data)
    if top.count(b'"') % 2 or not _plain(data):
        return None
    header = next(csv.reader([top.decode("utf-8").rstrip("\r")]))
    if len(header) < 2:
        return None
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    names, quoted = [str(i) for i in range(len(header))], b'"' in data
    try:
        read = arrow_csv.read_csv(
            pa.BufferReader(data),
            read_options=arrow_csv.ReadOptions(
                column_names=names, skip_rows=1, use_threads=False, block_size=BLOCK_BYTES
            ),
            parse_options=arrow_csv.ParseOptions(
                quote_char='"' if quoted else False, newlines_in_values=quoted, ignore_empty_lines=False
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types={name: pa.dictionary(pa.int32(), pa.string()) for name in names},
                null_values=[],
                strings_can_be_null=False,
                check_utf8=False,  # text_ok did
            ),
        )
    except pa.ArrowInvalid:  # ragged rows, a header alone: the strict reader says what is wrong and where
        return None
    columns = []
    for name in names:
        column = read.column(name).combine_chunks()
        column = column.chunk(0) if isinstance(column, pa.ChunkedArray) else column
        columns.append(RawColumn(column.indices.to_numpy(), column.dictionary.to_pylist()))
    if all("" in column.cells for column in columns) and (b"\n\n" in data or b"\n\r\n" in data):
        return None  # a blank line reads like a row of empty cells, and is no row
    return header, columns, np.arange(2, read.num_rows + 2)


def _strict(file: str, data: bytes) -> tuple[list[str], list[RawColumn], np.ndarray]:
    """Read by csv in strict mode, counting rows as a spreadsheet does; raises UnreadableError.

    A row longer than the header is refused even if it ends in empty cells: `12,5` without quotes shifts a row by one.
    """
    records, rows, problems = [], [], []
    reader = _records(data, strict=True)
    number = 0
    try:
        header = next(reader)
        for number, record in enumerate(reader, start=2):
            if len(record) == len(header):
                records.append(record)
                rows.append(number)
            elif any(cell.strip() for cell in record):
                message = f"{len(header)} cells as in the header, got {len(record)}"
                problems.append(Problem(file, number, None, message, code="ragged_row"))
                if len(problems) == MOST_TOLD:
                    message = f"rows as long as the header, got {MOST_TOLD} others: the rest are not listed"
                    raise UnreadableError([Problem(file, None, None, message, code="ragged_row"), *problems])
    except csv.Error as error:
        problems.append(Problem(file, max(number, 1) + 1, None, _csv_words(error), code="csv"))
    if problems:
        raise UnreadableError(problems)
    columns = [encode(cells) for cells in zip(*records, strict=True)] if records else [encode(()) for _ in header]
    return header, columns, np.array(rows, dtype=np.int64)


def _csv_words(error: csv.Error) -> str:
    words = str(error)
    if "field larger" in words:
        return f"cells of at most {csv.field_size_limit()} characters, got a longer one (is a closing quote missing?)"
    if "unexpected end of data" in words:
        return "a closing quote, got none"
    if "expected after" in words:
        return "a comma after a closing quote, got more text"
    return f"a row of comma-separated cells, got: {words}"
