"""Where else a recorded value is found: at other appliances, and how much that proves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile.audit.digits import Floats
from reconcile.audit.explain import Explanation, weighed

NEARNESS: Final = (0.6, 0.3, 0.1)
"""Where the other appliance is when a value got into the wrong row: same job, same day, elsewhere. Most often it is
the next row. Our own estimate."""

TOGETHER: Final = 0.5
"""How likely one mixed-up value means that its neighbours of the same appliance were mixed up in the same way. Our
own estimate."""

THIN_AIR_VALUES: Final = 50.0
"""Different values that somebody would think of who makes one up; smooths the shares of rare values."""

Places = npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Population:
    """All numbers of one quantity and pair, sorted: their comparators, the readings they are (``places``), the
    appliance of each (``codes``, -1 unknown), and how many each appliance has (``counts`` by code).
    """

    values: Floats
    comparators: npt.NDArray[np.str_]
    places: Places
    codes: Places
    counts: Places

    def near(self, value: float, step: float, comparator: str) -> slice | Places:
        """Which of the numbers the value agrees with, rounding included."""
        half = step / 2 * (1 - 1e-6)
        low = int(np.searchsorted(self.values, value - half, side="left"))
        high = int(np.searchsorted(self.values, value + half, side="right"))
        return low + np.flatnonzero(self.comparators[low:high] == comparator)

    def share(self, hits: int) -> float:
        """How likely a made-up value is one of so many, smoothed."""
        return (hits + 0.5) / (len(self.values) + THIN_AIR_VALUES / 2)


@dataclass(frozen=True, kw_only=True)
class Appliances:
    """Every appliance of the readings: ``codes`` of the names, and by code its job, its place on site, its day."""

    codes: dict[str, int]
    jobs: Places
    spots: Places
    days: npt.NDArray[np.datetime64]

    def nearness(self, codes: Places, own: int, day: np.datetime64) -> tuple[Places, npt.NDArray[np.bool_]]:
        """0 same job, 1 same day, 2 elsewhere, by code; and whether it is the same place on site."""
        same_day = self.days[codes] == day
        if own < 0:
            return np.where(same_day, 1, 2), np.zeros(len(codes), dtype=bool)
        same_job = self.jobs[codes] == self.jobs[own]
        same_spot = (self.spots[codes] == self.spots[own]) & (self.spots[own] >= 0)
        return np.where(same_job, 0, np.where(same_day, 1, 2)), same_spot & ~same_job


@dataclass(frozen=True, kw_only=True)
class Found:
    """Where one recorded value is found: appliance codes, one reading of each, how many readings each has there."""

    codes: Places
    places: Places
    counts: Places
    made_up: float
    share: float

    def strength(self) -> Floats:
        """How much better each appliance explains the value than thin air does."""
        return np.asarray(1 / self.counts / self.made_up)


def list_appliances(placed: pd.DataFrame, certificates: pd.DataFrame | None) -> Appliances:
    """The appliances of ``placed``; ``certificates`` (appliance_id, job_id, site, kind, location) tells who is near."""
    names = pd.Index(placed.loc[placed["appliance_id"] != "", "appliance_id"].unique())
    days = placed.groupby("appliance_id")["day"].min().reindex(names)
    jobs = spots = np.full(len(names), -1, dtype=np.int64)
    if certificates is not None:
        known = certificates.drop_duplicates("appliance_id").set_index("appliance_id").reindex(names)
        jobs = pd.factorize(known["job_id"])[0].astype(np.int64)
        parts = known[["site", "kind", "location"]]
        spot = parts.fillna("").agg("\x1f".join, axis=1).where(known["site"].notna())
        spots = pd.factorize(spot)[0].astype(np.int64)
    return Appliances(
        codes={str(name): code for code, name in enumerate(names)},
        jobs=jobs,
        spots=spots,
        days=days.to_numpy(dtype="datetime64[ns]"),
    )


def populate(placed: pd.DataFrame, appliances: Appliances) -> dict[tuple[str, str], Population]:
    """The numbers of every quantity and pair; the pair ``*`` holds all pairs of the quantity."""
    numbers = placed[placed["value"].notna()]
    codes = np.asarray(placed["appliance_id"].map(appliances.codes).fillna(-1), dtype=np.int64)
    groups = [((str(q), str(c)), group) for (q, c), group in numbers.groupby(["quantity", "conductors"], sort=False)]
    groups += [((str(q), "*"), group) for q, group in numbers.groupby("quantity", sort=False)]
    found: dict[tuple[str, str], Population] = {}
    for key, group in groups:
        order = np.argsort(group["value"].to_numpy(), kind="stable")
        places = group.index.to_numpy(dtype=np.int64)[order]
        found[key] = Population(
            values=group["value"].to_numpy(dtype=float)[order],
            comparators=group["comparator"].to_numpy(dtype=str)[order],
            places=places,
            codes=codes[places],
            counts=np.bincount(codes[places][codes[places] >= 0], minlength=len(appliances.codes)).astype(np.int64),
        )
    return found


def find_elsewhere(value: float, step: float, comparator: str, population: Population, own: int) -> Found:
    """The other appliances that have this value."""
    hits = population.near(value, step, comparator)
    codes, first = np.unique(population.codes[hits], return_index=True)
    other = (codes >= 0) & (codes != own)
    total = len(population.codes[hits])
    return Found(
        codes=codes[other],
        places=population.places[hits][first[other]],
        counts=population.counts[codes[other]],
        made_up=population.share(total),
        share=total / max(len(population.values), 1),
    )


def explain_elsewhere(
    found: Found, others: Sequence[Found], appliances: Appliances, own: int, day: np.datetime64
) -> list[Explanation]:
    """The best other appliance of each verdict, its weight that of all of them together.

    ``others``: where the other mismatching values of the same recorded appliance are found. An appliance that
    explains those too is much more likely than one that explains this value alone.
    """
    if not len(found.codes):
        return []
    near, same_spot = appliances.nearness(found.codes, own, day)
    every = np.arange(len(appliances.codes))
    sizes = np.bincount(appliances.nearness(every, own, day)[0], minlength=3)
    share = np.array(NEARNESS)[near] / np.maximum(sizes[near], 1)
    support = np.ones(len(found.codes))
    for other in others:
        strength = dict(zip(other.codes.tolist(), other.strength().tolist(), strict=True))
        support *= (1 - TOGETHER) + TOGETHER * np.array([strength.get(code, 0.0) for code in found.codes.tolist()])
    likelihood = np.where(same_spot, 1.0, share) / found.counts * support
    explanations = []
    for verdict, chosen in (("another date", same_spot), ("another appliance", ~same_spot)):
        if chosen.any():
            best = int(np.argmax(np.where(chosen, likelihood, -1.0)))
            considered = int(sizes[: near[best] + 1].sum())
            chance = 1 - (1 - found.share) ** max(considered, 1)
            note = f"found at {int(chosen.sum())} of {len(appliances.codes)} appliances"
            explanations.append(
                weighed(verdict, float(likelihood[chosen].sum()), int(found.places[best]), note=note, chance=chance)
            )
    return explanations


def indication_share(placed: pd.DataFrame) -> Mapping[tuple[str, str], float]:
    """How common each indication is among the readings of its quantity."""
    shown = placed[placed["indication"] != ""]
    shares = shown.groupby("quantity")["indication"].value_counts(normalize=True)
    index = shares.index.to_frame(index=False).astype("str")
    return {
        (quantity, indication): float(share)
        for quantity, indication, share in zip(index["quantity"], index["indication"], shares, strict=True)
    }
