"""The values of all records: separators decided by each file as a whole, each distinct cell read once.

Plain numbers, the great majority, are read as columns; every other cell goes through ``parse_value``, once for each
distinct one. Both ways give the same: tests compare them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from ingest.cells.numbers import NumberStyle
from ingest.cells.text import fold, shown
from ingest.cells.value import Value, cell_evidence, parse_comparator, parse_value, refused, settle_unit
from ingest.cells.verdict_words import NUMBER_STANDS, RECORD_VOID
from ingest.cells.words import casts_doubt, is_flagged, is_over_range, simplify
from ingest.exports.distinct import Codes, Distinct, combine, distinct
from ingest.exports.meanings import Named
from ingest.exports.proofs import Place, Proofs, join_proofs, telling_cells
from ingest.exports.records import Records, Table
from schemas.quantities import QUANTITIES

SIGNS: Final = (None, "eq", "gt", "lt")
PLAIN: Final = r"^[0-9]{1,12}([.,][0-9]{1,9})?$"
UNSETTLED: Final = r"^[1-9][0-9]{0,2}[.,][0-9]{3}$"
"""Could be decimals or thousands: only the style of the file tells."""


@dataclass(frozen=True)
class Values:
    """What the value cells say: ``codes`` of the records into arrays of the distinct cases.

    ``kinds`` is the position of what a case measures in the list of meanings, ``texts`` its cell as received. ``odd``
    holds the case itself where it is more than a plain number (a word, a refusal, a comparator).
    """

    codes: Codes
    kinds: Codes
    texts: pa.Array
    value: npt.NDArray[np.float64]
    resolution: npt.NDArray[np.float64]
    sign: npt.NDArray[np.int8]
    odd: npt.NDArray[Any]

    def pick(self, name: str, cases: Codes | None = None) -> npt.NDArray[Any]:
        """An attribute of the odd cases, None for plain numbers, by case: of all or of those chosen."""
        odd = self.odd if cases is None else self.odd[cases]
        found = np.full(len(odd), None, dtype=object)
        for at in np.flatnonzero(odd != None):  # noqa: E711
            found[at] = getattr(odd[at], name)
        return found

    @property
    def refused(self) -> npt.NDArray[np.bool_]:
        """True for each record that is refused."""
        flags = np.array([one is not None and one.refusal is not None for one in self.odd], bool)
        return flags[self.codes] if len(flags) else np.zeros(0, bool)

    @property
    def absent(self) -> npt.NDArray[np.bool_]:
        """True for each record whose cell says that nothing was measured."""
        flags = np.array([one is not None and one.absent for one in self.odd], bool)
        return flags[self.codes] if len(flags) else np.zeros(0, bool)


def read_values(
    records: Records, meanings: Codes, named: Sequence[Named], proofs: Proofs
) -> tuple[Values, dict[tuple[Place, int], NumberStyle], Proofs]:
    """The values of all records; the separator style of each column; and what the cells prove.

    ``proofs``: what other parts of a file that is read in parts have proved.
    """
    raw, sign, verdict, flag = (distinct(records.text(name)) for name in ("raw_text", "comparator", "verdict", "flag"))
    place, (tables, columns) = combine(records.table, records.column)
    found = _proofs(records, place, tables, columns, raw)
    styles = decide_styles(records.tables, tables, columns, join_proofs([found, proofs]))
    style_codes = np.array([style.value for style in styles], np.int64)[place] if len(place) else place
    codes, (kinds, cells, style, signs, verdicts, flags) = combine(
        meanings, raw.codes, style_codes, sign.codes, verdict.codes, flag.codes
    )
    cases = len(kinds)
    value, resolution = np.full(cases, np.nan), np.full(cases, np.nan)
    marks, odd = np.zeros(cases, np.int8), np.full(cases, None, dtype=object)
    bare = (
        np.array([not text for text in sign.texts], bool)[signs]
        & np.array([not text or simplify(text) in NUMBER_STANDS for text in verdict.texts], bool)[verdicts]
        & np.array([not is_flagged(text or "") for text in flag.texts], bool)[flags]
    )
    plain = _plain_cases(raw, cells, style, kinds, named) & bare
    _read_plain(raw, cells, kinds, named, plain, value, resolution, marks)
    for at in np.flatnonzero(~plain):
        one = read_value(
            named[kinds[at]], raw.texts[cells[at]] or "", NumberStyle(int(style[at])), sign.texts[signs[at]],
            verdict.texts[verdicts[at]], flag.texts[flags[at]],
        )  # fmt: skip
        odd[at] = one
        if one.value is not None:
            value[at], resolution[at], marks[at] = one.value, one.resolution, SIGNS.index(one.comparator)
    decided = {
        (records.tables[number].place, int(column)): style
        for number, column, style in zip(tables, columns, styles, strict=True)
    }
    return Values(codes, kinds, raw.values.take(pa.array(cells)), value, resolution, marks, odd), decided, found


def _plain_cases(
    raw: Distinct, cells: Codes, style: Codes, kinds: Codes, named: Sequence[Named]
) -> npt.NDArray[np.bool_]:
    """True for the cases that are plain numbers of a known unit, whose separators are settled."""
    texts = pc.fill_null(raw.values, "")
    shaped = pc.match_substring_regex(texts, PLAIN).to_numpy(zero_copy_only=False)[cells]
    open_ones = pc.match_substring_regex(texts, UNSETTLED).to_numpy(zero_copy_only=False)
    comma = pc.match_substring(texts, ",").to_numpy(zero_copy_only=False)
    point_told = (style == NumberStyle.POINT.value) | (style == NumberStyle.POINT_IF_SHOWN.value)
    settled = ~open_ones[cells] | np.where(comma[cells], style == NumberStyle.COMMA.value, point_told)
    known: npt.NDArray[np.bool_] = np.array([_exponent(one) is not None for one in named], bool)[kinds]
    plain: npt.NDArray[np.bool_] = shaped & settled & known
    return plain


def _exponent(named: Named) -> int | None:
    """The power of ten of the unit of a plain number; None where it has none that is certain."""
    quantity = named.meaning.quantity
    if named.refusal or quantity is None or QUANTITIES[quantity].is_indication or named.words:
        return None
    unit = settle_unit(quantity, named.unit, None)
    return None if isinstance(unit, Value) else unit.exponent


def _read_plain(
    raw: Distinct, cells: Codes, kinds: Codes, named: Sequence[Named], plain: npt.NDArray[np.bool_],
    value: npt.NDArray[np.float64], resolution: npt.NDArray[np.float64], marks: npt.NDArray[np.int8],
) -> None:  # fmt: skip
    """Read the plain cases as columns; those outside the physical range are left to be refused one by one."""
    rows = np.flatnonzero(plain)
    if not len(rows):
        return
    numbers = pc.replace_substring(raw.values, ",", ".")
    fraction = pc.subtract(pc.subtract(pc.binary_length(numbers), pc.find_substring(numbers, ".")), 1)
    decimals = np.where(
        pc.fill_null(pc.find_substring(numbers, "."), -1).to_numpy(zero_copy_only=False) < 0, 0,
        pc.fill_null(fraction, 0).to_numpy(zero_copy_only=False),
    )  # fmt: skip
    exponents = np.array([_exponent(one) or 0 for one in named], np.int64)[kinds[rows]]
    bounds = np.array([_bounds(one) for one in named], float)[kinds[rows]]
    shifted = pc.binary_join_element_wise(
        numbers.take(pa.array(cells[rows])), pa.array(exponents).cast(pa.string()), "e"
    )
    found = shifted.cast(pa.float64()).to_numpy(zero_copy_only=False)
    inside = (found >= bounds[:, 0]) & (found <= bounds[:, 1])
    plain[rows[~inside]] = False
    rows, found, steps = rows[inside], found[inside], (exponents - decimals[cells[rows]])[inside]
    value[rows], marks[rows] = found, SIGNS.index("eq")
    resolution[rows] = TENS[steps + TENS_ZERO]


TENS_ZERO: Final = 40
TENS: Final = np.array([float(f"1e{power}") for power in range(-TENS_ZERO, TENS_ZERO + 1)])
"""Powers of ten as the floats nearest to them."""


def _bounds(named: Named) -> tuple[float, float]:
    known = QUANTITIES.get(named.meaning.quantity or "")
    return (0.0, 0.0) if known is None else (known.low or 0.0, known.high or 0.0)


def read_value(
    named: Named, raw: str, style: NumberStyle, sign: str | None, verdict: str | None, flag: str | None = None
) -> Value:  # fmt: skip
    """One value with what stands beside it: a comparator column, a status column, a flag."""
    if named.refusal:
        return refused(named.refusal, named.message)
    quantity = named.meaning.quantity
    assert quantity is not None
    word = next((one for one in named.words.get(simplify(fold(raw)), ()) if one.quantity in (None, quantity)), None)
    value = word.value(raw) if word else parse_value(raw, quantity, named.unit, style)
    if value.refusal or (sign is None and verdict is None and flag is None):
        return value
    if is_flagged(flag or ""):
        return refused("ambiguous", f"a flag beside the value, {shown(flag or '')}: it is more or less than a number")
    if parse_comparator(verdict or "") in ("gt", "lt"):
        sign, verdict = (verdict if not (sign or "").strip() else sign), None
    if verdict is not None and (changed := _with_verdict(fold(verdict), quantity)) is not None:
        return changed
    told = parse_comparator(sign or "")
    if told is None:
        return refused("unknown word", f"comparator {shown(sign or '')} is not known")
    if told == "eq" or value.value is None:
        return value
    if value.comparator not in ("eq", told):
        return refused("ambiguous", "the cell and the comparator column say different comparators")
    return replace(value, comparator=told)


def _with_verdict(verdict: str, quantity: str) -> Value | None:
    """A status that takes the number away: over range, or a record that was voided. A pass or fail changes nothing."""
    if is_over_range(verdict) and simplify(verdict) not in ("open", "or", "over"):
        resistive = QUANTITIES[quantity].unit == "Ohm"
        return (
            Value(reason="over range") if resistive else refused("not a number", f"status {shown(verdict)}: no number")
        )
    if simplify(verdict) in RECORD_VOID:
        return refused("not measured", f"status {shown(verdict)} says that this record does not count")
    if casts_doubt(verdict):
        return refused("ambiguous", f"status {shown(verdict)} may change what the number means: say in a profile how")
    return None


def _proofs(records: Records, place: Codes, of_table: Codes, of_column: Codes, raw: Distinct) -> Proofs:
    """What the value cells prove about separators, by headings and column; cells of several files are kept apart.

    Rows that are refused as a whole prove nothing: ``1,25`` at a cut was ``1,250``.
    """
    sound = records.broken == 0
    whole = raw if sound.all() else Distinct(raw.codes[sound], raw.values)
    examples = telling_cells(place if sound.all() else place[sound], cell_proofs(raw), whole)
    tables = records.tables
    return join_proofs(
        Proofs(cells={(tables[of_table[at]].place, int(of_column[at])): texts}) for at, texts in examples.items()
    )


def prove_styles(records: Records) -> Proofs:
    """What the value cells of some records prove about separators."""
    place, (tables, columns) = combine(records.table, records.column)
    return _proofs(records, place, tables, columns, distinct(records.text("raw_text")))


def decide_styles(tables: Sequence[Table], of_table: Codes, of_column: Codes, proofs: Proofs) -> list[NumberStyle]:
    """The separator style of each column: told, proved in it, proved in its file, or unknown."""
    by_file: dict[int, set[NumberStyle]] = defaultdict(set)
    by_column: list[set[NumberStyle]] = []
    for number, column in zip(of_table, of_column, strict=True):
        found = {cell_evidence(text) for text in proofs.cells.get((tables[number].place, int(column)), ())}
        by_column.append(found)
        by_file[tables[number].file_no] |= found
    return [
        _style(tables[number], by_column[at], by_file[tables[number].file_no]) for at, number in enumerate(of_table)
    ]


def cell_proofs(raw: Distinct) -> Codes:
    """What each distinct cell proves about separators (values of NumberStyle)."""
    texts = pc.fill_null(raw.values, "")
    point = pc.match_substring_regex(texts, r"^([0-9]+\.([0-9]{1,2}|[0-9]{4,9})|0\.[0-9]{3})$").to_numpy(
        zero_copy_only=False
    )
    plain = pc.match_substring_regex(texts, r"^[0-9]*$").to_numpy(zero_copy_only=False)
    proof = np.where(point, NumberStyle.POINT.value, NumberStyle.UNKNOWN.value).astype(np.int64)
    for at in np.flatnonzero(~point & ~plain):
        proof[at] = cell_evidence(raw.texts[at] or "").value
    return proof


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
