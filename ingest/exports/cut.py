"""The last line of a file without a line end: complete, or cut off in the middle of a cell."""

from __future__ import annotations

import re
from collections.abc import Sequence

from ingest.cells.text import fold
from ingest.exports.plan import Plan

_DIGITS = re.compile(r"\d+")


def settle_last_row(
    cells: list[str], plan: Plan, others: Sequence[Sequence[str]]
) -> tuple[list[str], str, list[str] | None]:
    """The cells of the last row that can be trusted, why the row is refused where that is too few, and a row of its own
    for the cell at the cut where that one held a value of a wide table.

    The cell at the cut is never trusted; those before it stand under their own headings. Where just one is missing in a
    wide table, it may be one in the middle as well, and none is trusted.
    """
    if len(cells) > plan.width:
        return cells, "unreadable", None
    if plan.value is None and len(cells) == plan.width - 1:
        return cells, "cut off", None
    last = len(cells) - 1
    if len(cells) == plan.width and _looks_whole(cells[last], [row[last] for row in others if last < len(row)]):
        return cells, "", None
    kept = [*cells[:last], *[""] * (plan.width - last)]
    if plan.value is not None:
        needed = [
            plan.value,
            *(at for role, at in plan.roles if role in ("test", "unit", "comparator", "pair", "prefix")),
        ]
        return (kept, "", None) if max(needed) < last else (cells, "cut off", None)
    if any(test.index == last for test in plan.tests):
        return kept, "", [*[""] * last, cells[last], *[""] * (plan.width - last - 1)]
    return kept, "", None


def _looks_whole(cell: str, others: Sequence[str]) -> bool:
    """True where the cell has a shape that another cell of its column has, or a text that stands there too.

    The last digits may be cut off without a sign: there have to be as many as in any other cell of that shape.
    """
    text = fold(cell)
    if not text:
        return True
    folded = [fold(other) for other in others]
    unit = _unit_of(text)
    if unit and unit in {_unit_of(other) for other in folded}:
        return True
    if any(mark.isdigit() for mark in text):
        shape = _shape(text)
        alike = [other for other in folded if _shape(other) == shape]
        longer = any(other != shape and other.startswith(shape) for other in map(_shape, folded))
        return bool(alike) and not longer and _last_digits(text) >= max(_last_digits(other) for other in alike)
    return text in folded or not any(other.startswith(text) for other in folded)


def _unit_of(text: str) -> str:
    """The unit behind a number, as written."""
    found = re.fullmatch(r"[<>≥≤]?\s*[\d.,]+\s*(\D+)", text)
    return found[1] if found else ""


def _shape(text: str) -> str:
    """``0.35`` and ``12.4`` have the shape ``#.#``: how many digits stand together counts for nothing."""
    return _DIGITS.sub("#", "".join(text.split()).replace(",", "."))


def _last_digits(text: str) -> int:
    """How many digits stand at the end."""
    return len(text) - len(text.rstrip("0123456789"))
