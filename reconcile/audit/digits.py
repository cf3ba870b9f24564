"""How one number can have become another on its way to paper: rounding, exchanged digits, a slipped point or prefix."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

import numpy as np
import numpy.typing as npt

SAME: Final = 1e-9
"""Relative difference up to which two floats are one number: they come from decimals through one multiplication."""

SLIP_WEIGHTS: Final[dict[int, float]] = {
    1: 0.2, -1: 0.2, 3: 0.2, -3: 0.2, 2: 0.05, -2: 0.05, 6: 0.04, -6: 0.04, 4: 0.005, -4: 0.005, 5: 0.005, -5: 0.005,
}  # fmt: skip
"""How often a slip is by which power of ten, among slips: the point by one place and the prefix by one step are the
usual ones. Our own estimate; only its order matters."""

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]


def last_digit_step(value: float) -> float:
    """One step of the last digit of the shortest decimal that is ``value``; for numbers that came without one."""
    if not np.isfinite(value) or value == 0:
        return 1.0
    exponent = Decimal(repr(value)).normalize().as_tuple().exponent
    return float(10.0 ** int(exponent))


def same_number(one: Floats, other: Floats) -> Truths:
    """True where both are the same number; never for null."""
    return np.asarray(np.isclose(one, other, rtol=SAME, atol=0.0))


def rounds_to(reading: Floats, reading_step: Floats, recorded: Floats, recorded_step: Floats) -> Truths:
    """True where ``reading`` rounded to the digits of ``recorded`` gives it; both halves may go either way."""
    coarser = recorded_step > reading_step * (1 + SAME)
    near = np.abs(reading - recorded) <= recorded_step * (0.5 + 1e-6)
    return np.asarray(coarser & near)


def find_slip(recorded: float, recorded_step: float, reading: float, reading_step: float) -> int | None:
    """The power of ten between the two, where nothing else is: ``recorded`` = ``reading`` × 10^slip. Else nothing.

    A value rounded as well is accepted where it still has two digits that count.
    """
    if recorded == 0 or reading == 0 or not np.isfinite(recorded / reading):
        return None
    slip = round(float(np.log10(abs(recorded / reading))))
    if slip == 0 or slip not in SLIP_WEIGHTS:
        return None
    moved, moved_step = recorded * 10.0**-slip, recorded_step * 10.0**-slip
    if abs(moved - reading) <= SAME * 10 * abs(reading):
        return slip
    two_digits = abs(moved) >= 10 * moved_step
    rounded = moved_step > reading_step and abs(moved - reading) <= moved_step * (0.5 + 1e-6)
    return slip if two_digits and rounded else None


def count_exchanges(recorded: float, recorded_step: float, reading: float, reading_step: float) -> int:
    """In how many ways two neighbouring digits of ``reading`` could be exchanged, where one gives ``recorded``; else 0.

    Both must have been written with the same number of decimals: exchanging digits does not move the point.
    """
    if not np.isclose(recorded_step, reading_step, rtol=1e-6):
        return 0
    wrong, right = round(recorded / recorded_step), round(reading / reading_step)
    length = max(len(str(wrong)), len(str(right)))
    typed, shown = str(wrong).zfill(length), str(right).zfill(length)
    made = [
        shown[:place] + shown[place + 1] + shown[place] + shown[place + 2 :]
        for place in range(length - 1)
        if shown[place] != shown[place + 1]
    ]
    return len(made) if typed in made else 0
