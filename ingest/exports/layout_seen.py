"""The layout of an export as it was understood: the headings, what each column holds, and cells to show for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from ingest.cells.text import fold
from ingest.exports.containers import Member
from ingest.exports.context import Context
from ingest.exports.dialect import chosen_grid
from ingest.exports.layout import find_plan, sample_after
from ingest.exports.outside import UNREAD
from ingest.exports.plan import Plan
from ingest.exports.read import MEMBER_COLUMNS, Claim, collect
from ingest.exports.records import Piece, Records, Table

HEAD_ROWS: Final = 100


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One table of an export: its plan and the first cells of each column. ``guesses`` says why a column is proposed
    that the words of the trade did not settle; ``open`` are columns that could hold readings, ``above`` the lines
    above the headings.
    """

    plan: Plan
    context: Context
    delimiter: str
    cells: Mapping[int, Sequence[str]]
    names: Mapping[str, int] = field(default_factory=dict)
    values: Sequence[str] = ()
    dates: Sequence[str] = ()
    others: Sequence[tuple[str, ...]] = ()
    guesses: Mapping[int, str] = field(default_factory=dict)
    open: frozenset[int] = frozenset()
    above: Sequence[str] = ()


def find_layout(content: bytes, members: Sequence[Member]) -> Seen | None:
    """The table with most records among those that the words of the trade find; None where they find none."""
    records = Records()
    claim = collect(content, "", records, 0, Claim())
    counts: Counter[tuple[str, ...]] = Counter()
    plans: dict[tuple[str, ...], Table] = {}
    for piece in records.pieces:
        table = records.tables[piece.table]
        if table.plan is not UNREAD:
            counts[table.plan.headings] += len(piece.lines)
            plans.setdefault(table.plan.headings, table)
    if claim.refused or not counts:
        return _without_rows(members)
    headings = counts.most_common(1)[0][0]
    table = plans[headings]
    pieces = [one for one in records.pieces if records.tables[one.table].plan.headings == headings]
    return Seen(
        plan=table.plan, context=table.context, delimiter=table.delimiter, cells=_cells(table.plan, pieces, members),
        names=Counter(fold(text) for text in _texts(pieces, "name") if fold(text)),
        values=_texts(records.pieces, "raw_text"), dates=_texts(pieces, "date"),
        others=[one for one in counts if one != headings],
    )  # fmt: skip


def _without_rows(members: Sequence[Member]) -> Seen | None:
    """A table of headings alone."""
    for member in members:
        grid = member.grid or chosen_grid(member.lines, member.complete, None)
        for position in range(min(len(grid.rows), HEAD_ROWS)):
            if found := find_plan(grid.rows, position, Context(), sample_after(grid.rows, position)):
                return Seen(plan=found[0], context=Context(), delimiter=grid.delimiter, cells={})
    return None


def _texts(pieces: Sequence[Piece], name: str) -> list[str]:
    return [text for piece in pieces if name in piece.texts for text in piece.texts[name].to_pylist() if text]


def _cells(plan: Plan, pieces: Sequence[Piece], members: Sequence[Member]) -> dict[int, list[str]]:
    """The first cells of each column, from the rows of the file where they lie plain below their headings."""
    member = members[min(int(pieces[0].columns[0]) // MEMBER_COLUMNS, len(members) - 1)]
    grid = member.grid or chosen_grid(member.lines, member.complete, None)
    wanted = {int(line) for piece in pieces for line in piece.lines}
    rows = [row for line, row in zip(grid.lines, grid.rows, strict=True) if line in wanted and len(row) == plan.width]
    return {at: [fold(row[at]) for row in rows[:60]] for at in range(plan.width)} if rows else {}
