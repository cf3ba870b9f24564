"""Times too short: readings of one meter that follow each other faster than one can test or walk.

Source: the shortest times are our own policy, well below common practice, so that quick honest work does not ring.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
from scipy.stats import binom

from reconcile.audit.screens.row import ScreenRow, shown_ids

SAME_APPLIANCE_S: Final = 4.0
"""For a test that has to be set up and run; voltages and indications may follow each other at once."""

AT_ONCE: Final = ("voltage", "non_contact_voltage", "voltage_indicator_proof", "polarity")
SAME_SITE_S: Final = 10.0
OTHER_SITE_S: Final = 60.0
"""From the last reading at one place to the first at the next."""

HONEST_SHARE: Final = 0.01
"""Share of short gaps that honest work may have: a stray key press, a label typed late."""

ENOUGH: Final = 10
LARGE: Final = 0.05


def screen_times(values: pd.DataFrame) -> Iterator[ScreenRow]:
    """One test for each engineer: how many gaps between neighbouring readings of one meter are too short.

    ``values``: reading_id, engineer, meter_serial, meter_time, appliance_id, site, quantity, conductors. A gap is
    lengthened by the step of the meter's clock. Readings that a meter stores together, at one moment and appliance,
    are one.
    """
    told = values[values["meter_time"].notna()]
    for keys, group in told.groupby(["engineer", "meter_serial"], sort=True, dropna=False):
        ordered = group.sort_values(["meter_time", "reading_id"]).drop_duplicates(["meter_time", "appliance_id"])
        if len(ordered) > ENOUGH:
            yield _gaps(str(keys[0]), ordered)


def _gaps(engineer: str, ordered: pd.DataFrame) -> ScreenRow:
    seconds = ordered["meter_time"].diff().dt.total_seconds().to_numpy()[1:] + clock_step_s(ordered["meter_time"])
    appliance, site = ordered["appliance_id"].to_numpy(), ordered["site"].to_numpy()
    same_appliance, same_site = appliance[1:] == appliance[:-1], site[1:] == site[:-1]
    at_once = ordered["quantity"].isin(AT_ONCE).to_numpy()[1:]
    set_up = np.where(at_once, 0.0, SAME_APPLIANCE_S)
    shortest = np.where(same_appliance, set_up, np.where(same_site, SAME_SITE_S, OTHER_SITE_S))
    short = seconds < shortest
    count = int(short.sum())
    return ScreenRow(
        screen="short times",
        subject=engineer,
        quantity=None,
        count=len(short),
        statistic_name="share of gaps too short",
        statistic=count / len(short),
        p_value=float(binom.sf(count - 1, len(short), HONEST_SHARE)),
        large=count / len(short) >= LARGE,
        reading_ids=shown_ids(ordered["reading_id"].to_numpy()[1:][short]),
        message=(
            f"{count} of {len(short)} gaps are shorter than {SAME_APPLIANCE_S:g} s at one appliance, "
            f"{SAME_SITE_S:g} s at one site, {OTHER_SITE_S:g} s between sites"
        ),
    )


def clock_step_s(moments: pd.Series) -> float:
    """The step of a clock [s]: 60 where no reading ever has seconds, else 1."""
    return 60.0 if (moments.dt.second == 0).all() else 1.0
