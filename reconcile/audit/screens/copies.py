"""Copied sets: two appliances at different sites that share more of their readings than chance gives.

Each shared value counts by its rarity, minus the logarithm of its probability. How unlikely the sum is for two
unrelated appliances is bounded from above (Chernoff bound over the quantities, taken as independent). One step stands
for each quantity, and voltages and line-neutral impedance are left out: what hangs together honestly must not count
twice, and neighbours share their supply.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import csr_matrix, triu

from reconcile.audit.screens.row import ScreenRow, shown_ids

INDEPENDENT: Final = ("earth_loop", "rcd_trip", "earth_continuity", "insulation", "load_current")
FEWEST: Final = 3
"""Shared values of a pair that is looked at."""

COMMON: Final = 0.2
"""Values that more than this share of all appliances have say nothing and are left out."""

NEIGHBOURS: Final = 5
"""Steps of the last digit on either side over which the density of values is smoothed."""

EXPONENTS: Final = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0)


def screen_copies(values: pd.DataFrame) -> Iterator[ScreenRow]:
    """One test for each engineer: the pair of appliances, of different sites, with the most surprising likeness.

    ``values``: reading_id, engineer, appliance_id, site, step, value, resolution. The p-value is corrected for the
    number of pairs of the engineer.
    """
    told = values[values["step"].isin(INDEPENDENT) & (values["resolution"] > 0)]
    told = told.drop_duplicates(["appliance_id", "step"], keep="last").reset_index(drop=True)
    if told.empty:
        return
    told["probability"] = value_probabilities(told)
    bounds = moment_bounds(told)
    for engineer, group in told.groupby("engineer", sort=True):
        row = _likest_pair(str(engineer), group.reset_index(drop=True), bounds)
        if row is not None:
            yield row


def value_probabilities(told: pd.DataFrame) -> pd.Series:
    """How probable each value is for its step: the smoothed density, or its share beyond one pair if that is more."""
    probability = pd.Series(1.0, index=told.index)
    for _step, group in told.groupby("step"):
        steps = (group["value"] / group["resolution"]).round().to_numpy()
        order = np.sort(steps)
        near = np.searchsorted(order, steps + NEIGHBOURS, "right") - np.searchsorted(order, steps - NEIGHBOURS, "left")
        same = group.groupby("value")["value"].transform("size").to_numpy()
        smooth = near / (2 * NEIGHBOURS + 1) / len(group)
        probability[group.index] = np.maximum(smooth, (same - 2) / len(group))
    return probability


def moment_bounds(told: pd.DataFrame) -> dict[float, float]:
    """For each exponent the logarithm of the bound on the moment generating function of a pair's surprise."""
    bounds = {}
    for exponent in EXPONENTS:
        gain = (told["probability"] * (told["probability"] ** -exponent - 1)).where(told["probability"] <= COMMON, 0.0)
        # The mean over readings is the sum over values weighed by their probability.
        bounds[exponent] = float(np.log1p(gain.groupby(told["step"]).mean()).sum())
    return bounds


def _likest_pair(engineer: str, told: pd.DataFrame, bounds: dict[float, float]) -> ScreenRow | None:
    names = pd.Index(told["appliance_id"].unique())
    tries = len(names) * (len(names) - 1) / 2
    pairs = _shared_values(told, names)
    if pairs.empty:
        return None
    best = pairs.nlargest(1, "surprise").to_dict("records")[0]
    one, other, surprise = names[int(best["one"])], names[int(best["other"])], float(best["surprise"])
    logarithm = min(bound - exponent * surprise for exponent, bound in bounds.items())
    mine, theirs = told[told["appliance_id"] == one], told[told["appliance_id"] == other]
    both = mine.merge(theirs, on=["step", "value"], suffixes=("", "_other"))
    return ScreenRow(
        screen="copied set",
        subject=engineer,
        quantity=None,
        count=int(tries),
        statistic_name="minus logarithm of the probability of the shared values",
        statistic=surprise,
        p_value=float(min(1.0, tries * np.exp(min(logarithm, 0.0)))),
        large=True,
        reading_ids=shown_ids([*both["reading_id"], *both["reading_id_other"]]),
        message=f"{one} and {other} share {', '.join(both['step'])}",
    )


def _shared_values(told: pd.DataFrame, names: pd.Index) -> pd.DataFrame:
    """Pairs of appliances of different sites that share three values or more: ``one``, ``other``, ``surprise``."""
    rare = told[told["probability"] <= COMMON]
    rows = names.get_indexer(pd.Index(rare["appliance_id"]))
    tokens = pd.factorize(pd.MultiIndex.from_frame(rare[["step", "value"]]))[0]
    weights = np.sqrt(-np.log(rare["probability"].to_numpy(dtype=float)))
    found = _products(np.ones(len(rows)), rows, tokens, len(names)).tocoo()
    surprise = _products(weights, rows, tokens, len(names))
    pairs = pd.DataFrame({"one": found.row, "other": found.col, "count": found.data})
    if pairs.empty:
        return pairs.assign(surprise=0.0)
    pairs["surprise"] = np.asarray(surprise[found.row, found.col]).ravel()
    sites = pd.Series(pd.factorize(told.drop_duplicates("appliance_id")["site"])[0])
    apart = pairs["one"].map(sites) != pairs["other"].map(sites)
    chosen: pd.DataFrame = pairs[apart & (pairs["count"] >= FEWEST)]
    return chosen


def _products(
    weights: npt.NDArray[np.float64], rows: npt.NDArray[np.intp], tokens: npt.NDArray[np.intp], count: int
) -> csr_matrix:
    """For each pair of appliances the sum of squared weights of what they share; upper triangle."""
    matrix = csr_matrix((weights, (rows, tokens)), shape=(count, int(tokens.max(initial=0)) + 1))
    return triu(matrix @ matrix.T, k=1).tocsr()
