"""Sessions as tracks: times, kinds and numbered labels, as the laying of one over another needs them."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from rapidfuzz.distance import OSA

from reconcile.matching.labels import plain_label
from reconcile.matching.order import Session
from reconcile.matching.progress import stages_of_kind
from reconcile.matching.relative_clocks import Track

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

LONG_WORD: Final = 4


def find_track(session: Session, member: int, words: dict[str, int], at: Places | None) -> Track:
    """A session as a track; ``words`` numbers the labels, ``at``: where its meter alone surely was (T)."""
    times = known_times(session.time_s) if session.timed else _beats(session)
    plain = [plain_label(text) for text in session.label]
    label = np.array([_number_of(word, words) if word else -1 for word in plain], dtype=np.int64)
    return Track(
        time_s=times,
        kind=session.kind,
        label=label,
        emission=np.ones((len(session.kind), stages_of_kind().shape[1])),
        member=np.full(len(session.kind), member),
        row=np.arange(len(session.kind)),
        at=np.full(len(session.kind), -1) if at is None else at,
    )


def _number_of(word: str, words: dict[str, int]) -> int:
    """The number of a label; one that a slip of the finger leads to has the same."""
    if word not in words:
        near = [known for known in words if len(word) > LONG_WORD and OSA.distance(word, known, score_cutoff=2) <= 2]
        words[word] = words[near[0]] if near else len(words)
    return words[word]


def _beats(session: Session) -> Numbers:
    """Times that tell pauses only [s]: NaN where a clock began anew."""
    began = np.diff(session.start, prepend=session.start[:1]) != 0
    return np.where(began, np.nan, session.beat_s)


def known_times(time_s: Numbers) -> Numbers:
    """Times [s] with those that are missing taken from the reading before (after, at the beginning)."""
    known = ~np.isnan(time_s)
    last = np.maximum.accumulate(np.where(known, np.arange(len(time_s)), -1))
    return np.asarray(time_s[np.where(last >= 0, last, int(known.argmax()))], dtype=np.float64)
