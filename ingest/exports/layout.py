"""Where the tables of an export are, and what each of their columns holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Final

from ingest.cells.clocks import parse_clock, parse_zone, split_moment
from ingest.cells.dates import parse_date
from ingest.cells.text import CACHE, fold
from ingest.cells.units import Unit, parse_unit
from ingest.cells.value import number_of, parse_comparator
from ingest.exports.context import Context
from ingest.exports.headings import Heading, parse_heading, parse_order
from ingest.exports.measurements import Meaning, parse_meaning, with_unit

SAMPLE_ROWS: Final = 60
SINGLE_ROLES: Final = (
    "epoch", "moment", "date", "time", "memory_no", "meter_serial", "unit", "pair", "comparator", "prefix",
    "test_voltage", "multiple", "zone", "test", "value", "label", "verdict",
)  # fmt: skip
ANCHORS: Final = frozenset(
    ("epoch", "moment", "date", "time", "memory_no", "meter_serial", "unit", "test", "value", "label", "pair")
)


@dataclass(frozen=True)
class TestColumn:
    """One column of a wide table whose cells are values: its position, heading, and what it means."""

    index: int
    heading: str
    meaning: Meaning


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What each column of one table holds.

    Long (``value`` is set): one reading a row, named by ``test`` or by ``meaning``. Wide: one reading for each filled
    cell of ``tests``. ``roles`` gives the position of every other column that is read. ``told`` is the order of day and
    month that heading or profile names, ``offset_min`` the zone in a heading [minutes].
    """

    headings: tuple[str, ...]
    roles: tuple[tuple[str, int], ...]
    tests: tuple[TestColumn, ...] = ()
    value: int | None = None
    meaning: Meaning | None = None
    value_unit: Unit | None = None
    told: str | None = None
    offset_min: int | None = None
    names: Mapping[str, Meaning] = field(default_factory=dict)

    @property
    def is_long(self) -> bool:
        """True where a row is one reading."""
        return self.value is not None

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.headings)

    def at(self, role: str) -> int | None:
        """Position of the column that holds ``role``, or None."""
        return dict(self.roles).get(role)


@lru_cache(maxsize=CACHE)
def is_data_cell(text: str) -> bool:
    """True for numbers, dates and times: what never stands in a heading row."""
    cell = fold(text)
    if not cell:
        return False
    if not any(mark.isdigit() for mark in cell):
        return False
    if number_of(cell) is not None and parse_heading(cell).roles == () and not parse_heading(cell).meaning.is_reading:
        bare = cell.replace(" ", "")
        return bare[0] in "0123456789+-.<>" and not _is_multiple(cell)
    return parse_date(cell).seen or split_moment(cell) is not None or parse_clock(cell).nanoseconds is not None


def _is_multiple(cell: str) -> bool:
    return parse_meaning(cell).rcd_multiple is not None


def find_plan(
    rows: Sequence[Sequence[str]], position: int, context: Context, body: Callable[[int], Sequence[Sequence[str]]]
) -> tuple[Plan, int] | None:
    """The plan of a table whose headings begin at ``rows[position]``, and how many rows they take; else None.

    ``body(n)`` gives sample rows after the first n heading rows. Headings may take two rows (group above name), and a row
    of units may follow.
    """
    first = rows[position]
    if not _may_be_headings(first):
        return None
    best: tuple[Plan, int] | None = None
    single = [fold(cell) for cell in first]
    following = rows[position + 1] if position + 1 < len(rows) else ()
    candidates = [(single, 1)]
    if following and _may_be_headings(following, least=1) and _units_row(following, len(single)) is None:
        candidates.append((_stacked(first, following), 2))
    for headings, taken in candidates:
        after = rows[position + taken] if position + taken < len(rows) else ()
        units = _units_row(after, len(headings))
        used = taken + (1 if units else 0)
        plan = make_plan(headings, units or [], context, body(used))
        if plan and (best is None or _richness(plan) > _richness(best[0])):
            best = plan, used
    return best


def _richness(plan: Plan) -> int:
    return len(plan.tests) + len(plan.roles) + (2 if plan.is_long else 0)


def _may_be_headings(row: Sequence[str], least: int = 2) -> bool:
    cells = [cell for cell in row if cell.strip()]
    return len(cells) >= least and not any(is_data_cell(cell) for cell in cells)


def _stacked(above: Sequence[str], below: Sequence[str]) -> list[str]:
    """Two heading rows as one: the upper one holds for the empty cells to its right."""
    width = max(len(above), len(below))
    headings, group = [], ""
    for index in range(width):
        upper = fold(above[index]) if index < len(above) else ""
        lower = fold(below[index]) if index < len(below) else ""
        group = upper or group
        headings.append(f"{group if lower else upper} {lower}".strip())
    return headings


def _units_row(row: Sequence[str], width: int) -> list[str] | None:
    """The cells of a row that holds only units (and date formats), or None."""
    cells = [fold(cell) for cell in row]
    filled = [cell for cell in cells if cell and cell not in ("-", "--", "---", "n/a")]
    if not filled or len(cells) > width + 1:
        return None
    units = [cell for cell in filled if parse_unit(cell)]
    formats = [
        cell for cell in filled if parse_order(cell) or cell.lower().strip("()[]") in ("hh:mm", "hh:mm:ss", "text")
    ]
    return cells if units and len(units) + len(formats) == len(filled) else None


def make_plan(
    headings: Sequence[str], units: Sequence[str], context: Context, sample: Sequence[Sequence[str]]
) -> Plan | None:
    """The plan for ``headings`` with a units row (or none), checked against ``sample`` rows; None where they are no
    headings of a table that can be read.
    """
    known = [parse_heading(heading) for heading in headings]
    columns = [[fold(row[index]) for row in sample if index < len(row)] for index in range(len(headings))]
    roles = assign_roles(known, columns)
    taken = set(roles.values())
    row_units = [parse_unit(units[index]) if index < len(units) else None for index in range(len(headings))]
    tests = [
        TestColumn(index, headings[index], meaning)
        for index, heading in enumerate(known)
        if index not in taken and (meaning := column_meaning(heading, row_units[index])) is not None
    ]
    filled = sum(1 for heading in headings if heading)
    recognised = sum(1 for heading in known if heading.known or heading.unit)
    if recognised * 2 < filled:
        return None
    told = next((heading.order for heading in known if heading.order), None)
    told = told or next((order for unit in units if (order := parse_order(unit))), None)
    offset = next((known[at].offset_min for role in ("moment", "time", "date", "epoch")
                   if (at := roles.get(role)) is not None and known[at].offset_min is not None), None)  # fmt: skip
    plan = Plan(headings=tuple(headings), roles=tuple(sorted(roles.items())), told=told, offset_min=offset)
    value = roles.get("value")
    if value is not None and ("test" in roles or context.test is not None):
        meaning = None if "test" in roles else context.test
        unit = known[value].unit or row_units[value]
        return replace(plan, value=value, meaning=meaning, value_unit=unit)
    anchors = [role for role in roles if role in ANCHORS]
    if not [test for test in tests if test.meaning.is_reading] or len(anchors) + len(tests) < 2:
        return None
    return replace(plan, tests=tuple(tests))


def column_meaning(heading: Heading, row_unit: Unit | None) -> Meaning | None:
    """What the cells of a wide column are; None where the column holds no readings.

    A heading that is not known but has a unit of a measured quantity is kept: its cells are refused, not forgotten.
    """
    if heading.meaning.other or (heading.roles and not heading.meaning.is_reading):
        return None
    unit = heading.unit or heading.meaning.unit or row_unit
    meaning = with_unit(replace(heading.meaning, unit=unit), unit)
    if meaning.is_reading or meaning.conductors:
        return meaning
    return meaning if unit and unit.base in ("V", "A", "Ohm", "s") and heading.text else None


def assign_roles(known: Sequence[Heading], columns: Sequence[Sequence[str]]) -> dict[str, int]:
    """Role to column: for each role the strongest heading whose cells fit it."""
    roles: dict[str, int] = {}
    taken: set[int] = set()
    offers = sorted(
        (SINGLE_ROLES.index(role), rank, index, role)
        for index, heading in enumerate(known)
        for role, rank in heading.roles
        if role in SINGLE_ROLES
    )
    for _, _, index, role in offers:
        if index in taken:
            continue
        actual = _moment_role(role, columns[index]) if role in ("moment", "date", "time") else role
        if actual in roles or not _fits(actual, columns[index]):
            continue
        roles[actual] = index
        taken.add(index)
    return roles


def _moment_role(role: str, cells: Sequence[str]) -> str:
    """Whether a date or time column holds both, by its first cells."""
    filled = [cell for cell in cells if cell][:20]
    both = sum(1 for cell in filled if split_moment(cell))
    if filled and both * 2 > len(filled):
        return "moment"
    if filled and role == "moment":
        days = sum(1 for cell in filled if parse_date(cell).seen)
        clocks = sum(1 for cell in filled if parse_clock(cell).nanoseconds is not None)
        if days * 2 > len(filled):
            return "date"
        if clocks * 2 > len(filled):
            return "time"
        if all(cell.isdigit() and len(cell) in (10, 13) for cell in filled):
            return "epoch"
    return role


def _share(cells: Sequence[str], fits: Callable[[str], bool]) -> float:
    filled = [cell for cell in cells if cell]
    return sum(1 for cell in filled if fits(cell)) / len(filled) if filled else 1.0


def _fits(role: str, cells: Sequence[str]) -> bool:
    """True where most cells can be what the role says."""
    if role == "memory_no":
        return _share(cells, lambda cell: parse_memory_no(cell) is not None) >= 0.5
    if role == "value":
        return _share(cells, lambda cell: cell.lower() in _VERDICTS) < 0.9 or not any(cells)
    if role == "test":
        return _share(cells, _names_a_test) >= 0.4
    if role == "unit":
        return _share(cells, lambda cell: parse_unit(cell) is not None or cell in ("-", "--", "n/a", "N/A")) >= 0.3
    if role == "pair":
        return _share(cells, lambda cell: parse_meaning(cell).conductors is not None) >= 0.5
    if role == "comparator":
        return _share(cells, lambda cell: parse_comparator(cell) is not None) >= 0.9
    if role == "test_voltage":
        return _share(cells, lambda cell: number_of(cell) is not None) >= 0.5
    if role == "zone":
        return _share(cells, lambda cell: parse_zone(cell) is not None) >= 0.5
    return True


_VERDICTS: Final = frozenset(
    "pass fail passed failed ok p f yes no y n good bad - n/a na true false valid invalid ✓ ✗".split()
)


def _names_a_test(cell: str) -> bool:
    meaning = parse_meaning(cell)
    return meaning.is_reading or meaning.other is not None or meaning.conductors is not None


@lru_cache(maxsize=CACHE)
def parse_memory_no(text: str) -> int | None:
    """The number of a memory slot: digits, perhaps with leading zeros, ``#``, ``M`` or a spreadsheet's ``.0``."""
    cell = fold(text).lstrip("#").strip()
    if cell[:1] in ("M", "m", "R", "r") and cell[1:].isdigit():
        cell = cell[1:]
    if cell.endswith(".0") and cell[:-2].isdigit():
        cell = cell[:-2]
    return int(cell) if cell.isascii() and cell.isdigit() and len(cell) <= 12 else None
