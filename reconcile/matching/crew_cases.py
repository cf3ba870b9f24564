"""A crew as one case: its members' readings in one session, once for each possible order."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Case, Member, Variant
from reconcile.matching.factors import Decided
from reconcile.matching.laying import Laid
from reconcile.matching.order import Session
from reconcile.matching.progress import stages_of_kind
from reconcile.matching.roles import by_role

Places = NDArray[np.int64]


def crew_case(laid: list[Laid], cases: list[Case], lost: dict[int, bool]) -> Case:
    """One case of a crew: the readings in the order of the likeliest variant."""
    numbers = [number for number, *_ in laid[0].members]
    starts = np.cumsum([0, *(len(cases[number].session.rows) for number in numbers)])
    orders = [starts[way.track.member] + way.track.row for way in laid]
    variants = [_merged(way, order, numbers, cases) for way, order in zip(laid, orders, strict=True)]
    base = variants[0]
    weight = np.array([way.log_weight - way.counted for way in laid])
    # Places of the readings, member by member, in the order of the first variant.
    back = np.argsort(orders[0])
    return Case(
        session=base.session,
        decided=base.decided,
        hints=cases[numbers[0]].hints,
        variants=tuple(
            Variant(session=one.session, decided=one.decided, place=back[order], log_prior=float(prior))
            for one, order, prior in zip(variants, orders, weight - weight.max(), strict=True)
        ),
        members=tuple(
            Member(
                number=number,
                place=back[starts[at] : starts[at + 1]],
                difference_s=np.array([way.members[at][1] for way in laid]),
                drift=np.array([way.members[at][2] for way in laid]),
                middle_s=laid[0].members[at][3],
                unsure_s=np.array([way.members[at][4] for way in laid]),
                dated=not lost[number],
                timed=cases[number].session.timed,
            )
            for at, number in enumerate(numbers)
        ),
        laced=laid[0].laced,
    )


def _merged(way: Laid, order: Places, numbers: list[int], cases: list[Case]) -> Case:
    """The members of a crew as one session, its readings in that order of the members one after another."""
    sessions = [cases[number].session for number in numbers]
    time_s = way.track.time_s
    kind = np.concatenate([session.kind for session in sessions])
    meter = np.repeat(np.arange(len(sessions)), [len(session.rows) for session in sessions])
    emission = np.ones((len(kind), stages_of_kind().shape[1]))
    for number in range(len(sessions)):
        emission[meter == number] = by_role(
            kind[meter == number], [session.kind for at, session in enumerate(sessions) if at != number]
        )
    record = np.concatenate([_apart(session.record, number) for number, session in enumerate(sessions)])
    labels: list[Any] = [text for session in sessions for text in session.label]
    decided = [cases[number].decided for number in numbers]
    first = sessions[0]
    session = Session(
        meter_serial=first.meter_serial,
        source=first.source,
        rows=np.concatenate([session.rows for session in sessions])[order],
        time_s=time_s,
        dated=first.dated,
        kind=kind[order],
        label=[labels[place] for place in order],
        record=record[order],
        beat_s=time_s,
        start=np.zeros(len(order), dtype=np.int64),
        meter=meter[order],
        serials=tuple(session.meter_serial for session in sessions),
        emission=emission[order],
        exchanged_s=first.exchanged_s,
    )
    return Case(
        session=session,
        decided=Decided(
            appliance=np.concatenate([one.appliance for one in decided])[order],
            step=np.concatenate([one.step for one in decided])[order],
        ),
        hints=cases[numbers[0]].hints,
    )


def _apart(record: Places, number: int) -> Places:
    """Record numbers that are no other meter's."""
    return record + number * 10_000_000
