"""Where the tables of an export are, and what each of their columns holds."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache, lru_cache, partial
from itertools import groupby
from typing import Final

from ingest.cells.clocks import parse_clock, split_moment
from ingest.cells.dates import parse_date
from ingest.cells.text import CACHE, fold
from ingest.cells.units import Unit, parse_unit
from ingest.cells.value import number_of, unit_in
from ingest.exports.context import Context, context_key, is_comment, is_furniture, is_statistic
from ingest.exports.grid import Grid
from ingest.exports.headings import Heading, parse_heading, parse_order
from ingest.exports.measurements import SMALL_R2, parse_meaning, with_unit
from ingest.exports.name_units import take_unit
from ingest.exports.plan import REMARKS, Plan
from ingest.exports.roles import (
    ANCHORS,
    assign_roles,
    could_be_values,
    is_conductor,
    is_state,
    second_values,
)
from ingest.exports.unknown import keep_unknown
from ingest.exports.wide import CONFLICT, TestColumn, contradicts, test_columns

SAMPLE_ROWS: Final = 40
FEWEST_KNOWN: Final = 2
NOTHING: Final = ("-", "--", "---", "n/a")


_QUANTITY_CELL: Final = re.compile(r"[<>≥≤]?\s?[0-9][0-9.,]*\s?[^\d\s]{1,6}")
_WHEN: Final = re.compile(r"\d{1,2}:\d{2}|\d{4}-\d\d-\d\d|\d{1,2}[/.]\d{1,2}[/.]\d{2,4}")
"""A date or time anywhere in a cell: no heading holds one."""
_TEST_VOLTS: Final = re.compile(r"(?:50|100|125|250|500|1000)\s?V")
_SHARE_OF: Final = re.compile(r"\d{1,3}\s?% (?:of )?[a-z].*", re.IGNORECASE)
"""The name of a share of something: ``80% limit``."""
Body = Callable[[int], Sequence[Sequence[str]]]
Sample = Callable[[], Sequence[Sequence[str]]]


@lru_cache(maxsize=CACHE)
def is_data_cell(text: str) -> bool:
    """True for numbers, dates and times: what never stands in a heading row."""
    cell = fold(text)
    if not cell or not any(mark.isdigit() for mark in cell) or _SHARE_OF.fullmatch(cell):
        return False
    if _WHEN.search(cell):
        return parse_heading(cell).order is None
    if _QUANTITY_CELL.fullmatch(cell) and unit_in(cell) is not None and not _TEST_VOLTS.fullmatch(cell):
        return True
    if number_of(cell) is not None:
        heading = parse_heading(cell)
        named = heading.roles or heading.meaning.is_reading or heading.meaning.rcd_multiple is not None
        return not named and cell[0] in "0123456789+-.,<>≥≤"
    return parse_date(cell).seen or split_moment(cell) is not None or parse_clock(cell).nanoseconds is not None


def sample_after(rows: Sequence[Sequence[str]], position: int) -> Body:
    """Rows after the first n heading rows at ``position`` that look like data: no blanks, no furniture, no headings."""
    head = {"", *(fold(cell) for cell in rows[position])}

    @cache
    def kept(at: int) -> list[str] | None:
        cells = [fold(cell) for cell in rows[at]]
        first = next((cell for cell in cells if cell), "")
        words = first and not first[0].isdigit()
        if not first or (words and (is_furniture(first) or is_comment(first) or is_statistic(first))):
            return None
        alone = len(cells) > 2 and cells.count("") == len(cells) - 1
        return None if alone or (first in head and head.issuperset(cells)) else cells

    @cache
    def body(used: int) -> list[Sequence[str]]:
        places = range(position + used, min(position + used + SAMPLE_ROWS, len(rows)))
        return [cells for at in places if (cells := kept(at)) is not None]

    return body


def sample_in(grid: Grid, position: int) -> Body:
    """``sample_after`` for the rows of a grid, looked at once."""
    body: Body | None = grid.found.get(position)
    if body is None:
        body = grid.found[position] = sample_after(grid.rows, position)
    return body


def find_in(grid: Grid, position: int, context: Context) -> tuple[Plan, int] | None:
    """``find_plan`` for the rows of a grid, looked for once: first the shape of a file is chosen, then it is read."""
    told = (position, context.test, context.test_text)
    if told not in grid.found:
        grid.found[told] = find_plan(grid.rows, position, context, sample_in(grid, position))
    plan: tuple[Plan, int] | None = grid.found[told]
    return plan


def find_plan(rows: Sequence[Sequence[str]], position: int, context: Context, body: Body) -> tuple[Plan, int] | None:
    """The plan of a table whose headings begin at ``rows[position]``, and how many rows they take; else None.

    ``body(n)`` gives sample rows after the first n heading rows. Headings may take two rows (group above name), and a
    row of units may follow. Of ``context`` only the test that a title names counts (``find_in`` relies on it).
    """
    first = rows[position]
    following = rows[position + 1] if position + 1 < len(rows) else ()
    if _are_units_above(first, following):
        return _below_units(rows, position, context, body)
    grouped = _repeats_group(first) and _may_be_group(first, following)
    if not grouped and not _may_be_headings(first):
        return None
    best: tuple[Plan, int] | None = None
    candidates = [([fold(cell).replace("\n", " ") for cell in first], 1)]
    if grouped:
        candidates = [(_stacked(first, following), 2)]
    elif _may_be_group(first, following):
        stacked = (_stacked(first, following), 2)
        alone = _qualifies_all(first, following) and all(cell.strip() for cell in first)
        candidates = [stacked] if alone else [*candidates, stacked]
    third = rows[position + 2] if position + 2 < len(rows) else ()
    if _under(first, following) and _under(first, third) and _may_be_group(first, third):
        candidates.append((_stacked(_stacked(first, following), third), 3))
    for headings, taken in candidates:
        after = rows[position + taken] if position + taken < len(rows) else ()
        units = _units_row(after, len(headings))
        used = taken + (1 if units else 0)
        plan = make_plan(headings, units or [], context, partial(_of_width, body, used, len(headings)))
        lowest = [fold(cell) for cell in rows[position + taken - 1]]
        if plan and taken > 1 and not _adds(plan, lowest, units or [], context, partial(body, used)):
            plan = None
        if plan and taken == 1 and _leaves_names_below(first, following):
            plan = None
        if plan and (best is None or richness(plan) > richness(best[0])):
            best = plan, used
    return None if best is None else (keep_unknown(best[0], body(best[1])), best[1])


def _are_units_above(row: Sequence[str], following: Sequence[str]) -> bool:
    """True for a row of units that stands above its headings."""
    filled = sum(1 for cell in row if cell.strip())
    return (
        filled > 1
        and len(row) == len(following)
        and _units_row(row, len(row)) is not None
        and _may_be_headings(following)
        and _units_row(following, len(following)) is None
    )


def _below_units(rows: Sequence[Sequence[str]], position: int, context: Context, body: Body) -> tuple[Plan, int] | None:
    """The plan of a table whose headings stand below their units."""
    units, headings = ([fold(cell) for cell in row] for row in (rows[position], rows[position + 1]))
    if position + 2 < len(rows) and _units_row(rows[position + 2], len(headings)) is not None:
        return None
    plan = make_plan(headings, units, context, partial(_of_width, body, 2, len(headings)))
    return None if plan is None else (keep_unknown(plan, body(2)), 2)


def _of_width(body: Body, used: int, width: int) -> Sequence[Sequence[str]]:
    """The rows with as many cells as there are headings, where they are not too few: others say nothing of a column."""
    sample = body(used)
    exact = [row for row in sample if len(row) == width]
    return exact if 4 * len(exact) >= len(sample) else sample


def _adds(plan: Plan, lower: Sequence[str], units: Sequence[str], context: Context, sample: Sample) -> bool:
    """True where a row of groups explains more than the row below it alone."""
    alone = make_plan(lower, units, context, sample)
    return alone is None or richness(alone) < richness(plan)


def looks_like_headings(row: Sequence[str]) -> bool:
    """True for a row of headings, whether or not they say what was measured: mostly known, no data, an anchor."""
    if not _may_be_headings(row):
        return False
    filled = [parse_heading(fold(cell)) for cell in row if fold(cell)]
    known = [heading for heading in filled if heading.known]
    anchored = {role for heading in known for role, _ in heading.roles[:1]} & ANCHORS
    return len(known) >= 2 and len(anchored) >= 2 and len(known) * 2 >= len(filled)


def richness(plan: Plan) -> int:
    """How much of a table the headings explain."""
    readings = [test.meaning for test in plan.tests if test.meaning.is_reading]
    paired = sum(1 for meaning in readings if meaning.conductors)
    return len(plan.known_tests) + len(readings) + paired + len(plan.roles) + (2 if plan.is_long else 0)


def _may_be_headings(row: Sequence[str], least: int = 2, *, grouped: bool = False) -> bool:
    """True where no cell speaks against headings; ``grouped``: conductors may come again, once for each group."""
    cells = [fold(cell) for cell in row]
    cells = [cell for cell in cells if cell]
    counted = [cell for cell in cells if not (grouped and _qualifies(cell))]
    repeated = len(counted) - len(set(counted))
    states = sum(
        1 for cell in set(cells) if is_state(cell) and not (cell == "No." or parse_heading(cell).meaning.is_reading)
    )
    if len(cells) < least or repeated * 3 > len(cells) or states > 1 or _lists_units(cells):
        return False
    return not any(is_data_cell(cell) for cell in cells)


def _lists_units(cells: Sequence[str]) -> bool:
    """True for a line of the preamble that gives the unit of each quantity."""
    return len(cells) > 2 and context_key(cells[0]) == "units" and all(parse_meaning(cell).unit for cell in cells[1:])


def _may_be_group(above: Sequence[str], below: Sequence[str]) -> bool:
    """True where ``above`` can be a row of groups over the names in ``below``: one of them leaves cells empty."""
    if not below or not _may_be_headings(below, grouped=True) or _units_row(below, len(above)) is not None:
        return False
    named = sum(1 for cell in below if cell.strip())
    if _qualifies_all(above, below):
        return True
    if len(above) < len(below) - 1:
        return False
    if named * 2 < len(below) or named < sum(1 for cell in above if cell.strip()):
        return _goes_on(above, below)
    return any(not cell.strip() for cell in above) or any(not cell.strip() for cell in below)


def _goes_on(above: Sequence[str], below: Sequence[str]) -> bool:
    """True where names go on in the next row: each stands below a name, and one says a pair or a unit."""
    return _under(above, below) and any(_qualifies(fold(cell)) for cell in below if cell.strip())


def _under(above: Sequence[str], below: Sequence[str]) -> bool:
    """True for two names or more, no data, each below a name."""
    named = [at for at, cell in enumerate(below) if cell.strip()]
    return _may_be_headings(below, grouped=True) and all(at < len(above) and above[at].strip() for at in named)


def _repeats_group(row: Sequence[str]) -> bool:
    """True for names of groups that are written above each of their columns: the same words side by side."""
    cells = [fold(cell) for cell in row]
    runs = [name for name, _ in groupby(cells) if name]
    filled = sum(1 for cell in cells if cell)
    return len(runs) == len(set(runs)) < filled and not any(is_data_cell(cell) for cell in runs)


def _leaves_names_below(above: Sequence[str], below: Sequence[str]) -> bool:
    """True where names that are known stand below empty cells of a row: it is a row of groups and never read alone."""
    if not _may_be_headings(below, grouped=True) or _units_row(below, max(len(above), len(below))) is not None:
        return False
    known = [at for at, cell in enumerate(below) if fold(cell) and parse_heading(fold(cell)).known]
    bare = [at for at in known if at >= len(above) or not above[at].strip()]
    return len(bare) >= 2 and 2 * len(known) >= sum(1 for cell in below if cell.strip())


def _qualifies_all(above: Sequence[str], below: Sequence[str]) -> bool:
    """True where every cell of a row says more about the heading above it, and nothing else."""
    filled = [cell for cell in below if cell.strip()]
    return len(above) >= len(below) and len(filled) > 1 and all(_qualifies(fold(cell)) for cell in filled)


def _qualifies(cell: str) -> bool:
    """True for what can stand below the name of a quantity: conductors, a unit, a test voltage, a multiple."""
    heading = parse_heading(cell)
    meaning = heading.meaning
    told = (
        parse_unit(cell)
        or heading.unit
        or meaning.unit
        or meaning.conductors
        or meaning.test_voltage_v
        or meaning.rcd_multiple
    )
    return bool(told) and not heading.roles


def _stacked(above: Sequence[str], below: Sequence[str]) -> list[str]:
    """Two heading rows as one: the upper one holds for the empty cells to its right, but not for names of a number, a
    date, a place or a remark there.
    """
    headings, group = [], ""
    for index in range(max(len(above), len(below))):
        upper = fold(above[index]) if index < len(above) else ""
        lower = fold(below[index]) if index < len(below) else ""
        group = _with_unit_apart(upper) or group
        if lower and not upper and _stands_alone(lower):
            headings.append(lower)
            continue
        headings.append(f"{group if lower else upper} {lower}".strip())
    return headings


def _with_unit_apart(group: str) -> str:
    """``Voltage V`` as ``Voltage (V)``: the unit of a group is still one where a name follows it."""
    words = group.split()
    if len(words) < 2 or parse_heading(group).unit is None or not parse_unit(words[-1]) or not words[-1].isalpha():
        return group
    return f"{' '.join(words[:-1])} ({words[-1]})"


_ALONE: Final = frozenset(("epoch", "moment", "date", "time", "memory_no", "meter_serial", "label", "id", "zone"))


def _stands_alone(lower: str) -> bool:
    """True for a heading that needs no group above it."""
    heading = parse_heading(lower)
    told = {role for role, _ in heading.roles[:1]}
    return (bool(told & _ALONE) and not heading.meaning.is_reading) or lower.lower().rstrip(".:") in REMARKS


def _units_row(row: Sequence[str], width: int) -> list[str] | None:
    """The cells of a row that holds only units (and date formats), or None."""
    cells = [fold(cell) for cell in row]
    filled = [cell for cell in cells if cell and cell.lower() not in NOTHING]
    if filled and filled[0].lower().strip("()[]:") in ("unit", "units", "uom") and len(filled) > 1:
        filled = filled[1:]
    if not filled or len(cells) > width + 1:
        return None
    units = [cell for cell in filled if parse_unit(cell)]
    words = ("hh:mm", "hh:mm:ss", "text", "date", "time", "no", "#", "pass/fail", "number", "string")
    formats = [cell for cell in filled if parse_order(cell) or cell.lower().strip("()[]") in words]
    return cells if units and len(units) + len(formats) == len(filled) else None


def with_units(plan: Plan, row: Sequence[str]) -> Plan | None:
    """The plan for rows below another row of units inside a table; None where ``row`` is none.

    A unit that stands below a column counts from there on. Where the heading itself names another one, nothing is
    certain any more.
    """
    units = _units_row(row, plan.width)
    if units is None or len(row) < plan.width:
        return None
    told = [parse_unit(unit) for unit in units]
    if plan.value is not None:
        return _with_unit_of_value(plan, told[plan.value])
    tests = []
    for test in plan.tests:
        unit, heading = told[test.index], parse_heading(plan.headings[test.index])
        if unit is not None:
            conflict = CONFLICT if contradicts(heading, unit) else ""
            test = replace(test, meaning=with_unit(replace(test.meaning, unit=unit), unit), conflict=conflict)
        tests.append(test)
    return replace(plan, tests=tuple(tests))


def _with_unit_of_value(plan: Plan, unit: Unit | None) -> Plan | None:
    """The plan of a long table with another unit below the heading of its values."""
    assert plan.value is not None
    if unit is None:
        return None
    doubt = CONFLICT if contradicts(parse_heading(plan.headings[plan.value]), unit) else plan.doubt
    return replace(plan, value_unit=unit, doubt=doubt)


def find_ends(columns: Sequence[Sequence[str]], roles: Mapping[str, int]) -> tuple[int, ...]:
    """The columns that name one conductor each: from which and to which was measured."""
    taken = {at for role, at in roles.items() if role not in ("pair", "id", "label")}
    ends = {
        at: {cell.lower() for cell in cells if cell}
        for at, cells in enumerate(columns)
        if at not in taken and any(cells) and all(is_conductor(cell) for cell in cells if cell)
    }
    return tuple(ends) if len(set().union(*ends.values())) > 1 else ()


def settle_small_letters(known: Sequence[Heading]) -> list[Heading]:
    """The headings, ``r2`` read as R2 where all names of measurements are in small letters and no other conductor of a
    ring is among them: there its letter says nothing.
    """
    small = [heading for heading in known if heading.meaning.unclear == SMALL_R2]
    others = [take_unit(one.text)[0] for one in known if one.meaning.speaks and one not in small]
    ring = any(_OF_RING.search(heading.text) for heading in known)
    if not small or not others or ring or any(name != name.lower() for name in others):
        return list(known)
    return [parse_heading(one.text.replace("r2", "R2")) if one in small else one for one in known]


_OF_RING: Final = re.compile(r"(?<![A-Za-z])r[\s_.]?[1n](?![A-Za-z0-9])|ring|end to end", re.IGNORECASE)


def make_plan(headings: Sequence[str], units: Sequence[str], context: Context, sample: Sample) -> Plan | None:
    """The plan for ``headings`` with a units row (or none), checked against ``sample`` rows; None where they are no
    headings of a table that can be read.
    """
    known = settle_small_letters([parse_heading(heading) for heading in headings])
    filled = sum(1 for heading in headings if heading)
    named = sum(1 for heading in known if heading.known)
    if named < FEWEST_KNOWN or named * 2 < filled:
        return None
    rows = sample()
    columns = [[row[index] for row in rows if index < len(row)] for index in range(len(headings))]
    roles = assign_roles(known, columns)
    half = find_half(headings, columns, roles)
    roles |= {} if half is None else {"half": half}
    row_units = [parse_unit(units[index]) if index < len(units) else None for index in range(len(headings))]
    ends = find_ends(columns, roles)
    if len(ends) > 1:
        roles = {role: at for role, at in roles.items() if at not in ends} | {"from": ends[0], "to": ends[1]}
    plan = _bare_plan(headings, units, known, roles)
    if len(ends) > 2:
        apart = ", ".join(headings[at] for at in ends)
        plan = replace(plan, doubt=f"{apart} name one conductor each: a profile can say which pair is meant")
    value = roles.get("value")
    if value is not None and ("test" in roles or context.test is not None):
        second = second_values(known, columns, roles)
        doubt = f"{headings[value]} and {headings[second[0]]} could both hold the value" if second else ""
        doubt = doubt or (CONFLICT if contradicts(known[value], row_units[value]) else "") or plan.doubt
        doubt = doubt or _split_values(headings, known, columns, value)
        meaning = None if "test" in roles else context.test
        return replace(
            plan, value=value, meaning=meaning, value_unit=known[value].unit or row_units[value], doubt=doubt
        )
    if value is None and (crossed := _crossed(plan, known, columns)) is not None:
        return crossed
    tests = test_columns(headings, known, columns, row_units, roles, context.test_text)
    sound = [test for test in tests if test.meaning.is_reading]
    anchors = [role for role in roles if role in ANCHORS]
    if not sound or len(anchors) + len(tests) < 2:
        return None
    filled_tests = [test for test in sound if any(columns[test.index])]
    likely = [test for test in filled_tests if could_be_values(test.meaning.quantity, columns[test.index])]
    if len(likely) * 2 < len(filled_tests):
        return None
    return replace(plan, tests=tests)


def _split_values(
    headings: Sequence[str], known: Sequence[Heading], columns: Sequence[Sequence[str]], value: int
) -> str:  # fmt: skip
    """Why values may have been cut at their decimal comma; nothing where they were not: digits stand where units do."""
    at = value + 1
    if at >= len(headings) or "unit" not in [role for role, _ in known[at].roles]:
        return ""
    cells = [cell for cell in columns[at] if cell]
    if not cells or not all(cell.isdecimal() for cell in cells):
        return ""
    return f"numbers stand under {headings[at]}: a decimal comma may have cut the values in two"


_HALVES: Final = ("am", "pm", "a.m.", "p.m.", "a.m", "p.m")


def find_half(headings: Sequence[str], columns: Sequence[Sequence[str]], roles: Mapping[str, int]) -> int | None:
    """The column that says AM or PM for the times of another one; None where there is none."""
    if "time" not in roles and "moment" not in roles:
        return None
    for at, cells in enumerate(columns):
        filled = [cell.lower() for cell in cells if cell]
        told = sum(1 for cell in filled if cell in _HALVES)
        named = "".join(headings[at].lower().split()) in ("am/pm", "ampm", "a.m./p.m.", "am-pm")
        if at not in roles.values() and ((filled and 2 * told > len(filled)) or named):
            return at
    return None


def _bare_plan(
    headings: Sequence[str], units: Sequence[str], known: Sequence[Heading], roles: Mapping[str, int]
) -> Plan:
    """Roles, date order and zone of a table, without what it measures."""
    told = next((heading.order for heading in known if heading.order), None)
    told = told or next((order for unit in units if (order := parse_order(unit))), None)
    clocked = [known[at] for role in ("moment", "time", "date", "epoch") if (at := roles.get(role)) is not None]
    offset = next((heading.offset_min for heading in clocked if heading.offset_min is not None), None)
    return Plan(headings=tuple(headings), roles=tuple(sorted(roles.items())), told=told, offset_min=offset)


def _crossed(plan: Plan, known: Sequence[Heading], columns: Sequence[Sequence[str]]) -> Plan | None:
    """The plan of a table whose rows name quantities and whose columns name conductors; None where it is not so."""
    at = plan.at("test")
    pairs = [
        index for index, heading in enumerate(known) if not heading.roles and heading.meaning.quantity is None
        and heading.meaning.conductors is not None and heading.unit is None
    ]  # fmt: skip
    if at is None or len(pairs) < 2 or not any(columns[at]):
        return None
    tests = tuple(TestColumn(index, plan.headings[index], known[index].meaning, plan.at("unit")) for index in pairs)
    return replace(plan, tests=tests, crossed=True)


def names_only_pairs(name: str) -> bool:
    """True where the name of a test is only a pair of conductors: the unit has to tell what was measured."""
    meaning = parse_meaning(name)
    return meaning.quantity is None and meaning.other is None and meaning.conductors is not None
