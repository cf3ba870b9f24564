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
from ingest.exports.source import Source
from ingest.exports.times import prove_dates
from ingest.exports.values import prove_styles
from ingest.profiles.csv import CsvProfile

LARGE_BYTES: Final = 2 << 20
"""Texts from this size on are read as columns."""
HEAD_BYTES: Final = 64 << 10
TAIL_BYTES: Final = 32 << 10
SAMPLES: Final = 10
SAMPLE_BYTES: Final = 12 << 10
PART_BYTES: Final = 8 << 20
"""About so much of the text becomes one part [bytes]."""
WORKERS: Final = 2
Write = Callable[[int, Assembled], None]


@dataclass(frozen=True, kw_only=True)
class Large:
    """A large text whose headings were found: bytes in UTF-8, where its rows begin and end, how it is read."""

    source: Source
    start: int
    end: int
    first_line: int
    delimiter: str
    scanner: Scanner


class NotPlain(Exception):
    """The text is not one table of plain lines: it has to be read as a whole."""


def open_large(source: Source, profile: CsvProfile | None) -> Large | None:
    """A large text ready to be read in parts; None where it is small or its beginning is not plain."""
    if source.size < LARGE_BYTES or (profile and profile.preamble):
        return None
    head = source.read(0, HEAD_BYTES)
    if head.startswith((b"\xff\xfe", b"\xfe\xff", b"PK", b"\x1f\x8b", b"\xd0\xcf")) or b"\x00" in head:
        return None
    begin = 3 if head.startswith(b"\xef\xbb\xbf") else 0
    head = head[: head.rfind(b"\n") + 1]
    before_tail = source.read(source.size - TAIL_BYTES - HEAD_BYTES, source.size - TAIL_BYTES)
    tail_start = source.size - TAIL_BYTES - len(before_tail) + before_tail.rfind(b"\n") + 1
    if len(head) <= begin or b"\n" not in before_tail or tail_start <= len(head):
        return None
    lines, _ = split_lines(decode(head[begin:]).text)
    if len(lines) != head.count(b"\n"):
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
        start = head.index(b"\n", start) + 1
    return Large(source=source, start=start, end=tail_start, first_line=used + 1, delimiter=delimiter, scanner=scanner)


def read_large(large: Large, facts: FileFacts, write: Write, meanwhile: Callable[[], None]) -> int:
    """Hand readings and refusals of a large text to ``write`` (part number, part), in the order of its lines.

    Numbers begin at 0; where the text has to be read a second time, they begin at 0 again. Gives how many parts there
    are in the end. ``meanwhile`` is called while other threads make the first parts, perhaps again; ``write`` is called
    by these threads. Raises NotPlain.
    """
    proofs = sample_proofs(large)
    seen = list(_pass(large, facts, proofs, write, meanwhile))
    if not all(agree(seen[0][0], decided) for decided, _ in seen[1:]):
        seen = list(_pass(large, facts, join_proofs([proofs, *(found for _, found in seen)]), write, meanwhile))
    return len(seen)


def agree(one: Decided, other: Decided) -> bool:
    """True where two parts were read alike wherever both have something to read."""
    styles = all(one[0][column] == other[0][column] for column in one[0].keys() & other[0].keys())
    return styles and all(one[1][place] == other[1][place] for place in one[1].keys() & other[1].keys())


def sample_proofs(large: Large) -> Proofs:
    """What small pieces from all over the text prove."""
    found = []
    step = max(SAMPLE_BYTES, (large.end - large.start) // SAMPLES)
    for place in range(large.start, large.end, step):
        piece = large.source.read(place, min(place + SAMPLE_BYTES, large.end))
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
    large: Large, facts: FileFacts, proofs: Proofs, write: Write, meanwhile: Callable[[], None]
) -> Iterator[tuple[Decided, Proofs]]:
    """Once through the text: it is cut into chunks of lines here, other threads make a part of each."""

    def finish(number: int, chunk: Chunk, tail: Chunk | None) -> tuple[Decided, Proofs]:
        records = Records()
        _read_chunk(large, chunk, records)
        if tail is not None:
            _read_tail(large, tail, records)
        part = assemble(records, [facts], proofs)
        write(number, part)
        return part.decided, part.proofs

    waiting: deque[Future[tuple[Decided, Proofs]]] = deque()
    with ThreadPoolExecutor(WORKERS, thread_name_prefix="tables") as pool:
        try:
            for number, (chunk, tail) in enumerate(_chunks(large)):
                waiting.append(pool.submit(finish, number, chunk, tail))
                if len(waiting) > WORKERS:
                    meanwhile()
                    yield waiting.popleft().result()
        finally:
            meanwhile()  # also where reading fails: a thread may wait for it
        while waiting:
            yield waiting.popleft().result()


def _chunks(large: Large) -> Iterator[tuple[Chunk, Chunk | None]]:
    """The lines of the text in chunks; with the last one what is left of the file, whose end may be cut off."""
    count = max(1, round((large.end - large.start) / PART_BYTES))
    even = count + count % 2 if count > 1 else 1  # as many for each of two threads
    chunk = Chunk(b"", large.first_line, 0)
    for following in cut_chunks(
        large.source, large.start, large.end, large.first_line, -(-(large.end - large.start) // even)
    ):
        if chunk.count:
            yield chunk, None
        chunk = following
    tail = large.source.read(large.end, large.source.size)
    yield chunk, Chunk(tail, chunk.first + chunk.count, tail.count(b"\n"))


def _read_tail(large: Large, tail: Chunk, records: Records) -> None:
    """Add the last lines of the file as rows."""
    lines, complete = split_lines(decode(tail.content).text)
    grid = parse_grid(lines, large.delimiter, complete=complete)
    lines_of = [line + tail.first - 1 for line in grid.lines]
    _scan_rows(large, Grid(grid.rows, lines_of, grid.damaged, complete, large.delimiter), records)


def _read_chunk(large: Large, chunk: Chunk, records: Records) -> None:
    """Add the lines of a chunk: as columns, in smaller chunks, or as rows."""
    plan = large.scanner.plan
    assert plan is not None
    if not chunk.count:
        return
    plain, size = read_plain(chunk, plan, large.delimiter), len(chunk.content)
    if plain is None and size > 2 * RETRY_BYTES:
        smaller = RETRY_BYTES if size <= 16 * RETRY_BYTES else size // 8
        for small in cut_chunks(Source.of(chunk.content), 0, size, chunk.first, smaller):
            _read_chunk(large, small, records)
        return
    if plain is None:
        lines, _ = split_lines(decode(chunk.content).text)
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
