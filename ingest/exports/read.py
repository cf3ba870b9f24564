"""Read one export: the bytes to readings and refusals, with one profile, or with the words of the trade."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ingest.cells.text import shown
from ingest.exports.beside import Part, split_beside
from ingest.exports.containers import Member, NotOpened, first_lines, open_export
from ingest.exports.context import Context, heads_no_results
from ingest.exports.dialect import chosen_grid, score
from ingest.exports.grid import Grid
from ingest.exports.outside import UNREAD, keep_unclaimed
from ingest.exports.records import Records
from ingest.exports.scan import FindPlan, Scanner
from ingest.exports.shapes import Shaped, split_columns, stack_blocks, turn_grid
from ingest.extract import Extract
from ingest.profiles.csv import CsvProfile
from schemas.errors import InputError

BUILT_IN: Final = "built-in"
CUT: Final = "the packed file ends or is damaged here: rows that followed are missing; export or send it again"
SURE: Final = 6
"""A table whose headings explain so much (columns that are known) is not looked at in any other shape."""
MEMBER_COLUMNS: Final = 1000
"""In the second member of an archive, or the second sheet, columns count on from here; in the third from twice as
many.
"""


NOT_RECORDS: Final = (
    "other tables of this file have numbers, dates or times, and this one has none: it may hold limits or a summary"
)


@dataclass(frozen=True, kw_only=True)
class Claim:
    """Who reads a file: a ``profile``, the built-in reader (neither), or nobody, for the reason ``refused``."""

    profile: CsvProfile | None = None
    refused: str | None = None
    detail: str = ""

    @property
    def name(self) -> str | None:
        """The name that people know, or None where nobody reads the file."""
        if self.refused:
            return None
        return self.profile.name if self.profile else BUILT_IN


def read_export(
    content: bytes, *, name: str, sha256: str, profiles: Sequence[object] = (), profile: str | None = None,
    zone: str | None = None, date_order: str | None = None, meter_zones: Mapping[str, str] | None = None,
    book_zone: str | None = None,
) -> Extract:  # fmt: skip
    """The readings and refusals of one export.

    ``profile`` names the one to use; else exactly one must claim the file by its content, or none, and then the words
    of the trade have to do. ``zone`` and ``date_order`` are the operator's word where the file is silent;
    ``meter_zones`` gives the zone of a meter by serial number; ``book_zone`` is the last resort.
    """
    from ingest.exports.batch import Batch, StoredExtract, Told, join_parts

    batch = Batch(meter_zones=meter_zones or {}, book_zone=book_zone)
    claim = find_claim(content, [one for one in profiles if isinstance(one, CsvProfile)], profile)
    told = Told(sha256=sha256, original_name=name, claim=claim, zone=zone, date_order=date_order)
    parts: dict[int, StoredExtract] = {}
    count = batch.read_large(told, content, parts.__setitem__)
    if count is not None:
        used, done = claim, join_parts([parts[at].tables() for at in range(count)])
    else:
        used = batch.add(told, content)
        done = batch.finish().tables()
    return Extract(
        readings=done.readings, refusals=done.refusals, records=len(done.readings) + len(done.refusals),
        profile=used.name,
    )  # fmt: skip


def find_claim(content: bytes, profiles: Sequence[CsvProfile], wanted: str | None) -> Claim:
    """Who reads the file: the profile ``wanted``, the only one that claims its content, or the built-in reader.

    Raises InputError where no profile has the name ``wanted``.
    """
    if wanted == BUILT_IN:
        return Claim()
    if wanted is not None:
        found = [one for one in profiles if one.name == wanted]
        if not found:
            known = ", ".join(one.name for one in profiles)
            raise InputError(f"there is no profile {wanted!r}", seen=f"known are: {known}", advice="--profile NAME")
        return Claim(profile=found[0])
    if not profiles:
        return Claim()
    try:
        lines = first_lines(content)
    except NotOpened:
        return Claim()
    claims = [one for one in profiles if one.claims(lines)]
    if len(claims) > 1:
        names = " and ".join(one.name for one in claims)
        return Claim(refused="ambiguous", detail=f"profiles {names} both claim this file: name one with --profile")
    return Claim(profile=claims[0]) if claims else Claim()


def collect(content: bytes, name: str, records: Records, file_no: int, claim: Claim) -> Claim:
    """Add the records of one file to ``records``; the claim in force, refused where no table was found."""
    try:
        members = open_export(content)
    except NotOpened as error:
        keep_unclaimed([str(name)], records, file_no, "unreadable", str(error))
        return Claim(refused="unreadable", detail=str(error))
    found, tables = False, len(records.tables)
    for number, member in enumerate(members):
        first = len(records.pieces)
        if member.grid is None:
            doubt_undated(records, tables)
            tables = len(records.tables)
        if not claim.refused:
            found = read_member(member, records, file_no, claim.profile) or found
            keep_cut(member, str(name), records, file_no)
        shift_columns(records, first, number * MEMBER_COLUMNS)
    doubt_undated(records, tables)
    if found:
        return claim
    refused = claim if claim.refused else Claim(refused="no profile")
    for number, member in enumerate(members):
        first = len(records.pieces)
        keep_unclaimed(member.lines, records, file_no, refused.refused or "no profile", refused.detail)
        shift_columns(records, first, number * MEMBER_COLUMNS)
    return refused


def keep_cut(member: Member, name: str, records: Records, file_no: int) -> None:
    """Add a record that is refused where the end of a packed text is missing: nobody knows what stood there."""
    if member.cut:
        last = [member.lines[-1]] if member.lines and member.lines[-1].strip() else [member.name or name]
        keep_unclaimed(last, records, file_no, "cut off", CUT, numbers=[max(1, len(member.lines))])


def read_member(member: Member, records: Records, file_no: int, profile: CsvProfile | None) -> bool:
    """Add the records of one text or sheet; True where a table was found in it."""
    grid = member.grid or chosen_grid(member.lines, member.complete, profile.delimiter if profile else None)
    find: FindPlan | None = None
    context = Context()
    if profile:
        grid, find, context = profile.translate(grid), profile.find_plan, Context(decimal=profile.decimal)
        beside = split_beside(grid)
        if len(beside) > 1 and read_beside(beside, records, file_no, context, find, rest=profile.rest is not None):
            return True
        if Scanner(grid, records, file_no, context, find=find).scan():
            return True
        if profile.rest is None:
            return False
    shaped = best_shape(member, grid)
    first, tables = len(records.pieces), len(records.tables)
    if shaped.grid is grid and not profile and len(parts := split_beside(grid)) > 1:
        return read_beside(parts, records, file_no, context, find)
    if not Scanner(shaped.grid, records, file_no, context, find=find).scan():
        return False
    if shaped.turned:
        turn_back(records, first, shaped.places)
    doubt_sheet(member, records, tables)
    return True


def doubt_undated(records: Records, first: int) -> None:
    """Let no row be read of tables without numbers, dates and times, where others of their file or book have them."""
    tables = records.tables[first:]
    if not any(table.plan.own for table in tables):
        return
    for number, table in enumerate(tables, start=first):
        if table.plan is not UNREAD and not table.plan.own and table.context.date_text is None:
            plan = replace(table.plan, doubt=table.plan.doubt or NOT_RECORDS)
            records.tables[number] = replace(table, plan=plan)


def doubt_sheet(member: Member, records: Records, first: int) -> None:
    """Let no row of a sheet be read whose name says that it holds limits, averages or the like."""
    if member.grid is None or not heads_no_results(member.name):
        return
    doubt = f"the name of the sheet, {shown(member.name)}, says that it holds no results"
    for number in range(first, len(records.tables)):
        table = records.tables[number]
        records.tables[number] = replace(table, plan=replace(table.plan, doubt=doubt))


def read_beside(
    parts: Sequence[Part], records: Records, file_no: int, context: Context, find: FindPlan | None, *, rest: bool = True
) -> bool:
    """Add the records of tables that stand side by side, True where one was found; lines of one that cannot be read are
    refused, unless no ``rest`` is to be read.
    """
    seen = 0
    for part in parts:
        first, grid = len(records.pieces), part.grid
        if Scanner(grid, records, file_no, context, find=find).scan():
            seen += 1
        elif rest:
            lines = [grid.delimiter.join(row) for row in grid.rows]
            keep_unclaimed(lines, records, file_no, "no profile", numbers=grid.lines)
        shift_columns(records, first, part.shift)
    return rest or seen > 0


def best_shape(member: Member, grid: Grid) -> Shaped:
    """The cells in the shape whose headings explain most; rows under headings where nothing explains more."""
    best, most = Shaped(grid), score(grid)[0]
    if most < SURE:
        for shaped in other_shapes(member, grid):
            explained, rows = score(shaped.grid)
            if explained > most and rows:
                best, most = shaped, explained
    return best


def other_shapes(member: Member, grid: Grid) -> Iterator[Shaped]:
    """The cells of a member in other shapes, the more certain first."""
    if (turned := turn_grid(grid)) is not None:
        yield turned
    if (blocks := stack_blocks(member.lines, member.complete)) is not None:
        yield blocks
    if member.grid is None and (columns := split_columns(member.lines, member.complete)) is not None:
        yield columns


def shift_columns(records: Records, first: int, by: int) -> None:
    """Count the columns of the pieces from ``first`` on further by ``by``: they are of another member or sheet."""
    if by:
        records.move(first, lambda lines, columns: (lines, columns + by))


def turn_back(records: Records, first: int, places: Sequence[int]) -> None:
    """Put the pieces from ``first`` on back where they stand in a table that was turned on its side."""
    lines_of = np.array(places, np.int64)
    records.move(first, lambda lines, columns: (lines_of[columns - 1], lines))
