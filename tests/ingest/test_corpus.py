"""Five hundred invented exports with their truth: nothing read wrongly, nothing lost, little refused without need.

Truth comes from the generator alone (tests/ingest/corpus.py). The counts asked for are those of the project: no wrong
value, no lost row, under two in a hundred refused that could be read.
"""

from __future__ import annotations

import hashlib
import random
from collections import Counter, defaultdict
from typing import Any

import pandas as pd
import pytest

from ingest.exports.batch import Batch, FilesExtract, Told
from ingest.exports.read import Claim
from tests.ingest import corpus_words as words
from tests.ingest.corpus import LAYOUTS, Made, Sheet, Truth, make_style, render
from tests.ingest.corpus_defects import BYTE_DEFECTS, SHEET_DEFECTS
from tests.ingest.corpus_shapes import SHAPES
from tests.ingest.shown import known

FILES = 500
LINES = ("blocks", "fixed columns")
FIXED_COLUMN = 5
CELL_DEFECTS = [
    "blank lines", "footer", "comment lines", "error mark", "verdict for value", "not measured", "date for value",
    "negative", "two numbers", "letter in number", "huge", "less than", "full-width digits", "blanks around",
    "separator in label", "flag behind the number", "middle dot", "letter for the point", "zero-width mark",
    "guard of a spreadsheet", "plus sign", "leading zeros",
]  # fmt: skip
SENTENCE = "{made.name} ({made.layout}; {made.defects}) line {line} column {column} {text!r}: {what}"


def make_file(seed: int) -> Made:
    rng = random.Random(seed)
    style = make_style(rng)
    layout = rng.choice([*LAYOUTS, *LAYOUTS, *SHAPES])
    sheet = ({**LAYOUTS, **SHAPES}[layout])(rng, style, rng.randint(12, 40))
    allowed = CELL_DEFECTS if layout in SHAPES else list(SHEET_DEFECTS)
    names = rng.sample(["footer"] if layout in LINES else allowed, 1 if layout in LINES else rng.choice([0, 1, 1, 2]))
    defects = [name for name in names if SHEET_DEFECTS[name](rng, sheet)]
    lines, truths = render_lines(sheet, layout) if layout in LINES else render(sheet)
    bytes_name = rng.choice(list(BYTE_DEFECTS))
    content = BYTE_DEFECTS[bytes_name](rng, ("\n".join(lines) + "\n").encode())
    return Made(hashlib.sha256(str(seed).encode()).hexdigest(), content, truths, layout, [*defects, bytes_name])


def render_lines(sheet: Sheet, layout: str) -> tuple[list[str], list[tuple[int, int, str, Truth]]]:
    """Layouts whose rows are whole lines: a block's truth stands on its first line, by the place of its key."""
    truths, start = [], 0
    for number, row in enumerate(sheet.rows, start=1):
        cell = row[0]
        start = (start or number) if cell.kind == "block" else 0
        if cell.truth is not None:
            place = (start, number - start + 1) if layout == "blocks" else (number, FIXED_COLUMN)
            truths.append((*place, cell.text, cell.truth))
    return ["".join(cell.text for cell in row) for row in sheet.rows], truths


def read_files(files: list[Made]) -> FilesExtract:
    batch = Batch(meter_zones={}, book_zone="Europe/London")
    for made in files:
        batch.add(Told(sha256=made.name, original_name=made.name, claim=Claim()), made.content)
    return batch.finish().tables()


def plain(value: Any) -> Any:
    return value if known(value) else None


def wanted(truth: Truth) -> dict[str, Any]:
    measured = truth.shown is not None
    return {
        "quantity": truth.quantity, "conductors": truth.conductors, "value": truth.value,
        "unit": words.SI[truth.unit] if measured else None, "comparator": truth.comparator if measured else None,
        "indication": truth.indication, "stamped_at": truth.taken_at,
        "label": " ".join(truth.label.split()) if truth.label else None, "memory_no": truth.memory,
        "meter_serial": truth.serial,
    }  # fmt: skip


def judge(made: Made, line: int, truth: Truth, row: dict[str, Any] | None, refused: int) -> tuple[str, str]:
    """What became of one value cell: right, wrong, refused or lost; and in words what is amiss."""
    if truth.absent:
        return ("right", "") if row is None else ("wrong", "read although nothing was measured")
    if truth.refuse:
        if row is not None:
            return "wrong", "read although it has to be refused"
        return ("right refusal", "") if refused else ("lost", "neither read nor refused")
    if row is None and truth.optional:
        return ("right", "") if refused else ("lost", "neither read nor refused")
    if row is None:
        return ("refused", "refused") if refused else ("lost", "neither read nor refused")
    amiss = {name: (want, plain(row[name])) for name, want in wanted(truth).items() if plain(row[name]) != want}
    return ("wrong", str(amiss)) if amiss else ("right", "")


@pytest.fixture(scope="module")
def outcome() -> tuple[Counter[str], dict[str, list[str]]]:
    files = [make_file(seed) for seed in range(FILES)]
    extract = read_files(files)
    rows: dict[str, dict[tuple[int, int], dict[str, Any]]] = defaultdict(dict)
    for row in extract.readings.to_dict("records"):
        rows[row["evidence_sha256"]][(row["record_no"], row["column_no"])] = row
    refused = Counter(zip(extract.refusals["evidence_sha256"], extract.refusals["record_no"], strict=True))
    counts: Counter[str] = Counter()
    amiss: dict[str, list[str]] = defaultdict(list)
    for made in files:
        for line, column, text, truth in made.truths:
            row = rows[made.name].pop((line, column), None)
            kind, what = judge(made, line, truth, row, refused[(made.name, line)])
            counts[kind] += 1
            if what:
                amiss[kind].append(SENTENCE.format(made=made, line=line, column=column, text=text, what=what))
        for (line, column), row in rows[made.name].items():
            amiss["extra"].append(
                SENTENCE.format(made=made, line=line, column=column, text=row["raw_text"], what="no value stands here")
            )
    assert len(extract.readings) == int(extract.files["readings"].sum())
    return counts, amiss


@pytest.mark.parametrize("kind", ["wrong", "lost", "extra"])
def test_nothing_is_read_wrongly_lost_or_invented(
    kind: str, outcome: tuple[Counter[str], dict[str, list[str]]]
) -> None:
    assert outcome[1][kind][:5] == []


def test_little_is_refused_that_can_be_read(outcome: tuple[Counter[str], dict[str, list[str]]]) -> None:
    counts, amiss = outcome
    readable = counts["right"] + counts["refused"]
    assert readable > 10_000
    assert counts["right refusal"] > 200
    assert counts["refused"] < 0.02 * readable, amiss["refused"][:5]


def test_corpus_is_the_same_each_time() -> None:
    assert make_file(7).content == make_file(7).content
    assert pd.Series([make_file(seed).layout for seed in range(150)]).nunique() == len(LAYOUTS) + len(SHAPES)
