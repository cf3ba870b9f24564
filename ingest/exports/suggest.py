"""Drafts a profile from an export: what each column seems to hold, how sure that is, and what would be read."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import PurePath
from typing import Any, Final

import pandas as pd

from ingest.cells.text import fold
from ingest.cells.units import Unit
from ingest.exports.containers import Member, NotOpened, open_export
from ingest.exports.context import Context
from ingest.exports.dialect import chosen_grid
from ingest.exports.grid import Grid
from ingest.exports.headings import parse_heading
from ingest.exports.layout import Plan, looks_like_headings, sample_after
from ingest.exports.measurements import Meaning, parse_meaning
from ingest.exports.records import Records
from ingest.exports.scan import Scanner
from schemas.errors import InputError
from schemas.quantities import QUANTITIES

SHOWN_READINGS: Final = 5
MOST_NAMES: Final = 60
PREFIXES: Final = {0: "", 3: "k", 6: "M", 9: "G", 12: "T", -3: "m", -6: "u"}


def suggest_profile(content: bytes, name: str) -> str:
    """A commented TOML profile for the layout of an export; where nothing is certain, it says what to fill in.

    Raises InputError where the file cannot be opened or holds no table.
    """
    try:
        member = open_export(content)[0]
    except NotOpened as error:
        raise InputError("no profile can be drafted from this file", where=name, seen=str(error)) from error
    grid = member.grid or chosen_grid(member.lines, member.complete, None)
    scanner = Scanner(grid, Records(), 0, Context())
    used = scanner.start()
    if used is not None and scanner.plan is not None:
        sample = sample_after(grid.rows, used - 1)(1)
        lines = [*_head(name, grid, scanner.plan.headings, sure=True), *_columns(scanner.plan, sample)]
        return "\n".join([*lines, *_tests(scanner.plan, grid.rows[used:]), *_shown(content, name)]) + "\n"
    return "\n".join(_skeleton(name, grid, member)) + "\n"


def _head(name: str, grid: Grid, headings: Sequence[str], *, sure: bool) -> Iterator[str]:
    """The first lines: kind, name, how the file is recognised, what the file itself does not say."""
    told = [heading for heading in dict.fromkeys(headings) if heading]
    yield f"# Drafted from {PurePath(name).name}. Read each line, correct it, then: provebook profile check FILE"
    yield 'kind = "csv"'
    yield f"name = {_text(_slug(name))}  # give it a name of your own"
    if sure and grid.delimiter:
        yield f"delimiter = {_text(grid.delimiter)}"
    yield '# zone = "Europe/London"  # where the meter clock is; without it the zone of the book counts'
    yield '# date_order = "dmy"  # only where the file cannot settle it: dmy, mdy or ymd'
    yield '# decimal = ","  # only where the file cannot settle it'
    yield ""
    yield "[recognise]  # a file with all of these headings in one row is read by this profile"
    yield f"headings = [{', '.join(_text(heading) for heading in told)}]"


def _columns(plan: Plan, sample: Sequence[Sequence[str]]) -> Iterator[str]:
    """One table a column, with how sure it is."""
    roles = {at: role for role, at in plan.roles}
    tests = {test.index: test.meaning for test in plan.tests}
    for at, heading in enumerate(plan.headings):
        if not heading:
            continue
        filled = [row[at] for row in sample if at < len(row) and row[at]]
        example = f"for example {_text(filled[0])}" if filled else "no cell of the first rows is filled"
        yield ""
        if at in roles and roles[at] != "prefix":
            known = "sure: a usual heading" if parse_heading(heading).roles else "likely: told by its cells"
            yield f"[[column]]  # {known}, {example}"
            yield f"heading = {_text(heading)}"
            yield f'holds = "{roles[at]}"'
            if roles[at] == "value" and plan.value_unit is not None:
                yield f'unit = "{unit_text(plan.value_unit)}"'
        elif at in tests and tests[at].is_reading:
            yield f"[[column]]  # sure: a usual name of a test, {example}"
            yield f"heading = {_text(heading)}"
            yield 'holds = "reading"'
            yield from _measured(tests[at])
        else:
            why = parse_heading(heading).meaning.other or "not a reading, or not known"
            yield f"[[column]]  # not used: {why}, {example}"
            yield f"heading = {_text(heading)}"
            yield 'holds = "ignore"'


def _measured(meaning: Meaning) -> Iterator[str]:
    """What is measured, one key a line; what is missing stands as a comment."""
    assert meaning.quantity is not None
    known = QUANTITIES[meaning.quantity]
    yield f'quantity = "{meaning.quantity}"'
    if meaning.conductors and len(known.conductors) > 1:
        yield f'conductors = "{meaning.conductors}"'
    elif len(known.conductors) > 1:
        yield f"# conductors = one of {', '.join(known.conductors)}: the name does not say"
    if meaning.unit is not None and not meaning.unit.unsure:
        yield f'unit = "{unit_text(meaning.unit)}"'
    elif not known.is_indication:
        yield f'# unit = "{known.unit}"  # with its prefix, where unit column and cells do not say it'
    if meaning.test_voltage_v:
        yield f"test_voltage_v = {meaning.test_voltage_v:g}"
    if meaning.rcd_multiple:
        yield f"rcd_multiple = {meaning.rcd_multiple:g}"


def unit_text(unit: Unit) -> str:
    """The unit as a profile writes it."""
    return f"{PREFIXES[unit.exponent]}{unit.base}"


def _tests(plan: Plan, rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """The names of tests that stand in the export; those that are not known are left to be filled in."""
    at = plan.at("test")
    if at is None:
        return
    names = list(dict.fromkeys(fold(row[at]) for row in rows if at < len(row) and fold(row[at])))[:MOST_NAMES]
    for name in names:
        meaning = parse_meaning(name)
        yield ""
        if meaning.is_reading and not (meaning.quantity == "voltage" and meaning.conductors is None):
            yield f"[test.{_text(name)}]  # sure: a usual name of a test"
            yield from _measured(meaning)
        else:
            why = meaning.other or ("a voltage needs its conductors" if meaning.quantity else "this name is not known")
            yield f"# [test.{_text(name)}]  # {why}"
            yield "# quantity = one of " + ", ".join(QUANTITIES)


def _shown(content: bytes, name: str) -> Iterator[str]:
    """The first readings as they would come out, as comments."""
    from ingest.exports.read import read_export

    extract = read_export(content, name=name, sha256="0" * 64)
    yield ""
    yield f"# As read today without a profile: {len(extract.readings)} readings, {len(extract.refusals)} refusals."
    for row in extract.readings.head(SHOWN_READINGS).to_dict("records"):
        yield f"#   line {row['record_no']}: {_reading(row)}"
    for row in extract.refusals.head(SHOWN_READINGS).to_dict("records"):
        yield f"#   line {row['record_no']} refused ({row['reason']}): {' '.join(str(row['message']).split())}"


def _reading(row: dict[Any, Any]) -> str:
    parts = [row["quantity"], row["conductors"], *(_value(row))]
    when = f"at {row['meter_time']}" if pd.notna(row["meter_time"]) else f"no time ({row['time_reason']})"
    label = f"label {_text(row['label'])}" if pd.notna(row["label"]) else "no label"
    return ", ".join([" ".join(str(part) for part in parts if pd.notna(part)), when, label])


def _value(row: dict[Any, Any]) -> Sequence[str]:
    if pd.notna(row["value"]):
        return [{"eq": "=", "gt": ">", "lt": "<"}[row["comparator"]], f"{row['value']:.12g}", row["unit"]]
    return [row["indication"] if pd.notna(row["indication"]) else f"({row['reason']})"]


def _skeleton(name: str, grid: Grid, member: Member) -> Iterator[str]:
    """A profile to fill in: the headings as they stand, with no meaning.

    Raises InputError where no row could be headings.
    """
    rows = [[fold(cell) for cell in row] for row in grid.rows[: SHOWN_READINGS * 10]]
    wide = [row for row in rows if sum(1 for cell in row if cell) >= 2]
    head = next((row for row in wide if looks_like_headings(row)), wide[0] if wide else None)
    if head is None:
        raise InputError("no row of this file could be headings", where=name, advice="is this an export of readings?")
    yield "# Nothing in this layout was recognised with certainty: say below what each column holds."
    yield from _head(name, grid, head, sure=bool(grid.delimiter))
    for heading in dict.fromkeys(cell for cell in head if cell):
        yield ""
        yield "[[column]]  # say: moment, date, time, memory_no, label, test, value, unit, reading, ..."
        yield f"heading = {_text(heading)}"
        yield 'holds = "ignore"'


def _slug(name: str) -> str:
    stem = re.sub(r"[^a-z0-9]+", "-", PurePath(name).name.lower().split(".")[0]).strip("-")
    return stem if stem and stem[0].isalnum() else "my-layout"


def _text(text: str) -> str:
    """``text`` as a TOML string."""
    return json.dumps(text, ensure_ascii=any(not mark.isprintable() for mark in text))
