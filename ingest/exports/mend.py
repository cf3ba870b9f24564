"""A row with too many cells, put together again where that is possible in one way only.

A separator inside a label that was not quoted, or a decimal comma in a file separated by commas, splits one cell in
two. If the pieces fit the columns in exactly one way (dates are dates, tests are tests, units are units), that is how
it was.
"""

from __future__ import annotations

from collections.abc import Sequence

from ingest.cells.clocks import parse_clock, split_moment
from ingest.cells.dates import parse_date
from ingest.cells.text import fold
from ingest.cells.units import parse_unit
from ingest.cells.value import number_of, parse_comparator
from ingest.cells.verdict_words import VERDICT_COLUMN
from ingest.cells.words import find_indication, is_not_measured, is_over_range
from ingest.exports.measurements import parse_meaning
from ingest.exports.plan import Plan
from ingest.exports.roles import parse_memory_no

MOST_EXTRA: int = 3
CHECKED: frozenset[str] = frozenset(
    ("moment", "date", "time", "epoch", "memory_no", "unit", "test", "comparator", "verdict", "pair")
)


def mend_row(cells: Sequence[str], plan: Plan, delimiter: str) -> list[str] | None:
    """The row with as many cells as headings, if there is exactly one way to get there; else None."""
    extra = len(cells) - plan.width
    if plan.value is None or not 0 < extra <= MOST_EXTRA or not delimiter.strip():
        return None
    found = []
    kept_whole = {at for role, at in plan.roles if role != "label"} - {plan.value}
    if delimiter != ",":
        kept_whole.add(plan.value)
    for at in range(plan.width):
        if at in kept_whole:
            continue
        pieces = cells[at : at + extra + 1]
        joined = [*cells[:at], delimiter.join(pieces), *cells[at + extra + 1 :]]
        if _is_one_text(pieces, value=at == plan.value) and fits_plan(joined, plan):
            found.append(joined)
    return found[0] if len(found) == 1 else None


def _is_one_text(pieces: Sequence[str], *, value: bool) -> bool:
    """True where the pieces read as one: a number with its decimals, or words with a blank behind each mark."""
    if value:
        return len(pieces) == 2 and pieces[0].strip().lstrip("<>≥≤ ").isdigit() and pieces[1][:1].isdigit()
    return pieces[0].strip() != "" and all(piece[:1] == " " and piece.strip() for piece in pieces[1:])


def fits_plan(cells: Sequence[str], plan: Plan) -> bool:
    """True where every cell can stand under its heading, and enough of them can be checked."""
    assert plan.value is not None
    checked = [(role, at) for role, at in plan.roles if role in CHECKED]
    if "test" not in dict(checked) or len(checked) < 3:
        return False
    meaning = parse_meaning(cells[dict(checked)["test"]])
    if not all(_can_be(role, fold(cells[at])) for role, at in checked):
        return False
    value = fold(cells[plan.value])
    return (
        number_of(value) is not None
        or is_not_measured(value)
        or is_over_range(value)
        or (meaning.quantity is not None and find_indication(meaning.quantity, value) is not None)
    )


def _can_be(role: str, cell: str) -> bool:
    if role == "test":
        meaning = parse_meaning(cell)
        return meaning.is_reading or meaning.other is not None or meaning.conductors is not None
    if role in ("date", "moment"):
        return parse_date((split_moment(cell) or (cell, ""))[0]).seen
    if role == "time":
        return parse_clock(cell).nanoseconds is not None
    if role == "epoch":
        return cell.split(".")[0].isdigit()
    if role == "memory_no":
        return parse_memory_no(cell) is not None
    if role == "unit":
        return not cell or cell == "-" or parse_unit(cell) is not None
    if role == "comparator":
        return parse_comparator(cell) is not None
    if role == "pair":
        return not cell or parse_meaning(cell).conductors is not None
    return not cell or cell.lower() in VERDICT_COLUMN
