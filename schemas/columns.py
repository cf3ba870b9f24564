"""Column types shared by the tables: text, whole numbers, numbers, moments.

Text is the default string type of pandas 3 (Arrow storage, NaN for null); numbers are float64 with NaN for null;
whole numbers that may be null are Int64; moments are UTC where their name ends in ``_at`` and local without
offset in ``meter_time``. All moments have nanosecond storage, the only one pandera knows for local times.
"""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
import pandas as pd
import pandera.pandas as pa

Text = str
Number = float
Whole = int
OptionalWhole = pd.Int64Dtype
Truth = bool
Moment = Annotated[pd.DatetimeTZDtype, "ns", "UTC"]
LocalMoment = np.datetime64


class Table(pa.DataFrameModel):
    """The base of every table: exactly its columns, in order, nothing coerced."""

    class Config:
        """Pandera settings of every table."""

        strict = True
        coerce = False
        ordered = True


def key(**kwargs: Any) -> Any:
    """A column that is never null and never repeated."""
    return pa.Field(unique=True, **kwargs)


def required(**kwargs: Any) -> Any:
    """A column that is never null."""
    return pa.Field(**kwargs)


def optional(**kwargs: Any) -> Any:
    """A column that may be null: unknown, or not applicable."""
    return pa.Field(nullable=True, **kwargs)
