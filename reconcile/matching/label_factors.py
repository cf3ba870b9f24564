"""What the labels of a session say: likelihoods where an appliance is begun, gone on with, or the reading is none's."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.labels import label_likelihoods, meant_the_same
from reconcile.matching.visits import Visits, names_of

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

TYPED_AFRESH: Final = 0.3
LEFT_OVER: Final = 0.012
"""How often a label is typed anew for each reading, and how often it is left over from the appliance before (common
practice, from memory)."""

CHANGED_ON_THIS: Final = 0.5
"""What the last label of another meter counts where this one's was changed."""

OWN_NAME_AGAIN: Final = 0.9
"""How often an engineer types a name of his own for an appliance again as before."""

NOT_CHANGED: Final = 0.5
CHANGED_BETWEEN: Final = 0.03
"""Where labels mean nothing: how often one is not changed for another appliance, and is changed within one."""

STRAY_KEEPS_LABEL: Final = 0.25
STRAY_UNLABELLED: Final = 0.6
"""How often a reading that belongs nowhere keeps the label typed last, and how often it has none."""


def label_factors(
    words: list[str], before: tuple[NDArray[np.bool_], Numbers], meter: Places, visits: Visits,
    appliances: Places, *, labels_count: bool,
) -> tuple[Numbers, Numbers, Numbers]:  # fmt: skip
    """Likelihood of each label where an appliance is begun and where it is gone on with (T, A + 1; the last column is
    unlisted), and where the reading belongs to none (T). ``words`` are the plain labels, empty for none, ``before`` is
    what labels_before says of them; unless ``labels_count`` they tell nothing but that they changed.
    """
    typed = np.array([bool(word) for word in words])
    fit, foreign = _labels(words, visits, appliances)
    if labels_count:
        listed = visits.called[0][1][appliances]
        names = set(listed)
        strange = np.array([word not in names for word in words])
        own = strange[:, None] | np.append(listed == "", True)
        fresh, stay, foreign = _meant(before, typed, fit, foreign, own)
    else:
        fresh, stay, foreign = _meaningless(before, typed, foreign, len(appliances) + 1)
    return fresh, stay, _foreign(typed, foreign, meter)


def labels_before(words: list[str], meter: Places) -> tuple[NDArray[np.bool_], Numbers]:
    """Whether each label is the last one typed before it in the same meter; how likely it is typed after the last one
    of each meter where the appliance stays the same (0 to 1). A label that comes back after another was changed twice.
    """
    vocabulary = sorted({word for word in words if word})
    place = {word: number for number, word in enumerate(vocabulary)}
    typed = np.array([place.get(word, -1) for word in words], dtype=np.int64)
    # One more row and column, of zeros, for where no label was typed.
    after = np.pad(meant_the_same(vocabulary), (0, 1))
    own, others = np.full(len(words), -1), np.zeros(len(words))
    for one in np.unique(meter):
        last = _last_typed(np.where(meter == one, typed, -1))
        own = np.where(meter == one, last, own)
        others = np.where(meter == one, others, np.maximum(others, after[last, typed]))
    likely = np.where(own < 0, others, np.maximum(after[own, typed], CHANGED_ON_THIS * others))
    return (own == typed) & (typed >= 0), likely


def _last_typed(typed: Places) -> Places:
    """What was typed last before each reading; −1 for nothing (as where nothing is typed)."""
    at = np.maximum.accumulate(np.where(typed >= 0, np.arange(len(typed)), -1))
    before = np.append(-1, at[:-1])
    return np.where(before < 0, -1, typed[before])


def _meant(
    before: tuple[NDArray[np.bool_], Numbers], typed: NDArray[np.bool_], fit: Numbers, foreign: Numbers,
    own: NDArray[np.bool_],
) -> tuple[Numbers, Numbers, Numbers]:  # fmt: skip
    """Likelihood of each label where an appliance is begun and where it is gone on with (T, A + 1), and where the
    reading belongs to none (T), for labels that name appliances. ``own`` (T, A + 1): where the list has no such label,
    or none for the appliance, it is a slip or a name of the engineer's own: a repetition tells nothing more.
    """
    same_word, like_before = before[0], before[1][:, None]
    again = np.where(own & (like_before >= 1.0), np.maximum(fit, OWN_NAME_AGAIN), fit)
    stay = np.where(like_before >= 1.0, 1.0 - TYPED_AFRESH, 0.5 * TYPED_AFRESH * like_before) + TYPED_AFRESH * again
    fresh = fit + np.where(same_word, LEFT_OVER, 0.0)[:, None]
    strange = np.maximum(foreign, np.where(same_word, STRAY_KEEPS_LABEL, 0.0))
    return fresh, np.where(typed[:, None], stay, 1.0), strange


def _meaningless(
    before: tuple[NDArray[np.bool_], Numbers], typed: NDArray[np.bool_], foreign: Numbers, columns: int
) -> tuple[Numbers, Numbers, Numbers]:  # fmt: skip
    """The same for labels that name nothing of the list: never changed, or an engineer's own numbers."""
    same_word, same = before[0], before[1] >= 1.0
    fresh = np.where(typed, np.where(same_word, NOT_CHANGED, (1.0 - NOT_CHANGED) * foreign), 1.0)
    stay = np.where(typed, np.where(same, 1.0 - CHANGED_BETWEEN, CHANGED_BETWEEN * foreign), 1.0)
    strange = np.where(same_word, 1.0 - CHANGED_BETWEEN, foreign)
    return np.tile(fresh[:, None], columns), np.tile(stay[:, None], columns), strange


def _foreign(typed: NDArray[np.bool_], likelihood: Numbers, meter: Places) -> Numbers:
    """Weight of each label, or of its absence, where a reading belongs nowhere against where it belongs (T)."""
    missing = ((np.bincount(meter, weights=~typed) + 1.0) / (np.bincount(meter) + 4.0))[meter]
    return np.where(typed, likelihood * (1.0 - STRAY_UNLABELLED) / (1.0 - missing), STRAY_UNLABELLED / missing)


def _labels(words: list[str], visits: Visits, appliances: Places) -> tuple[Numbers, Numbers]:
    """Likelihood of each reading's label under each appliance, the last column unlisted (T, A + 1); where it belongs
    to nothing (T); 1 where there is no label.
    """
    vocabulary = sorted({word for word in words if word})
    fit, foreign = np.ones((len(words), len(appliances) + 1)), np.ones(len(words))
    if vocabulary:
        place = {word: number for number, word in enumerate(vocabulary)}
        rows = np.array([place.get(word, -1) for word in words])
        by_word, unknown = label_likelihoods(vocabulary, names_of(visits, appliances))
        table = np.concatenate([by_word, unknown[:, None]], axis=1)
        fit[rows >= 0] = table[rows[rows >= 0]]
        foreign[rows >= 0] = unknown[rows[rows >= 0]]
    return fit, foreign
