"""Tables of many lakes: written block by block, so that no table is ever in memory as a whole."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from io import BytesIO
from pathlib import Path
from typing import Any, Protocol

from emergence.report.tables import COMPRESSION, arrow_schema, columns

ROW_GROUP = 100_000
"""Least rows of a Parquet row group but the last one."""
Pieces = Mapping[str, bytes]


class _Writer(Protocol):
    rows: int

    def add(self, block: bytes) -> None:
        """Append a block's rows."""

    def close(self) -> None:
        """Write what is left."""


class _CsvWriter:
    def __init__(self, path: Path, table: str) -> None:
        self.rows, self._file = 0, open(path, "wb")
        self._file.write((",".join(columns(table)) + "\n").encode())

    def add(self, block: bytes) -> None:
        self._file.write(block)
        self.rows += block.count(b"\n")

    def close(self) -> None:
        self._file.close()


class _ParquetWriter:
    """Writes a row group on a thread of its own while the rows of the next are read."""

    def __init__(self, path: Path, table: str) -> None:
        import pyarrow.parquet as pq

        self.rows, self._held = 0, 0
        self._waiting: list[Any] = []
        self._writer = pq.ParquetWriter(path, arrow_schema(table), compression=COMPRESSION)
        self._thread = ThreadPoolExecutor(1)
        self._written: Future[None] | None = None

    def add(self, block: bytes) -> None:
        import pyarrow.parquet as pq

        rows = pq.read_table(BytesIO(block))
        self._waiting.append(rows)
        self._held += rows.num_rows
        self.rows += rows.num_rows
        if self._held >= ROW_GROUP:
            self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if self._held:
            self._wait()
            rows = pa.concat_tables(self._waiting)
            self._written = self._thread.submit(self._writer.write_table, rows, row_group_size=self._held)
        self._waiting, self._held = [], 0

    def _wait(self) -> None:
        if self._written is not None:
            self._written.result()

    def close(self) -> None:
        try:
            with self._thread:
                self._flush()
                self._wait()
        finally:
            self._writer.close()


def write_pieces(
    blocks: Iterable[Pieces], tables: Sequence[str], folder: Path, *, table_format: str
) -> dict[str, dict[str, Any]]:
    """Write tables from the pieces of blocks (`tables.encoded`, by table name), in their order.

    Returns
    -------
    dict
        Of each file name its number of rows and its schema, as run.json has it.
    """
    kind = _CsvWriter if table_format == "csv" else _ParquetWriter
    writers: dict[str, _Writer] = {t: kind(folder / f"{t}.{table_format}", t) for t in tables}
    try:
        for block in blocks:
            for table, writer in writers.items():
                writer.add(block[table])
    finally:
        for writer in writers.values():
            writer.close()
    return {f"{t}.{table_format}": {"rows": w.rows, "schema": f"{t}.json"} for t, w in writers.items()}
