"""Which exports a profile claims, and what the columns of their tables hold."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from ingest.cells.text import fold, fold_heading
from ingest.cells.units import Unit
from ingest.exports.context import Context
from ingest.exports.grid import DELIMITERS, parse_grid
from ingest.exports.headings import parse_heading
from ingest.exports.layout import find_plan
from ingest.exports.plan import Plan
from ingest.exports.wide import TestColumn, attach

if TYPE_CHECKING:
    from ingest.profiles.csv import Column, CsvProfile

_NO_WORD: Final = re.compile(r"[\W_]+")
_NO_ASCII_WORD: Final = {mark: None for mark in range(128) if not chr(mark).isalnum()}
CLAIM_LINES: Final = 100
FEWEST_KNOWN: Final = 2
Row = Sequence[str]


def normal(heading: str) -> str:
    """A heading as it is compared: folded, lower case."""
    return fold_heading(heading).lower()


@lru_cache(maxsize=64)
def squeezed(text: str) -> str:
    """Only the letters and digits of a text, folded: a quick look whether a heading can stand in it at all."""
    return text.lower().translate(_NO_ASCII_WORD) if text.isascii() else _NO_WORD.sub("", normal(text))


def claims_lines(profile: CsvProfile, lines: Sequence[str]) -> bool:
    """True where a row among the first hundred lines holds all the headings, and these lines all other texts."""
    first = list(lines[:CLAIM_LINES])
    text = "\n".join(first)
    if not all(wanted in text for wanted in profile.recognise.contains):
        return False
    wanted = {normal(heading) for heading in profile.recognise.headings}
    if wanted and squeezed(max(wanted, key=len)) not in squeezed(text):
        return False
    marks = [profile.delimiter] if profile.delimiter else [mark for mark in DELIMITERS if mark in text]
    return not wanted or any(
        len(row) >= len(wanted) and wanted <= {normal(cell) for cell in row}
        for mark in marks
        for row in parse_grid(first, mark, complete=True).rows
    )


def find_profile_plan(
    profile: CsvProfile, rows: Sequence[Row], position: int, context: Context, body: Callable[[int], Sequence[Row]]
) -> tuple[Plan, int] | None:
    """The plan of a table that the profile describes; with ``rest`` also that of a table that it does not.

    A table without a column of values is none: its rows would be read as nothing, and are refused instead.
    """
    built = find_plan(rows, position, context, body) if profile.rest else None
    if built and _describes(profile, built[0].headings):
        return _if_read(make_profile_plan(profile, built[0].headings, built[0]), built[1])
    headings = [fold(cell) for cell in rows[position]]
    if _describes(profile, headings):
        return _if_read(make_profile_plan(profile, headings, None), 1)
    return built


def _if_read(plan: Plan, used: int) -> tuple[Plan, int] | None:
    return (plan, used) if plan.value is not None or plan.tests else None


def _describes(profile: CsvProfile, headings: Sequence[str]) -> bool:
    """True where the headings are those that the profile is for."""
    there = {normal(heading) for heading in headings if heading}
    if profile.recognise.headings:
        return {normal(heading) for heading in profile.recognise.headings} <= there
    known = {normal(column.heading) for column in profile.column}
    return len(known & there) >= min(FEWEST_KNOWN, len(known))


def make_profile_plan(profile: CsvProfile, headings: Sequence[str], built: Plan | None) -> Plan:
    """The plan for ``headings``: the columns that the profile describes, and the others as ``built`` has them."""
    places = {normal(heading): at for at, heading in reversed(list(enumerate(headings))) if heading}
    columns = {places[normal(one.heading)]: one for one in profile.column if normal(one.heading) in places}
    roles = {one.holds: at for at, one in columns.items() if one.holds not in ("ignore", "reading")}
    tests = [
        TestColumn(at, headings[at], one.measured().meaning()) for at, one in columns.items() if one.holds == "reading"
    ]
    for at, one in columns.items():
        if one.holds in ("comparator", "flag"):
            tests = attach(tests, at, one.holds, parse_heading(headings[at]).of)
    clocked = [parse_heading(headings[roles[role]]) for role in ("moment", "time", "date", "epoch") if role in roles]
    unit = next((one.told_unit for one in columns.values() if one.holds == "value"), None)
    plan = Plan(
        headings=tuple(headings), roles=tuple(sorted(roles.items())), tests=tuple(tests), value=roles.get("value"),
        value_unit=unit, told=next((one.order for one in clocked if one.order), None),
        offset_min=next((one.offset_min for one in clocked if one.offset_min is not None), None),
        names=profile.names, words=profile.words,
    )  # fmt: skip
    return plan if built is None else _with_rest(plan, built, columns)


def _with_beside(test: TestColumn, built: TestColumn | None) -> TestColumn:
    """``test`` with the columns beside it that the words of the trade find and the profile does not describe."""
    if built is None:
        return test
    return replace(
        test,
        unit_at=None if test.meaning.unit else built.unit_at,
        sign_at=test.sign_at or built.sign_at,
        flags=(*test.flags, *built.flags),
    )


def _with_rest(plan: Plan, built: Plan, columns: Mapping[int, Column]) -> Plan:
    """``plan`` with what the words of the trade make of the columns that the profile does not describe."""
    own = dict(plan.roles)
    others = {role: at for role, at in built.roles if at not in columns and role not in own}
    left = [test for test in built.tests if test.index not in columns and test.index not in own.values()]
    beside = {test.index: test for test in built.tests}
    told = [_with_beside(test, beside.get(test.index)) for test in plan.tests]
    tests = sorted([*told, *left], key=lambda test: test.index)
    value, meaning, value_unit = built.value, built.meaning, built.value_unit
    if plan.value is not None:
        value, value_unit, tests = plan.value, plan.value_unit, []
        meaning = None if "test" in own or "test" in others else built.meaning
    elif plan.tests or value in columns:
        others.pop("value", None)
        value, meaning, value_unit = None, None, None
    settled, doubt = _settle_units(tests, built)
    if plan.value is not None and plan.value == built.value:
        value_unit, clash = _settle_unit(value_unit, built.value_unit, plan.headings[plan.value])
        doubt = doubt or clash
    return replace(
        built, roles=tuple(sorted((own | others).items())), tests=settled, value=value, meaning=meaning,
        value_unit=value_unit, doubt=doubt or _doubt(built, columns), told=plan.told or built.told,
        offset_min=built.offset_min if plan.offset_min is None else plan.offset_min, names=plan.names, words=plan.words,
    )  # fmt: skip


def _doubt(built: Plan, columns: Mapping[int, Column]) -> str:
    """The doubt of the words of the trade, unless the profile says which column holds the value."""
    settled = any(column.holds in ("value", "reading") for column in columns.values())
    return "" if settled else built.doubt


def _settle_units(planned: Sequence[TestColumn], built: Plan) -> tuple[tuple[TestColumn, ...], str]:
    """Columns of readings with the unit that their heading or the row of units says, where the profile says none."""
    known = {test.index: test for test in built.tests}
    tests, doubt = [], ""
    for test in planned:
        if test.index in known and known[test.index] is not test:
            seen = known[test.index]
            unit, clash = _settle_unit(test.meaning.unit, seen.meaning.unit, test.heading)
            doubt = doubt or clash
            test = replace(seen, meaning=replace(test.meaning, unit=unit))
        tests.append(test)
    return tuple(tests), doubt


def _settle_unit(told: Unit | None, seen: Unit | None, name: str) -> tuple[Unit | None, str]:
    """The unit in force; or a doubt, where the file says another one than the profile."""
    if told is None or seen is None or seen.unsure:
        return told or seen, ""
    if told.base == seen.base and abs(told.exponent - seen.exponent) in (3, 6, 9):
        return told, f"{name}: the file says another unit than the profile"
    return told, ""
