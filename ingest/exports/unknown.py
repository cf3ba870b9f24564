"""Columns of a wide table whose heading nobody knows: values that stand below it are refused, not passed over."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import Final

from ingest.cells.text import CACHE
from ingest.cells.value import unit_in
from ingest.cells.verdict_words import ONLY_VERDICTS
from ingest.cells.words import is_not_measured, is_over_range
from ingest.exports.headings import parse_heading
from ingest.exports.measurements import Meaning
from ingest.exports.plan import Plan
from ingest.exports.roles import is_state
from ingest.exports.wide import TestColumn

FEWEST: Final = 0.3
"""From this share of cells on that look like values, a column is one of values."""
_NUMBER: Final = re.compile(r"[<>≥≤]?=?\s*[+-]?\s*(?:\d[\d.,·' ]*\d|\d)(?:[eE][+-]?\d+)?")


def keep_unknown(plan: Plan, sample: Sequence[Sequence[str]]) -> Plan:
    """The plan of a wide table with every column that holds values, also those under headings that are not known."""
    if plan.value is not None or plan.crossed:
        return plan
    taken = {at for role, at in plan.roles if role != "value"} | {test.index for test in plan.tests}
    for test in plan.tests:
        taken |= {at for at in (test.unit_at, test.sign_at, *test.flags) if at is not None}
    found = [
        TestColumn(at, heading, Meaning())
        for at, heading in enumerate(plan.headings)
        if at not in taken and _is_open(heading) and _holds_values([row[at] for row in sample if at < len(row)])
    ]
    return replace(plan, tests=tuple(sorted((*plan.tests, *found), key=lambda test: test.index))) if found else plan


def _is_open(heading: str) -> bool:
    """True for a heading that says nothing known or nothing clear, or only that values stand below it."""
    known = parse_heading(heading)
    unclear = bool(known.meaning.unclear) and not known.meaning.is_reading and not known.roles
    return not known.known or unclear or any(role == "value" for role, _ in known.roles[:1])


def _holds_values(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell and not is_not_measured(cell)]
    if not filled or _counts(filled) or all(cell.lower() in ONLY_VERDICTS for cell in filled):
        return False
    return sum(1 for cell in filled if looks_like_value(cell)) >= FEWEST * len(filled)


def _counts(cells: Sequence[str]) -> bool:
    """True for 1, 2, 3: the rows are counted."""
    numbers = [int(cell) for cell in cells if cell.isascii() and cell.isdigit() and len(cell) < 12]
    return len(numbers) == len(cells) > 1 and all(after - before == 1 for before, after in pairwise(numbers))


@lru_cache(maxsize=CACHE)
def looks_like_value(cell: str) -> bool:
    """True for a number alone or with a unit, over range, an indication."""
    return bool(_NUMBER.fullmatch(cell)) or unit_in(cell) is not None or is_over_range(cell) or is_state(cell)
