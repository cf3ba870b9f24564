"""Single sampling plans for normal inspection of ISO 2859-1:1999 (tables 1 and 2-A).

The sample sizes and code letters are those of tables reprinted on public pages. The acceptance numbers follow the
build of the table: one step of letter and one of quality limit are the same step, and along them the numbers are
0, 1, 2, 3, 5, 7, 10, 14, 21. They agree with three published examples (named in the tests); check against a copy of
the standard before relying on one of the rest.
"""

from __future__ import annotations

from typing import Final

from schemas.errors import InputError

LETTERS: Final = "ABCDEFGHJKLMNPQR"
SIZES: Final = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)

LOTS: Final = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10000, 35000, 150000, 500000)
"""Largest lot of each row of table 1; the last row is everything beyond."""

LEVELS: Final = {"I": "AABCCDEFGHJKLMN", "II": "ABCDEFGHJKLMNPQ", "III": "BCDEFGHJKLMNPQR"}
"""Code letter of each row of table 1, by inspection level."""

ZERO_ACCEPTED: Final = {
    "6.5": "A", "4.0": "B", "2.5": "C", "1.5": "D", "1.0": "E", "0.65": "F", "0.40": "G", "0.25": "H", "0.15": "J",
    "0.10": "K",
}  # fmt: skip
"""By quality limit [%]: the letter of the plan that accepts none."""

ACCEPTED: Final = (1, 2, 3, 5, 7, 10, 14, 21)
"""Accepted from three letters further on; the two letters between refer to a neighbour."""


def find_published_plan(population: int, *, aql: str, level: str) -> tuple[int, int]:
    """How many to draw and how many wrong ones to accept. Raises InputError for an unknown limit or level."""
    if aql not in ZERO_ACCEPTED or level not in LEVELS or population < 1:
        raise InputError(
            f"no published plan for {population} certificates, quality limit {aql} %, level {level}",
            advice=f"limits {', '.join(ZERO_ACCEPTED)}; levels {', '.join(LEVELS)}",
        )
    row = sum(population > largest for largest in LOTS)
    steps = LETTERS.index(LEVELS[level][row]) - LETTERS.index(ZERO_ACCEPTED[aql])
    if steps <= 1:
        steps = 0
    elif steps == 2:
        steps = 3
    steps = min(steps, len(ACCEPTED) + 2)
    size = SIZES[LETTERS.index(ZERO_ACCEPTED[aql]) + steps]
    return size, ACCEPTED[steps - 3] if steps else 0
