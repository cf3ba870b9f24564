"""Labels that name another appliance than the one found: nothing may overrule a label of the job list unasked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Case
from reconcile.matching.labels import plain_label
from reconcile.matching.visits import Visits

Places = NDArray[np.int64]


def labelled_elsewhere(case: Case, appliance: Places, visits: Visits) -> NDArray[np.bool_]:
    """True for readings under a label that the list has, to the letter, for other appliances only, where no reading of
    the same stretch under that label was found at one of those.

    A stretch is what a meter recorded without its label being changed. A label that was simply not changed at the
    next appliance begins at its own: such a stretch is left to time and order.
    """
    listed = visits.called[0][1]
    session = case.session
    meter = np.zeros(len(appliance), dtype=np.int64) if session.meter is None else session.meter
    found = np.zeros(len(appliance), dtype=bool)
    plain = np.array([plain_label(text) for text in session.label], dtype=object)
    for number in np.unique(meter):
        places = np.flatnonzero((meter == number) & (plain != ""))
        texts = plain[places]
        edges = np.flatnonzero(texts[1:] != texts[:-1]) + 1
        for stretch in np.split(places, edges):
            if len(stretch) and (listed[appliance[stretch]] != plain[stretch[0]]).all():
                found[stretch] = bool((listed == plain[stretch[0]]).any())
    return found
