"""Many sessions of about the same size, stacked so that one pass of the chain serves all of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.chain import ChainBatch, ChainPosterior, run_chain
from reconcile.matching.factors import PlacingFactors, ReadingFactors

Numbers = NDArray[np.float64]

BATCH_CELLS: Final = 80_000
"""Readings × slots of one batch: keeps memory flat."""


@dataclass(frozen=True, kw_only=True)
class Item:
    """One session under one placing and one clock offset (place ``offset`` in the placing); of a crew one variant, with
    its ``log_prior``.
    """

    session: int
    readings: ReadingFactors
    factors: PlacingFactors
    offset: int
    avoid: Numbers | None = None
    variant: int = 0
    log_prior: float = 0.0


@dataclass(frozen=True, kw_only=True)
class ItemPosterior:
    """``belongs`` (T, A + 1, D), ``entered`` (T, J + 1), ``evidence`` of one item; moves as in ChainPosterior."""

    belongs: Numbers
    entered: Numbers
    evidence: float
    moved: Numbers | None
    switched: Numbers | None
    travelled: Numbers | None


def run_items(items: list[Item], *, with_moves: bool = False) -> list[ItemPosterior]:
    """The posterior of each item, in the order given. Items are sorted by size first, so that little is wasted."""
    order = sorted(range(len(items)), key=lambda number: (_slots(items[number]), _readings(items[number])))
    found: list[ItemPosterior | None] = [None] * len(items)
    start = 0
    while start < len(order):
        end, cells = start + 1, 0
        while end < len(order):
            cells = _slots(items[order[end]]) * max(_readings(items[number]) for number in (order[start], order[end]))
            if cells * (end + 1 - start) > BATCH_CELLS:
                break
            end += 1
        members = order[start:end]
        posterior = run_chain(stack_items([items[number] for number in members]), with_moves=with_moves)
        for place, number in enumerate(members):
            found[number] = _unstack(posterior, place, items[number])
        start = end
    return [posterior for posterior in found if posterior is not None]


def _slots(item: Item) -> int:
    return len(item.factors.slots.appliance)


def _readings(item: Item) -> int:
    return len(item.readings.stray)


def stack_items(items: list[Item]) -> ChainBatch:
    """The factors of the items as one batch, filled at the start of time and at the end of slots, jobs, appliances."""
    count = max(_readings(item) for item in items)
    slots = max(_slots(item) for item in items)
    jobs = max(len(item.factors.placing.jobs) for item in items) + 1
    appliances = max(len(item.factors.appliances) for item in items) + 1
    first = items[0].readings
    width, steps, looks = first.onward.shape[1], first.onward.shape[2], first.switch_pause.shape[1]
    shapes = {
        "onward": (count, len(items), width, steps), "leave": (count, len(items), 2, width),
        "last": (len(items), width), "ending": (len(items), slots), 
        "first": (count, len(items), steps), "again": (count, len(items), 2, steps), "stray": (count, len(items)),
        "switch_pause": (count, len(items), looks), "travel_pause": (count, len(items), looks),
        "fresh_label": (count, len(items), slots), "stay_label": (count, len(items), slots),
        "typed": (count, len(items)), "enter": (count, len(items), jobs),
        "departed": (count, len(items), looks, jobs), "travel": (len(items), jobs + 1, jobs),
        "switch": (len(items), 2, slots, slots), "resume": (len(items), 2, 2, slots, slots),
        "opening": (len(items), slots),
        "of_job": (len(items), slots, jobs),
        "of_appliance": (len(items), appliances, slots),
    }  # fmt: skip
    arrays = {name: np.zeros(shape) for name, shape in shapes.items()}
    arrays["stray"][:] = 1.0
    for place, item in enumerate(items):
        _fill(arrays, place, item, count - _readings(item))
    return ChainBatch(**arrays)


def _fill(arrays: dict[str, Numbers], place: int, item: Item, start: int) -> None:
    readings, factors = item.readings, item.factors
    slots, jobs = factors.slots, len(factors.placing.jobs) + 1
    used = len(slots.appliance)
    for name in ("onward", "leave", "first", "again", "switch_pause", "travel_pause"):
        arrays[name][start:, place] = getattr(readings, name)
    arrays["last"][place] = readings.last
    arrays["ending"][place, :used] = factors.ending[slots.job]
    arrays["stray"][start:, place] = readings.stray * factors.foreign
    arrays["typed"][start:, place] = [bool(word) for word in readings.words]
    fresh = factors.fresh_label if factors.present is None else factors.fresh_label * factors.present[item.offset]
    arrays["fresh_label"][start:, place, :used] = fresh[:, slots.appliance]
    arrays["stay_label"][start:, place, :used] = factors.stay_label[:, slots.appliance]
    enter = factors.enter[item.offset]
    arrays["enter"][start:, place, :jobs] = enter if item.avoid is None else enter * item.avoid
    arrays["departed"][start:, place, :, :jobs] = factors.departed[item.offset]
    arrays["travel"][place, :jobs, :jobs] = factors.travel[:-1]
    arrays["travel"][place, -1, :jobs] = factors.travel[-1]
    arrays["switch"][place, :, :used, :used] = slots.switch
    arrays["resume"][place, :, :, :used, :used] = slots.resume
    arrays["opening"][place, :used] = slots.opening
    arrays["of_job"][place, np.arange(used), slots.job] = 1.0
    arrays["of_appliance"][place, slots.appliance, np.arange(used)] = 1.0


def _unstack(posterior: ChainPosterior, place: int, item: Item) -> ItemPosterior:
    start = len(posterior.belongs) - _readings(item)
    return ItemPosterior(
        belongs=posterior.belongs[start:, place, : len(item.factors.appliances) + 1],
        entered=posterior.entered[start:, place, : len(item.factors.placing.jobs) + 1],
        evidence=float(posterior.evidence[place]),
        moved=None if posterior.moved is None else posterior.moved[start:, place],
        switched=None if posterior.switched is None else posterior.switched[start:, place],
        travelled=None if posterior.travelled is None else posterior.travelled[start:, place],
    )
