"""Just inside a limit: values that were bent to pass pile up on the good side of their limit.

Towards a limit far from the usual values honest values get rarer. Three strips of equal width next to the limit are
looked at: of the values in them at most a third are expected in the strip that touches it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
from scipy.stats import binom

from reconcile.audit.screens.row import ScreenRow, shown_ids

WINDOW: Final = 0.05
"""Width of one strip next to the limit, as a share of it."""

ENOUGH: Final = 8
LARGE: Final = 0.6


def screen_limits(judged: pd.DataFrame) -> Iterator[ScreenRow]:
    """One test for each engineer and check whose usual values are far from the limit.

    ``judged``: engineer, check, value, limit_low, limit_high, comparator, reading_ids: the checks of certificates.
    """
    told = judged[(judged["comparator"] == "eq") & judged["value"].notna()]
    for bound, sign in (("limit_high", 1.0), ("limit_low", -1.0)):
        part = told[told[bound].notna() & (told[bound] > 0)]
        room = sign * (part[bound] - part["value"]) / part[bound]
        for keys, group in part.assign(room=room)[room >= 0].groupby(["engineer", "check"], sort=True):
            near = group[group["room"] < 3 * WINDOW]
            if len(near) >= ENOUGH and float(np.median(group["room"])) > 3 * WINDOW:
                yield _pile(str(keys[0]), str(keys[1]), near)


def _pile(engineer: str, check: str, near: pd.DataFrame) -> ScreenRow:
    touching = near["room"] < WINDOW
    count = int(touching.sum())
    return ScreenRow(
        screen="just inside a limit",
        subject=engineer,
        quantity=check,
        count=len(near),
        statistic_name="share in the strip that touches the limit",
        statistic=count / len(near),
        p_value=float(binom.sf(count - 1, len(near), 1 / 3)),
        large=count / len(near) >= LARGE,
        reading_ids=shown_ids(near.loc[touching, "reading_ids"].fillna("").str.split().str[0].dropna()),
        message=f"{count} within {WINDOW:.0%} of the limit, {len(near) - count} in the two strips before it",
    )
