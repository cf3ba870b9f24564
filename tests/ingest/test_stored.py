"""Readings in codes are checked by rows that stand for all of them: that must find what the whole table would."""

from __future__ import annotations

import functools
import random

import pyarrow as pa
import pytest

from ingest.exports.batch import Batch, Told
from ingest.exports.read import find_claim
from ingest.exports.stored import CASE, StoredReadings, check_standing
from schemas.errors import TableError

CODED = ("quantity", "conductors", "unit", "comparator", "indication", "time_reason", "reason")
BAD_TEXT = {"quantity": "lux", "conductors": "L-L", "unit": "kV", "comparator": "~", "indication": "maybe"}


@functools.cache
def stored_readings() -> StoredReadings:
    """Four hundred readings of one export, of eight tests."""
    tests = ["Zs,0.35,ohm", "R2,0.10,ohm", "V L-N,231,V", "V N-E,0.4,V", "Insulation L-E,>999,Mohm", "RCD x1,23,ms",
             "Polarity,correct,", "V L-E,230,V"]  # fmt: skip
    rows = [f"{n},13/05/2025,09:{n // 60:02}:{n % 60:02},HALL,{tests[n % 8]}" for n in range(1, 401)]
    content = "\n".join(["Memory,Date,Time,Location,Test,Result,Unit", *rows, ""]).encode()
    batch = Batch(meter_zones={}, book_zone=None)
    batch.add(Told(sha256="a" * 64, original_name="a.csv", claim=find_claim(content, (), None)), content)
    return batch.finish().readings


def damaged(readings: StoredReadings, random_: random.Random) -> StoredReadings:
    """The same with one cell changed, mostly to something the schema forbids."""
    rows, cases, row = readings.rows, readings.cases, random_.randrange(readings.rows.num_rows)
    name = random_.choice([*BAD_TEXT, "value", "resolution", "column_no", "record_no"])
    if name in rows.column_names:
        return StoredReadings(with_cell(rows, name, row, random_), cases, readings.hashes)
    # The case of the row once more, for this row alone.
    case = rows[CASE][row].as_py()
    changed = with_cell(pa.concat_tables([cases, cases.slice(case, 1)]), name, cases.num_rows, random_)
    codes = rows[CASE].to_pylist()
    codes[row] = cases.num_rows
    column = pa.array(codes, pa.int32())
    return StoredReadings(rows.set_column(rows.column_names.index(CASE), CASE, column), changed, readings.hashes)


def with_cell(table: pa.Table, name: str, row: int, random_: random.Random) -> pa.Table:
    """The same table with one cell changed."""
    cells = table[name].to_pylist()
    cells[row] = BAD_TEXT.get(name) or random_.choice([-1, 1, cells[row - 1], 2000])
    return table.set_column(table.column_names.index(name), name, pa.array(cells, table.schema.field(name).type))


def complains(readings: StoredReadings, *, whole: bool) -> bool:
    """Whether the check finds a fault."""
    try:
        readings.frame() if whole else check_standing([readings.standing()])
    except TableError:
        return True
    return False


def test_sound_readings_pass_both_ways() -> None:
    """Nothing is wrong with what the reader made."""
    readings = stored_readings()
    check_standing([readings.standing()])
    assert len(readings.frame()) == 400


@pytest.mark.parametrize("seed", range(40))
def test_the_short_check_finds_what_the_whole_one_finds(seed: int) -> None:
    """One damaged cell somewhere: both checks say the same."""
    readings = damaged(stored_readings(), random.Random(seed))
    assert complains(readings, whole=False) == complains(readings, whole=True)


def test_damage_is_mostly_found() -> None:
    """The planted cells are faults for most seeds, so that the test above compares something."""
    found = [complains(damaged(stored_readings(), random.Random(seed)), whole=True) for seed in range(40)]
    assert 20 < sum(found) < 40
