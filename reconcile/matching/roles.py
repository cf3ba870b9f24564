"""What meters that are used together are used for: dead is tested with the one that is proved."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.order import PROOF_KIND, VOLTAGE_KINDS
from reconcile.matching.progress import ISOLATED, PART_OF_STAGE, RESTORED, STAGE_COUNT, SUPPLY, stages_of_kind
from reconcile.matching.relative_clocks import Track

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

DEAD_BY_UNPROVED: Final = 0.03
"""Weight of a dead test with a meter that is never proved although another meter of the crew is."""

LIVE_BY_INDICATOR: Final = 0.15
LIVE_BETWEEN_PROOFS: Final = 0.01
"""Weight of a live voltage with the meter that is proved, where another one measures voltages too."""


def with_roles(first: Track, second: Track) -> tuple[Track, Track]:
    """Both tracks with the weight of each stage by what the meters are used for."""
    kinds = [first.kind[first.member == member] for member in np.unique(first.member)]
    return replace(first, emission=first.emission * by_role(first.kind, [second.kind])), replace(
        second, emission=second.emission * by_role(second.kind, kinds)
    )


def by_role(kind: Places, others: list[Places]) -> Numbers:
    """Weight of each stage (T, D) of the readings of a meter beside other meters: dead is tested with the one that is
    proved, live voltages rather with another. A meter that is proved but measures no voltage says nothing of that.
    """
    stages = np.where(stages_of_kind() < 0, STAGE_COUNT, stages_of_kind())[kind]
    part = np.append(PART_OF_STAGE, -1)[stages]
    voltage = np.isin(kind, VOLTAGE_KINDS)
    weight = np.ones(stages.shape)
    proved = (kind == PROOF_KIND).any()
    proofs = [bool((other == PROOF_KIND).any()) for other in others if np.isin(other, VOLTAGE_KINDS).any()]
    if not proved and any(proofs):
        weight[voltage[:, None] & (part == ISOLATED)] = DEAD_BY_UNPROVED
    if proved and not all(proofs):
        live = (part == SUPPLY) | (part == RESTORED)
        weight[voltage[:, None] & live] = LIVE_BY_INDICATOR
        weight[_between_proofs(kind)[:, None] & live] = LIVE_BETWEEN_PROOFS
    return weight


def _between_proofs(kind: Places) -> NDArray[np.bool_]:
    """True for voltages that follow a proof and are followed by one, nothing else between: a dead test."""
    voltage, proof = np.isin(kind, VOLTAGE_KINDS), kind == PROOF_KIND
    place = np.arange(len(kind))
    last = np.maximum.accumulate(np.where(voltage, -1, place))
    next_ = np.minimum.accumulate(np.where(voltage, len(kind), place)[::-1])[::-1]
    known = voltage & (last >= 0) & (next_ < len(kind))
    enclosed: NDArray[np.bool_] = known & proof[np.maximum(last, 0)] & proof[np.minimum(next_, len(kind) - 1)]
    return enclosed
