"""Whether the labels of a session may mean nothing: never changed from appliance to appliance, or nobody's of the list."""

from __future__ import annotations

from typing import Final

import numpy as np

from reconcile.matching.labels import plain_label
from reconcile.matching.order import KINDS, Session
from reconcile.matching.visits import Visits

LINE_TO_NEUTRAL: Final = KINDS["voltage", "L-N"]
MOST_UNDER_ONE_LABEL: Final = 5
"""Line to neutral is measured about three times at one appliance, more often only where something is repeated."""

UNKNOWN_SHARE: Final = 0.3


def labels_in_doubt(session: Session, visits: Visits) -> bool:
    """True where one label stays on over more than one appliance's work, or many labels are not those of the list."""
    words = [plain_label(text) for text in session.label]
    typed = [word for word in words if word]
    if not typed:
        return False
    listed = visits.words
    if sum(word not in listed for word in typed) > UNKNOWN_SHARE * len(typed):
        return True
    counts: dict[int, int] = {}
    run, last, before = 0, "", -1
    for word, kind in zip(words, session.kind, strict=True):
        run, last = (run + 1, word) if word and word != last else (run, last)
        if kind == LINE_TO_NEUTRAL and kind != before:
            counts[run] = counts.get(run, 0) + 1
        before = int(kind)
    return bool(np.max([*counts.values(), 0]) > MOST_UNDER_ONE_LABEL)
