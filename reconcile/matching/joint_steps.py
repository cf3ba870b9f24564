"""Steps settled over all meters of an appliance: what one meter's memory alone cannot tell apart.

A tester that holds a supply triple and a later one cannot know whether the later is the dead test or the supply
restored; the indicator's proofs in between say it. For every appliance that several sessions measured, their readings
are merged by corrected time and pass through the phases of the work once more (a hidden Markov chain of six states).
Still value-blind: time, quantity, conductors and meter are all that counts.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.order import KINDS, PROOF_KIND, VOLTAGE_KINDS
from reconcile.matching.progress import STEP_NAMES

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

STATES: Final = ("before", "proving", "isolated", "proved", "dead", "restored")
BEGIN: Final = (0.86, 0.06, 0.01, 0.01, 0.03, 0.03)
ONWARD: Final = np.array(
    [
        [0.80, 0.14, 0.01, 0.002, 0.018, 0.03],
        [0.02, 0.05, 0.92, 0.005, 0.002, 0.003],
        [0.002, 0.01, 0.64, 0.30, 0.012, 0.036],
        [0.002, 0.03, 0.03, 0.03, 0.31, 0.598],
        [0.002, 0.02, 0.003, 0.005, 0.57, 0.40],
        [0.002, 0.02, 0.005, 0.003, 0.02, 0.95],
    ]
)
"""From phase to phase; common practice for the order, every odd way kept possible."""

SHORT_PAUSE_S: Final = 60.0
SHORT_PAUSE: Final = np.ones((6, 6))
SHORT_PAUSE[[0, 1, 2, 3, 4], 5] = 0.02
SHORT_PAUSE[[1, 2, 3, 4], 0] = 0.05
"""Within a minute nobody does the work, or gives the supply back, and goes on measuring: weight of that after a pause
so short.
"""

LONG_PAUSE_S: Final = 300.0
LONG_PAUSE: Final = np.where(np.eye(6, dtype=bool), [0.3, 0.2, 0.05, 0.2, 0.5, 0.6], 1.0)
"""Weight of staying in a phase over a pause of more than five minutes; 1 for going on."""

OTHER_METER: Final = 0.1
"""Weight of a dead test with a meter that was not proved at this appliance although another was."""

PROVED_METER: Final = 0.4
"""Weight of a supply voltage with the meter that was proved, where another one measures voltages here too."""

FITS: Final[dict[str, tuple[tuple[str, float], ...]]] = {
    "before": (("metalwork_proof_before", 0.12), ("metalwork", 0.2), ("supply_ln", 0.5), ("supply_le", 0.5),
               ("supply_ne", 0.5), ("supply_polarity", 0.1), ("earth_loop", 0.1), ("line_neutral_loop", 0.1),
               ("rcd_trip", 0.1), ("earth_continuity", 0.01), ("insulation", 0.005), ("load_current", 0.02)),
    "proving": (("proof_before", 1.0),),
    "isolated": (("dead_ln", 1.0), ("dead_le", 1.0), ("dead_ne", 1.0)),
    "proved": (("proof_after", 1.0),),
    "dead": (("earth_continuity", 0.5), ("insulation", 0.5)),
    "restored": (("restored_ln", 0.8), ("restored_le", 0.8), ("restored_ne", 0.8), ("restored_polarity", 0.1),
                 ("restored_metalwork", 0.05), ("restored_loop", 0.03), ("line_neutral_loop", 0.03),
                 ("rcd_trip", 0.05), ("load_current", 0.1)),
}  # fmt: skip
"""How well each step fits a phase, as a share of what is measured there."""

UNFIT: Final = 1e-9


def fit_tables() -> tuple[Numbers, Places]:
    """Weight of each kind of sighting in each phase, and the step it then is; shapes (kinds, 6)."""
    from schemas.steps import STEPS

    weight = np.full((len(KINDS), len(STATES)), UNFIT)
    step = np.full((len(KINDS), len(STATES)), -1, dtype=np.int64)
    for state, name in enumerate(STATES):
        for step_name, share in FITS[name]:
            planned = STEPS[step_name]
            for conductors in planned.conductors:
                kind = KINDS[planned.quantity, conductors]
                weight[kind, state], step[kind, state] = share, STEP_NAMES.index(step_name)
    for kind in range(len(KINDS)):
        known = step[kind][step[kind] >= 0]
        step[kind] = np.where(step[kind] >= 0, step[kind], known[0] if len(known) else -1)
    return weight, step


def settle_steps(
    *, appliance: Places, time_s: Numbers, kind: Places, meter: Places, place: Places, fixed: Places
) -> tuple[Places, Numbers]:
    """Step of each reading and how sure it is, over all meters of its appliance.

    Shape: one element a reading, in any order; ``place`` breaks ties of time; ``fixed`` is the step that a person
    decided, or −1. Readings of one appliance are merged by ``time_s`` [s].
    """
    order = np.lexsort((place, time_s, appliance))
    begins = np.flatnonzero(np.r_[True, np.diff(appliance[order]) != 0])
    lengths = np.diff(np.r_[begins, len(order)])
    column = np.arange(len(order)) - np.repeat(begins, lengths)
    row = np.repeat(np.arange(len(begins)), lengths)
    weight, step = fit_tables()
    likely = np.ones((len(begins), int(lengths.max()), len(STATES)))
    own = weight[kind[order]] * _by_meter(row, kind[order], meter[order])
    decided = fixed[order]
    own = np.where((decided >= 0)[:, None] & (step[kind[order]] != decided[:, None]), UNFIT**2, own)
    likely[row, column] = own
    pause = np.zeros(likely.shape[:2])
    pause[row[1:], column[1:]] = np.where(column[1:] > 0, np.diff(time_s[order]), 0.0)
    belief = phase_beliefs(likely, pause, lengths)[row, column]
    steps = step[kind[order]]
    total = np.zeros((len(order), len(STEP_NAMES) + 1))
    for state in range(len(STATES)):
        np.add.at(total, (np.arange(len(order)), steps[:, state]), belief[:, state])
    found, sure = np.empty(len(order), dtype=np.int64), np.empty(len(order))
    found[order], sure[order] = total.argmax(axis=1), total.max(axis=1)
    return found, sure


def _by_meter(row: Places, kind: Places, meter: Places) -> Numbers:
    """Weight of each phase by whether the meter was proved at this appliance; shape (readings, 6)."""
    width = int(meter.max()) + 1
    pair = row * width + meter
    proofs, voltage = kind == PROOF_KIND, np.isin(kind, VOLTAGE_KINDS)
    proved = np.isin(pair, pair[proofs])
    # A detector that is proved but measures no voltage leaves the dead test to the other meter.
    unproved_voltage = voltage & ~proved & np.isin(row, row[voltage & proved])
    table = np.ones((len(row), len(STATES)))
    table[unproved_voltage, STATES.index("isolated")] = OTHER_METER
    second = voltage & proved & np.isin(row, row[unproved_voltage])
    for state in ("before", "restored"):
        table[second, STATES.index(state)] = PROVED_METER
    return table


def phase_beliefs(likely: Numbers, pause_s: Numbers, lengths: Places) -> Numbers:
    """Probability of each phase at each reading, by forward–backward.

    Shape: that of ``likely`` (appliances, readings, 6); ``pause_s`` [s] before each reading (appliances, readings).
    """
    longest = likely.shape[1]
    forward, backward = np.empty_like(likely), np.ones_like(likely)
    forward[:, 0] = _normal(np.array(BEGIN) * likely[:, 0])
    for at in range(1, longest):
        moved = np.einsum("as,ast->at", forward[:, at - 1], _moves(pause_s[:, at]))
        forward[:, at] = _normal(moved * likely[:, at])
    for at in range(longest - 2, -1, -1):
        ahead = np.einsum("ast,at->as", _moves(pause_s[:, at + 1]), likely[:, at + 1] * backward[:, at + 1])
        backward[:, at] = np.where((at + 1 < lengths)[:, None], _normal(ahead), 1.0)
    return _normal(forward * backward)


def _moves(pause_s: Numbers) -> Numbers:
    by_length = np.stack([ONWARD * SHORT_PAUSE, ONWARD, ONWARD * LONG_PAUSE])
    return _normal(by_length)[np.digitize(pause_s, [SHORT_PAUSE_S, LONG_PAUSE_S])]


def _normal(table: Numbers) -> Numbers:
    normal: Numbers = table / np.maximum(table.sum(axis=-1, keepdims=True), 1e-300)
    return normal


def settle_sessions(
    cases: list[Any], rows: list[dict[str, Any]], *, names: NDArray[np.object_], sure_from: float,
    marks: dict[str, int], joined_already: set[int],
) -> None:  # fmt: skip
    """Settle steps of appliances that several sessions measured, in place of what each session said alone.

    Sessions ``joined_already`` were judged together with the others and stay as they are.
    ``rows`` are the columns of each session (outcome.session_rows); ``names`` the appliances; ``marks`` the numbers of
    the statuses ``auto``, ``decided``, ``review`` and of the reasons ``clear`` and ``step open``. Appliances with a
    reading of unknown time are left as they are.
    """
    if not rows:
        return
    lengths = [len(row["row"]) for row in rows]
    session = np.repeat(np.arange(len(rows)), lengths)
    joined = {
        name: np.concatenate([np.asarray(row[name]) for row in rows])
        for name in ("appliance", "step", "status", "why", "taken_s", "row")
    }
    status, appliance = joined["status"], joined["appliance"]
    step_open = (status == marks["review"]) & (joined["why"] == marks["step open"])
    usable = ((status == marks["auto"]) | (status == marks["decided"]) | step_open) & (appliance >= 0)
    usable &= ~np.isin(session, list(joined_already))
    several = _measured_by_several(appliance, session, usable)
    timed = ~np.isin(appliance, appliance[usable & np.isnan(joined["taken_s"])])
    chosen = np.flatnonzero(usable & several & timed)
    if not len(chosen):
        return
    kind = np.concatenate([case.session.kind for case in cases])
    decided_step = np.concatenate([case.decided.step for case in cases])
    found, sure = settle_steps(
        appliance=appliance[chosen], time_s=joined["taken_s"][chosen], kind=kind[chosen], meter=session[chosen],
        place=chosen, fixed=decided_step[chosen],
    )  # fmt: skip
    joined["step"][chosen] = found
    free = chosen[status[chosen] != marks["decided"]]
    certain = sure[status[chosen] != marks["decided"]] >= sure_from
    status[free] = np.where(certain, marks["auto"], marks["review"])
    joined["why"][free] = np.where(certain, marks["clear"], marks["step open"])
    for row, begin, length in zip(rows, np.r_[0, np.cumsum(lengths)[:-1]], lengths, strict=True):
        for name in ("step", "status", "why"):
            row[name] = joined[name][begin : begin + length]
        row["candidates"] = {
            int(at): row["candidates"].get(int(at)) or _only_candidate(row, int(at), names)
            for at in np.flatnonzero(row["status"] == marks["review"])
        }


def _only_candidate(row: dict[str, Any], at: int, names: NDArray[np.object_]) -> list[dict[str, object]]:
    """The appliance that is clear, with the step that is not."""
    step = STEP_NAMES[int(row["step"][at])]
    return [
        {
            "appliance_id": names[row["appliance"][at]],
            "step": step,
            "probability": float(row["confidence"][at]),
            "why": "the appliance is clear, the step is not",
        }
    ]


def _measured_by_several(appliance: Places, session: Places, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """True where the appliance of a reading was measured in more than one session."""
    pairs = np.unique(np.stack([appliance[usable], session[usable]]), axis=1)
    names, counts = np.unique(pairs[0], return_counts=True)
    return np.isin(appliance, names[counts > 1])
