"""Read one export: the bytes to readings and refusals, with one profile, or with the words of the trade."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.exports.assemble import Assembled, FileFacts, assemble
from ingest.exports.context import Context
from ingest.exports.decode import decode
from ingest.exports.grid import DELIMITERS, SEPARATOR_LINE, Grid, parse_grid, split_lines
from ingest.exports.layout import SAMPLE_ROWS, find_plan
from ingest.exports.records import Records
from ingest.exports.scan import Scanner, keep_unclaimed
from ingest.exports.times import Zones
from ingest.extract import Extract
from ingest.profiles import Profile
from ingest.profiles.csv import CsvProfile

BUILT_IN = "built-in"
SAMPLE_LINES = 60


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How one file was read: the name of the profile (None: nothing could read it)."""

    profile: str | None


def read_export(
    content: bytes, *, name: str, sha256: str, profiles: Sequence[Profile], profile: str | None = None,
    zone: str | None = None, date_order: str | None = None, meter_zones: Mapping[str, str] | None = None,
    book_zone: str | None = None,
) -> Extract:  # fmt: skip
    """The readings and refusals of one export.

    ``profile`` names the one to use; else exactly one must claim the file by its content, or none, and then the words of
    the trade have to do. ``zone`` and ``date_order`` are the operator's word where the file is silent; ``meter_zones`` gives
    the zone of a meter by serial number; ``book_zone`` is the last resort.
    """
    records = Records()
    told = collect(content, name, records, 0, profiles, profile)
    zones = Zones(profile=told.zone, meters=tuple((meter_zones or {}).items()), operator=zone, book=book_zone)
    done = assemble(records, [FileFacts(sha256=sha256, zones=zones, date_order=date_order or told.date_order)])
    return to_extract(done, told.profile)


def to_extract(done: Assembled, profile: str | None) -> Extract:
    """The extract of a batch of one file."""
    return Extract(
        readings=done.readings, refusals=done.refusals, records=len(done.readings) + len(done.refusals), profile=profile
    )


@dataclass(frozen=True, kw_only=True)
class Collected:
    """Which profile read a file, and what it says of zone and date order."""

    profile: str | None
    zone: str | None = None
    date_order: str | None = None


def collect(
    content: bytes, name: str, records: Records, file_no: int, profiles: Sequence[Profile], wanted: str | None
) -> Collected:
    """Add the records of one file to ``records``."""
    lines, complete = split_lines(decode(content).text)
    claims = claiming([one for one in profiles if isinstance(one, CsvProfile)], lines, wanted)
    if len(claims) > 1:
        keep_unclaimed(parse_grid(lines, "\x00", complete=complete), records, file_no, "ambiguous")
        return Collected(profile=None)
    if claims:
        chosen = claims[0]
        grid = chosen_grid(lines, complete, chosen.delimiter)
        context = Context(decimal=chosen.decimal, order=None)
        found = Scanner(grid, records, file_no, context, find=chosen.find_plan).scan()
        if found:
            return Collected(profile=chosen.name, zone=chosen.zone, date_order=chosen.date_order)
        keep_unclaimed(parse_grid(lines, "\x00", complete=complete), records, file_no, "no profile")
        return Collected(profile=None)
    grid = chosen_grid(lines, complete, None)
    if Scanner(grid, records, file_no, Context()).scan():
        return Collected(profile=BUILT_IN)
    keep_unclaimed(parse_grid(lines, "\x00", complete=complete), records, file_no, "no profile")
    return Collected(profile=None)


def claiming(profiles: Sequence[CsvProfile], lines: Sequence[str], wanted: str | None) -> list[CsvProfile]:
    """The profiles that claim the file by its content, or the one that was named."""
    if wanted is not None:
        return [one for one in profiles if one.name == wanted]
    return [one for one in profiles if one.claims(lines)]


def chosen_grid(lines: list[str], complete: bool, delimiter: str | None) -> Grid:
    """The cells of the file, split at the delimiter that is told, or that finds most headings."""
    if lines and (found := SEPARATOR_LINE.fullmatch(lines[0].strip())):
        lines = ["", *lines[1:]]
        delimiter = delimiter or found[1]
    return parse_grid(lines, delimiter or find_delimiter(lines), complete=complete)


def find_delimiter(lines: Sequence[str]) -> str:
    """The delimiter under which the first lines have the richest headings, or the most even rows."""
    sample = list(lines[:SAMPLE_LINES])
    text = "\n".join(sample)
    scored = []
    for rank, delimiter in enumerate(DELIMITERS):
        if delimiter not in text:
            continue
        grid = parse_grid(sample, delimiter, complete=True)
        scored.append((_score(grid), -rank, delimiter))
    return max(scored)[2] if scored else ","


def _score(grid: Grid) -> tuple[int, int]:
    for position in range(len(grid.rows)):
        rows = grid.rows

        def body(used: int, start: int = position) -> Sequence[Sequence[str]]:
            return rows[start + used : start + used + SAMPLE_ROWS]

        found = find_plan(rows, position, Context(), body)
        if found:
            plan, used = found
            even = sum(1 for row in body(used) if len(row) == plan.width)
            return len(plan.tests) + len(plan.roles) + 2 * plan.is_long, even
    widths = [len(row) for row in grid.rows if len(row) > 1]
    return 0, max((widths.count(width) for width in set(widths)), default=0)
