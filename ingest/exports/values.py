"""The values of all records: separators decided by each file as a whole, each distinct cell read once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from ingest.cells.numbers import NumberStyle
from ingest.cells.text import fold, shown
from ingest.cells.value import Value, cell_evidence, parse_comparator, parse_value, refused
from ingest.cells.words import is_over_range, simplify
from ingest.exports.distinct import Codes, combine, distinct
from ingest.exports.meanings import Named
from ingest.exports.records import Records, Table
from schemas.quantities import QUANTITIES

VOID: Final = frozenset(
    (
        "void",
        "voided",
        "deleted",
        "invalid",
        "error",
        "err",
        "aborted",
        "cancelled",
        "canceled",
        "erased",
        "bad",
        "corrupt",
        "failed to measure",
    )
)


def read_values(records: Records, meanings: Codes, named: Sequence[Named]) -> tuple[Codes, list[Value]]:
    """For each record the position of its value in a list of distinct values."""
    raw, comparator, verdict = (distinct(records.texts[name]) for name in ("raw_text", "comparator", "verdict"))
    table = np.array(records.table, dtype=np.int64)
    column = np.array(records.column, dtype=np.int64)
    styles = decide_styles(records.tables, table, column, raw.codes, raw.texts)
    codes, (kinds, cells, signs, verdicts, tables, columns) = combine(
        meanings, raw.codes, comparator.codes, verdict.codes, table, column
    )
    values = [
        read_value(
            named[kinds[at]], raw.texts[cells[at]] or "", styles[(int(tables[at]), int(columns[at]))],
            comparator.texts[signs[at]], verdict.texts[verdicts[at]],
        )
        for at in range(len(kinds))
    ]  # fmt: skip
    return codes, values


def read_value(named: Named, raw: str, style: NumberStyle, sign: str | None, verdict: str | None) -> Value:
    """One value with what stands beside it: a comparator column, a status column."""
    if named.refusal:
        return refused(named.refusal, named.message)
    quantity = named.meaning.quantity
    assert quantity is not None
    value = parse_value(raw, quantity, named.unit, style)
    if value.refusal or (sign is None and verdict is None):
        return value
    if verdict is not None and (changed := _with_verdict(value, fold(verdict), quantity)) is not None:
        return changed
    told = parse_comparator(sign or "")
    if told is None:
        return refused("unknown word", f"comparator {shown(sign or '')} is not known")
    if told == "eq" or value.value is None:
        return value
    if value.comparator not in ("eq", told):
        return refused("ambiguous", "the cell and the comparator column say different comparators")
    return replace(value, comparator=told)


def _with_verdict(value: Value, verdict: str, quantity: str) -> Value | None:
    """A status that takes the number away: over range, or a record that was voided. A pass or fail changes nothing."""
    if is_over_range(verdict) and simplify(verdict) not in ("open", "or", "over"):
        resistive = QUANTITIES[quantity].unit == "Ohm"
        return (
            Value(reason="over range") if resistive else refused("not a number", f"status {shown(verdict)}: no number")
        )
    if simplify(verdict) in VOID:
        return refused("not measured", f"status {shown(verdict)} says that this record does not count")
    return None


def decide_styles(
    tables: Sequence[Table], table: Codes, column: Codes, cells: Codes, texts: Sequence[str | None]
) -> dict[tuple[int, int], NumberStyle]:
    """The separator style of each column: told, proved in the column, proved in its file, or unknown."""
    proofs: dict[tuple[int, int], set[NumberStyle]] = {}
    _, (of_table, of_column, of_cell) = combine(table, column, cells)
    for position in range(len(of_table)):
        key = int(of_table[position]), int(of_column[position])
        found = proofs.setdefault(key, set())
        proof = cell_evidence(texts[of_cell[position]] or "")
        if proof is not NumberStyle.UNKNOWN:
            found.add(proof)
    by_file: dict[int, set[NumberStyle]] = defaultdict(set)
    for (number, _), found in proofs.items():
        by_file[tables[number].file_no] |= found
    return {key: _style(tables[key[0]], found, by_file[tables[key[0]].file_no]) for key, found in proofs.items()}


def _style(table: Table, column: set[NumberStyle], file: set[NumberStyle]) -> NumberStyle:
    if table.context.decimal:
        return NumberStyle.COMMA if table.context.decimal == "," else NumberStyle.POINT
    if table.delimiter == "":
        # A number of a spreadsheet is written with a point by us; only its texts can hold a comma.
        return NumberStyle.POINT_IF_SHOWN if NumberStyle.COMMA not in file else NumberStyle.UNKNOWN
    for proofs in (column, file):
        if len(proofs) == 1:
            return next(iter(proofs))
        if proofs:
            return NumberStyle.UNKNOWN
    return NumberStyle.POINT_IF_SHOWN if table.delimiter == "," else NumberStyle.UNKNOWN
