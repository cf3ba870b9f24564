"""Drafts a profile from an export: what each column seems to hold, how sure that is, and what would be read with it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd

from ingest.exports.containers import NotOpened, first_lines, open_export
from ingest.exports.draft import Draft, draft_text, plain
from ingest.exports.guess import guess_layout
from ingest.exports.layout_seen import find_layout
from ingest.exports.read import read_export
from ingest.extract import Extract
from ingest.profiles import parse_profile
from ingest.profiles.csv import CsvProfile
from ingest.profiles.faults import ProfileFault
from schemas.errors import InputError

SHOWN_ROWS: Final = 8
COMPARED: Final = (
    "record_no", "column_name", "raw_text", "meter_serial", "memory_no", "meter_time", "stamped_at", "time_reason",
    "quantity", "conductors", "value", "unit", "comparator", "indication", "reason", "resolution", "test_voltage_v",
    "rcd_multiple", "label",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Suggestion:
    """A drafted profile: its TOML ``text``, the gaps that a person has to fill, the first ``rows`` as they are read
    with it, and how many readings and refusals the file gives with it and without it.
    """

    text: str
    gaps: tuple[ProfileFault, ...]
    rows: tuple[str, ...]
    readings: int
    refusals: int
    readings_without: int
    refusals_without: int


def suggest_profile(content: bytes, name: str) -> Suggestion:
    """A commented TOML profile for the layout of an export.

    Where nothing is certain, the draft says what to fill in, and cannot be used before that is done. Where the words of
    the trade read the file already, the draft reads it as well.

    Raises InputError where the file cannot be opened or holds no table.
    """
    try:
        members, lines = open_export(content), first_lines(content)
    except NotOpened as error:
        raise InputError("no profile can be drafted from this file", where=name, seen=str(error)) from error
    without = read_export(content, name=name, sha256="0" * 64)
    seen = find_layout(content, members) or guess_layout(members[0])
    if seen is None:
        raise InputError(
            "no row of this file could be headings", where=name,
            seen=next((line for line in lines if line.strip()), ""),
            advice="export a table with a row of headings above its numbers",
        )  # fmt: skip
    draft = Draft(seen=seen, name=name, fill=not len(without.readings) and without.records > 0, lines=tuple(lines))
    draft, used = _settle(draft, content, without)
    text = draft_text(draft)
    faults = parse_profile(text, name)
    gaps = tuple(faults) if isinstance(faults, list) else ()
    with_it = used or without
    rows = tuple(shown_rows(with_it))
    told = _told(with_it, without, used is not None, bool(gaps))
    text += "\n".join(["", *(f"# {line}" for line in told), *(f"#   {row}" for row in rows)]).rstrip() + "\n"
    return Suggestion(
        text=text, gaps=gaps, rows=rows, readings=len(with_it.readings), refusals=len(with_it.refusals),
        readings_without=len(without.readings), refusals_without=len(without.refusals),
    )  # fmt: skip


def _settle(draft: Draft, content: bytes, without: Extract) -> tuple[Draft, Extract | None]:
    """The fullest draft that loses nothing, and what it reads with its gaps left open; None where it cannot be used."""
    kept, used = draft, _read(draft, content)
    if draft.fill or (used is not None and no_worse(used, without)):
        return kept, used
    for narrower in (replace(draft, explain=False), replace(draft, explain=False, settle=False)):
        kept, used = narrower, _read(narrower, content)
        if used is not None and no_worse(used, without):
            return kept, used
    return replace(kept, loses=True), used


def _read(draft: Draft, content: bytes) -> Extract | None:
    """What the draft reads, its gaps left out; None where it cannot be used or would not claim the file."""
    profile = parse_profile(draft_text(replace(draft, fill=False)), draft.name)
    if not isinstance(profile, CsvProfile) or not profile.claims(draft.lines):
        return None
    return read_export(content, name=draft.name, sha256="0" * 64, profiles=[profile], profile=profile.name)


def no_worse(one: Extract, other: Extract) -> bool:
    """True where ``one`` has every reading of ``other``, equal in all that counts, and accounts for as many records."""
    known = {_key(row) for row in one.readings[list(COMPARED)].to_dict("records")}
    return one.records >= other.records and all(
        _key(row) in known for row in other.readings[list(COMPARED)].to_dict("records")
    )


def _key(row: dict[Any, Any]) -> tuple[object, ...]:
    return tuple(None if pd.isna(row[name]) else row[name] for name in COMPARED)


def _told(used: Extract, without: Extract, usable: bool, gaps: bool) -> list[str]:
    """How many readings the draft gives, in words."""
    counts = f"{len(used.readings)} readings, {len(used.refusals)} refusals"
    before = f"{len(without.readings)} and {len(without.refusals)}"
    if not usable:
        return [
            f"Nothing can be read before the gaps above are filled in. Without a profile: {counts}. The first rows:"
        ]
    open_still = ", its gaps left open" if gaps else ""
    return [f"As this profile reads the file{open_still}: {counts} (without a profile {before}). The first rows:"]


def shown_rows(extract: Extract) -> list[str]:
    """The first readings and refusals in the order of their lines, one line of text each."""
    found = [(row["record_no"], _reading(row)) for row in extract.readings.head(SHOWN_ROWS).to_dict("records")]
    found += [(row["record_no"], _refusal(row)) for row in extract.refusals.head(SHOWN_ROWS).to_dict("records")]
    return [plain(f"line {line}: {text}") for line, text in sorted(found, key=lambda one: one[0])[:SHOWN_ROWS]]


def _reading(row: dict[Any, Any]) -> str:
    what = " ".join(str(row[part]).replace("_", " ") for part in ("quantity", "conductors") if pd.notna(row[part]))
    when = f"{row['meter_time']:%Y-%m-%d %H:%M:%S}" if pd.notna(row["meter_time"]) else f"no time: {row['time_reason']}"
    aside = [f"{name} {_one_line(row[part])}" for name, part in (("label", "label"), ("number", "memory_no"),
             ("serial", "meter_serial")) if pd.notna(row[part])]  # fmt: skip
    return f"{_one_line(row['raw_text'])} is {what} {_value(row)}; " + ", ".join([when, *aside])


def _refusal(row: dict[Any, Any]) -> str:
    return f"{_one_line(row['raw_text'])} refused, {row['reason']}: {_one_line(row['message'])}"


def _value(row: dict[Any, Any]) -> str:
    if pd.notna(row["value"]):
        return f"{ {'eq': '', 'gt': '>', 'lt': '<'}[row['comparator']] }{row['value']:.12g} {row['unit']}".strip()
    return str(row["indication"] if pd.notna(row["indication"]) else row["reason"])


def _one_line(text: object, most: int = 90) -> str:
    """The text on one line that can stand in a comment."""
    shown = plain(str(text))
    return shown if len(shown) <= most else shown[: most - 1] + "…"
