"""One large text read in parts: as columns where its lines are plain, as rows where not; memory does not grow with it.

What decides a file as a whole (separators, order of day and month) is looked for in samples first. If a later part
proves something else, the file is read a second time with all that was proved.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa

from ingest.exports.assemble import Assembled, Decided, FileFacts, assemble
from ingest.exports.beside import split_beside
from ingest.exports.columns import RETRY_BYTES, Chunk, cut_chunks, read_plain
from ingest.exports.context import Context
from ingest.exports.decode import decode
from ingest.exports.dialect import find_delimiter, join_quotes
from ingest.exports.grid import SEPARATOR_LINE, Grid, parse_grid, split_lines
from ingest.exports.proofs import Proofs, join_proofs
from ingest.exports.records import Records
from ingest.exports.scan import Scanner
from ingest.exports.times import prove_dates
from ingest.exports.values import prove_styles
from ingest.profiles.csv import CsvProfile

LARGE_BYTES: Final = 2 << 20
"""Texts from this size on are read as columns."""
HEAD_BYTES: Final = 64 << 10
TAIL_BYTES: Final = 32 << 10
SAMPLES: Final = 10
SAMPLE_BYTES: Final = 12 << 10
PART_ROWS: Final = 250_000
WORKERS: Final = 2


@dataclass(frozen=True, kw_only=True)
class Large:
    """A large text whose headings were found: bytes in UTF-8, where its rows begin and end, how it is read."""

    content: pa.Buffer
    start: int
    end: int
    first_line: int
    tail: Grid
    delimiter: str
    scanner: Scanner


class NotPlain(Exception):
    """The text is not one table of plain lines: it has to be read as a whole."""


def open_large(content: bytes, profile: CsvProfile | None) -> Large | None:
    """A large text ready to be read in parts; None where it is small or its beginning is not plain."""
    if len(content) < LARGE_BYTES or content[:2] in (b"\xff\xfe", b"\xfe\xff", b"PK", b"\x1f\x8b", b"\xd0\xcf"):
        return None
    if b"\x00" in content[:HEAD_BYTES] or (profile and profile.preamble):
        return None
    begin = 3 if content.startswith(b"\xef\xbb\xbf") else 0
    head_end = content.rfind(b"\n", 0, HEAD_BYTES) + 1
    tail_start = content.rfind(b"\n", 0, len(content) - TAIL_BYTES) + 1
    if head_end <= begin or tail_start <= head_end:
        return None
    lines, _ = split_lines(decode(content[begin:head_end]).text)
    if len(lines) != content.count(b"\n", 0, head_end):
        return None
    told = SEPARATOR_LINE.fullmatch(lines[0].strip()) if lines else None
    lines = ["", *lines[1:]] if told else lines
    delimiter = (profile.delimiter if profile else None) or (told[1] if told else find_delimiter(lines))
    if not profile and join_quotes(lines, delimiter) != lines:
        return None
    scanner = Scanner(parse_grid(lines, delimiter, complete=True), Records(), 0,
                      Context(decimal=profile.decimal if profile else None))  # fmt: skip
    if profile:
        scanner.find = profile.find_plan
    used = scanner.start()
    if used is None or scanner.grid.lines[used - 1] != used or not delimiter.isascii():
        return None
    if not profile and len(split_beside(scanner.grid)) > 1:
        return None
    if scanner.context.date_text is not None:
        # One date above a long table: midnights have to be seen by all rows together.
        return None
    start = begin
    for _ in range(used):
        start = content.index(b"\n", start) + 1
    first_tail = content.count(b"\n", 0, tail_start) + 1
    last, complete = split_lines(decode(content[tail_start:]).text)
    grid = parse_grid(last, delimiter, complete=complete)
    tail = Grid(grid.rows, [line + first_tail - 1 for line in grid.lines], grid.damaged, complete, delimiter)
    return Large(
        content=pa.py_buffer(content), start=start, end=tail_start, first_line=used + 1, tail=tail, delimiter=delimiter,
        scanner=scanner,
    )  # fmt: skip


def read_large(large: Large, facts: FileFacts, write: Callable[[int, Assembled], None]) -> int:
    """Hand readings and refusals of a large text to ``write`` (part number, part), in the order of its lines.

    Numbers begin at 0; where the text has to be read a second time, they begin at 0 again. Gives how many parts there
    are in the end. Raises NotPlain.
    """
    proofs = sample_proofs(large)
    seen = list(_pass(large, facts, proofs, write))
    if not all(agree(seen[0][0], decided) for decided, _ in seen[1:]):
        seen = list(_pass(large, facts, join_proofs([proofs, *(found for _, found in seen)]), write))
    return len(seen)


def agree(one: Decided, other: Decided) -> bool:
    """True where two parts were read alike wherever both have something to read."""
    styles = all(one[0][column] == other[0][column] for column in one[0].keys() & other[0].keys())
    return styles and all(one[1][place] == other[1][place] for place in one[1].keys() & other[1].keys())


def sample_proofs(large: Large) -> Proofs:
    """What small pieces from all over the text prove."""
    found = []
    step = max(SAMPLE_BYTES, (large.end - large.start) // SAMPLES)
    view = memoryview(large.content)
    for place in range(large.start, large.end, step):
        piece = bytes(view[place : min(place + SAMPLE_BYTES, large.end)])
        begin = 0 if place == large.start else piece.find(b"\n") + 1
        stop = piece.rfind(b"\n") + 1
        if stop <= begin:
            continue
        records = Records()
        lines, _ = split_lines(decode(piece[begin:stop]).text)
        _scan_rows(large, parse_grid(lines, large.delimiter, complete=True), records)
        found += [prove_styles(records), prove_dates(records)]
    return join_proofs(found)


def _pass(
    large: Large, facts: FileFacts, proofs: Proofs, write: Callable[[int, Assembled], None]
) -> Iterator[tuple[Decided, Proofs]]:
    """Once through the text: lines are split here, while other threads make tables of what was split before."""

    def finish(number: int, records: Records) -> tuple[Decided, Proofs]:
        part = assemble(records, [facts], proofs)
        write(number, part)
        return part.decided, part.proofs

    waiting: deque[Future[tuple[Decided, Proofs]]] = deque()
    with ThreadPoolExecutor(WORKERS, thread_name_prefix="tables") as pool:
        for number, records in enumerate(_records(large)):
            waiting.append(pool.submit(finish, number, records))
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _records(large: Large) -> Iterator[Records]:
    """The records of the text in parts of about ``PART_ROWS``."""
    records = Records()
    for chunk in cut_chunks(large.content, large.start, large.end, large.first_line):
        _read_chunk(large, chunk, records)
        if records.count >= PART_ROWS:
            yield records
            records = Records()
    _scan_rows(large, large.tail, records)
    yield records


def _read_chunk(large: Large, chunk: Chunk, records: Records) -> None:
    """Add the lines of a chunk: as columns, in smaller chunks, or as rows."""
    plan = large.scanner.plan
    assert plan is not None
    plain = read_plain(chunk, plan, large.delimiter)
    if plain is None and chunk.content.size > 2 * RETRY_BYTES:
        for small in cut_chunks(chunk.content, 0, chunk.content.size, chunk.first, RETRY_BYTES):
            _read_chunk(large, small, records)
        return
    if plain is None:
        lines, _ = split_lines(decode(bytes(memoryview(chunk.content))).text)
        if len(lines) != chunk.count:
            raise NotPlain
        grid = parse_grid(lines, large.delimiter, complete=True)
        lines_of = [line + chunk.first - 1 for line in grid.lines]
        _scan_rows(large, Grid(grid.rows, lines_of, grid.damaged, True, large.delimiter), records)
        return
    kept = np.flatnonzero(plain.ordinary)
    columns = plain.columns if len(kept) == chunk.count else [column.take(pa.array(kept)) for column in plain.columns]
    number = large.scanner.add_table(records)
    records.add_columns(number, lambda at: columns[at], kept + chunk.first, np.zeros(len(kept), np.int8))
    odd = np.flatnonzero(~plain.ordinary)
    if len(odd):
        rows = list(zip(*(column.take(pa.array(odd)).to_pylist() for column in plain.columns), strict=True))
        grid = Grid(
            [list(row) for row in rows], [int(at) + chunk.first for at in odd], frozenset(), True, large.delimiter
        )
        _scan_rows(large, grid, records)


def _scan_rows(large: Large, grid: Grid, records: Records) -> None:
    """Add rows that need a closer look. Raises NotPlain where another table begins or the context changes."""
    scanner = large.scanner.resume(grid, records)
    scanner.walk()
    if scanner.plan is not large.scanner.plan or scanner.context != large.scanner.context:
        raise NotPlain
