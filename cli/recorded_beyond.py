"""Recorded numbers that no instrument could show: most are readings with a slipped point or prefix, so still compared.

A reader of exports refuses them, and has to. Here each is read once more as a thousandth or a millionth of itself,
which is a value that can be, and counts as recorded at its full size.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import pandas as pd

from ingest.extract import Extract

PLAIN_NUMBER: Final = re.compile(r"[0-9]+([.,][0-9]+)?")
SHIFTS: Final = (3, 6)
"""By which power of ten the number is brought back among those that can be."""

REASON: Final = "out of range"


def with_beyond(content: bytes, extract: Extract, read: Callable[[bytes], Extract]) -> Extract:
    """``extract`` of ``content`` with the numbers beyond their physical range among its readings, not its refusals.

    ``read`` reads the same table from other bytes. A cell whose text stands twice in its line, or that is more than a
    plain number, stays refused.
    """
    readings, refusals = [extract.readings], extract.refusals
    for shift in SHIFTS:
        waiting = refusals[refusals["reason"] == REASON]
        if waiting.empty:
            break
        found = _read_shifted(content, waiting, read, shift)
        cells = pd.MultiIndex.from_frame(found[["record_no", "raw_text"]])
        settled = pd.MultiIndex.from_frame(refusals[["record_no", "raw_text"]]).isin(cells)
        refusals = refusals[~(settled & (refusals["reason"] == REASON))]
        readings.append(found)
    joined = pd.concat([part for part in readings if len(part)], ignore_index=True)
    ordered = joined.sort_values(["record_no", "column_no"], kind="stable", ignore_index=True)
    return replace(extract, readings=ordered, refusals=refusals.reset_index(drop=True))


def _read_shifted(content: bytes, waiting: pd.DataFrame, read: Callable[[bytes], Extract], shift: int) -> pd.DataFrame:
    """The readings of the waiting cells, read at ``10**-shift`` of their size and given back in full."""
    lines = content.split(b"\n")
    texts: dict[tuple[int, str], str] = {}
    for number, text in zip(waiting["record_no"], waiting["raw_text"], strict=True):
        plain = text.strip()
        line = lines[number - 1] if number <= len(lines) else b""
        if PLAIN_NUMBER.fullmatch(plain) and line.count(plain.encode()) == 1:
            shifted = f"{plain}E-{shift}"
            lines[number - 1] = line.replace(plain.encode(), shifted.encode())
            texts[int(number), text.replace(plain, shifted)] = text
    readings = read(b"\n".join(lines)).readings
    places = list(zip(readings["record_no"], readings["raw_text"], strict=True))
    found = readings[[place in texts for place in places]].reset_index(drop=True)
    told = [texts[int(number), text] for number, text in zip(found["record_no"], found["raw_text"], strict=True)]
    factor = 10.0**shift
    return found.assign(
        raw_text=pd.Series(told, dtype="str"), value=found["value"] * factor, resolution=found["resolution"] * factor
    )
