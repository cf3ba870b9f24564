"""The gallery of defects: each the smallest file that shows it, with the exact readings and refusals it gives.

Expected results are ours, written down case by case; they follow the rulings on what may be decided (README). Units and
dates are checked against libraries of other people in test_outside.py.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from ingest.exports.read import read_export
from ingest.profiles import shipped_profiles
from tests.ingest.shown import show_reading, show_refusal

GALLERY = Path(__file__).parent / "gallery"
CASES = [
    (path.stem, case)
    for path in sorted(GALLERY.glob("*.toml"))
    for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
]


def content_of(case: dict[str, Any]) -> bytes:
    if "bytes" in case:
        return bytes.fromhex(case["bytes"])
    text: str = case["file"]
    return text.removeprefix("\n").encode(case.get("encoding", "utf-8"))


@pytest.mark.parametrize(("area", "case"), CASES, ids=[f"{area}: {case['kind']}" for area, case in CASES])
def test_defect_is_read_or_refused_as_written(area: str, case: dict[str, Any]) -> None:
    extract = read_export(
        content_of(case), name="x.csv", sha256="a" * 64, profiles=shipped_profiles(), book_zone="Europe/London",
        **case.get("told", {}),
    )  # fmt: skip
    readings = [show_reading(row) for row in extract.readings.to_dict("records")]
    refusals = [show_refusal(row) for row in extract.refusals.to_dict("records")]
    assert readings == case.get("readings", [])
    assert refusals == case.get("refusals", [])
    assert extract.records == len(readings) + len(refusals)


def test_gallery_holds_many_kinds_each_once() -> None:
    kinds = [case["kind"] for _, case in CASES]
    assert len(kinds) == len(set(kinds)) >= 60
