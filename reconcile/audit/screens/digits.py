"""Last digits and round numbers: a meter spreads its last digit evenly, people who invent numbers do not.

Source: uniformity of the last digit of a quantity that is spread over many steps of it is common practice in checks of
made-up data; the spreads asked for here are our own, tried on simulated readings (tests).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
from scipy.stats import binom, chisquare

from reconcile.audit.screens.row import ScreenRow, shown_ids

ENOUGH: Final = 50
SPREAD_STEPS: Final = 20.0
"""Between the quartiles at least so many steps: on fewer, honest last digits are not even."""

SHORTEST: Final = 20
"""Values of fewer steps are left out: their last digit is nearly their first."""

SMALL_EFFECT: Final = 0.15
"""Root of chi-squared by count below which unevenness is a curiosity of a large sample."""


def screen_digits(values: pd.DataFrame) -> Iterator[ScreenRow]:
    """Two tests for each engineer and quantity with enough numbers.

    ``values``: reading_id, engineer, quantity, value, resolution; numbers only, no ``gt`` or ``lt``.
    """
    told = values[values["resolution"] > 0]
    steps = (told["value"] / told["resolution"]).round()
    told = told.assign(steps=steps)[steps >= SHORTEST]
    for keys, group in told.groupby(["engineer", "quantity"], sort=True):
        engineer, quantity = str(keys[0]), str(keys[1])
        low, high = np.percentile(group["steps"], [25, 75])
        if len(group) < ENOUGH or high - low < SPREAD_STEPS:
            continue
        digits = (group["steps"] % 10).astype(int)
        counts = np.bincount(digits, minlength=10)
        yield _even(engineer, quantity, group, digits, counts)
        yield _round(engineer, quantity, group, digits, counts)


def _even(engineer: str, quantity: str, group: pd.DataFrame, digits: pd.Series, counts: np.ndarray) -> ScreenRow:
    statistic, p_value = chisquare(counts)
    often = int(np.argmax(counts))
    return ScreenRow(
        screen="last digits",
        subject=engineer,
        quantity=quantity,
        count=len(group),
        statistic_name="chi-squared, 9 degrees of freedom",
        statistic=float(statistic),
        p_value=float(p_value),
        large=bool(np.sqrt(statistic / len(group)) >= SMALL_EFFECT),
        reading_ids=shown_ids(group.loc[digits == often, "reading_id"]),
        message=f"{len(group)} last digits, 0 to 9: {' '.join(map(str, counts))}",
    )


def _round(engineer: str, quantity: str, group: pd.DataFrame, digits: pd.Series, counts: np.ndarray) -> ScreenRow:
    zeros = int(counts[0])
    return ScreenRow(
        screen="round numbers",
        subject=engineer,
        quantity=quantity,
        count=len(group),
        statistic_name="share with last digit 0",
        statistic=zeros / len(group),
        p_value=float(binom.sf(zeros - 1, len(group), 0.1)),
        large=zeros / len(group) >= 0.2,
        reading_ids=shown_ids(group.loc[digits == 0, "reading_id"]),
        message=f"{zeros} of {len(group)} end in 0; one in ten is expected",
    )
