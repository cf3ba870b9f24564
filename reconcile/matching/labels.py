"""How well a label typed into a meter fits each appliance: edit distance turned into likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rapidfuzz.distance import OSA
from rapidfuzz.process import cdist

Numbers = NDArray[np.float64]

TYPED_RIGHT: Final = 0.93
"""Share of labels typed exactly as the job list has them (from simulated days; the matcher is not sensitive to it)."""

WRONG_LABEL: Final = 0.015
"""Share of labels that belong to another appliance, left over from it or chosen by mistake."""

KEYS: Final = 40.0
"""Characters that a slip of the finger chooses from."""

FARTHEST_EDITS: Final = 3
ABBREVIATED: Final = 0.004
"""How likely a label is typed in one certain shorter way (letters left out)."""

UNSEEN_PAIRS: Final = 20.0
UNSEEN_MANNER: Final = 0.1
SHORTEST_CUT: Final = 3
"""Letters that a label cut off by a short memory has at least."""

REMEMBERED: Final = 512
"""Sets of labels and names whose likelihoods are kept (kilobytes each): a session is looked at more than once."""


@lru_cache(maxsize=65_536)
def plain_label(text: str | None) -> str:
    """The label as it is compared: letters and digits only, without case; empty for none."""
    return "" if text is None else "".join(letter for letter in text.casefold() if letter.isalnum())


@dataclass(frozen=True, kw_only=True)
class Names:
    """What appliances are called, one entry each, all plain: the ``label`` of the job list (empty for none), and what
    engineers type instead: its ``name`` (id), place, kind and site, as ``others`` (weight, texts).
    """

    label: tuple[str, ...]
    others: tuple[tuple[float, tuple[str, ...]], ...]


def label_likelihoods(seen: list[str], names: Names) -> tuple[Numbers, Numbers]:
    """Likelihood of each label seen [rows] under each appliance [columns], and where it belongs to none of them [rows].

    An appliance without a listed label, or one that is not listed at all, has a label in the manner of the listed ones,
    or any other. Every column keeps a floor for labels that belong to another appliance, so that no label alone
    decides.
    """
    return _likelihoods(tuple(seen), names)


@lru_cache(maxsize=REMEMBERED)
def _likelihoods(seen: tuple[str, ...], names: Names) -> tuple[Numbers, Numbers]:
    """What ``label_likelihoods`` says; one session asks the same several times."""
    listed = names.label
    texts = dict.fromkeys([*listed, *(name for _, called in names.others for name in called)])
    place = {text: number for number, text in enumerate(texts)}
    all_edits = _edits(seen, tuple(place))
    all_typed = _typed(seen, tuple(place), all_edits)
    columns = [place[text] for text in listed]
    edits, by_label = all_edits[:, columns], all_typed[:, columns]
    typed = np.maximum(by_label, ABBREVIATED * _abbreviated(seen, listed, edits))
    for weight, called in names.others:
        typed = np.maximum(typed, weight * all_typed[:, [place[text] for text in called]])
    exact, manner = (edits == 0).astype(float), _manner(listed)
    near = manner[edits] + manner[0] * np.where(edits > 0, by_label, 0.0)
    lengths = np.array([min(len(text), 6) for text in seen], dtype=float)
    anything = 0.05 * 20.0**-lengths
    share = max(sum(bool(name) for name in listed), 1)
    unknown = 0.5 * near.sum(axis=1) / share + 0.5 * anything
    wrong = 0.7 * exact.sum(axis=1) / share + 0.3 * unknown
    unlisted = np.array([not text for text in listed], dtype=bool)
    intended = np.where(unlisted[None, :], np.maximum(0.9 * unknown[:, None], typed), typed)
    fit = (1.0 - WRONG_LABEL) * intended + WRONG_LABEL * wrong[:, None]
    fit.flags.writeable = unknown.flags.writeable = False
    return fit, unknown


def meant_the_same(seen: list[str]) -> Numbers:
    """Likelihood of each label [columns] where each other [rows] was typed just before for the same appliance.

    1 where they are equal; a slip of the finger where they are near; else 0.
    """
    return _meant_the_same(tuple(seen))


@lru_cache(maxsize=REMEMBERED)
def _meant_the_same(texts: tuple[str, ...]) -> Numbers:
    edits = _edits(texts, texts)
    likely = np.where(edits == 0, 1.0, _typed(texts, texts, edits).T)
    likely.flags.writeable = False
    return likely


def _edits(seen: tuple[str, ...], names: tuple[str, ...]) -> NDArray[np.int64]:
    """Edits between labels, at most ``FARTHEST_EDITS`` + 1, which also stands for names that are empty."""
    if not seen or not names:
        return np.full((len(seen), len(names)), FARTHEST_EDITS + 1, dtype=np.int64)
    edits = cdist(seen, names, scorer=OSA.distance, score_cutoff=FARTHEST_EDITS, dtype=np.int32)
    named = np.array([bool(name) for name in names])
    return np.where(named[None, :], edits, FARTHEST_EDITS + 1).astype(np.int64)


def _typed(seen: tuple[str, ...], names: tuple[str, ...], edits: NDArray[np.int64]) -> Numbers:
    """Likelihood that a person who means ``names`` [columns] types ``seen`` [rows]; 0 for names that are empty."""
    if not seen or not names:
        return np.zeros((len(seen), len(names)))
    length = np.array([max(len(name), 1) for name in names], dtype=float)[None, :]
    slips = (1.0 - TYPED_RIGHT) * 0.9 * 0.1 ** (edits - 1.0) / (KEYS * length) ** edits
    slips = np.where(edits <= FARTHEST_EDITS, slips, 0.0)
    return np.where(edits == 0, TYPED_RIGHT, np.maximum(slips, np.where(_cut_short(seen, names), 0.01, 0.0)))


@lru_cache(maxsize=REMEMBERED)
def _manner(listed: tuple[str, ...]) -> Numbers:
    """How likely an unlisted label is one very text, by its edits from a listed label; last entry: farther.

    Learnt from how the listed labels differ among themselves: numbers in a row are near each other, codes are not.
    """
    named = tuple(name for name in listed if name)
    pairs = len(named) * (len(named) - 1)
    edits = _edits(named, named)
    counts = np.bincount(edits.ravel(), minlength=FARTHEST_EDITS + 2)[: FARTHEST_EDITS + 1].astype(float)
    counts[0] -= len(named)
    length = max(float(np.mean([len(name) for name in named])) if named else 5.0, 1.0)
    share = (counts + UNSEEN_MANNER) / (pairs + UNSEEN_PAIRS)
    texts = np.array([1.0, 10.0 * length, 40.0 * length**2, 200.0 * length**2])
    return np.append(share / texts, 0.0)


def _cut_short(seen: tuple[str, ...], names: tuple[str, ...]) -> NDArray[np.bool_]:
    """True where the label [rows] is a name [columns] cut off by the meter's short memory of text."""
    texts, of = np.array(seen)[:, None], np.array(names)[None, :]
    length = np.strings.str_len(texts)
    begins: NDArray[np.bool_] = np.strings.startswith(of, texts)
    return begins & (length >= SHORTEST_CUT) & (length < np.strings.str_len(of))


def _abbreviated(seen: tuple[str, ...], names: tuple[str, ...], edits: NDArray[np.int64]) -> Numbers:
    """1 where a label seen has the letters of a name in their order, with the same first letter, but fewer of them."""
    lengths, of = np.array([len(text) for text in seen]), np.array([len(name) for name in names])
    shorter = (edits > 1) & (lengths[:, None] >= 2) & (lengths[:, None] < of)
    found = np.zeros(edits.shape)
    for row, column in zip(*np.nonzero(shorter), strict=True):
        found[row, column] = _shortens(seen[row], names[column])
    return found


def _shortens(text: str, name: str) -> bool:
    rest = iter(name)
    return text[0] == name[0] and all(letter in rest for letter in text)
