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


@lru_cache(maxsize=65_536)
def plain_label(text: str | None) -> str:
    """The label as it is compared: letters and digits only, without case; empty for none."""
    return "" if text is None else "".join(letter for letter in text.casefold() if letter.isalnum())


@dataclass(frozen=True, kw_only=True)
class Names:
    """What appliances are called, one entry each, all plain: the ``label`` of the job list (empty for none), and what
    engineers type instead: its ``name`` (id), place, kind and site, as ``others`` (weight, texts).
    """

    label: list[str]
    others: tuple[tuple[float, list[str]], ...]


def label_likelihoods(seen: list[str], names: Names) -> tuple[Numbers, Numbers]:
    """Likelihood of each label seen [rows] under each appliance [columns], and where it belongs to none of them [rows].

    An appliance without a listed label, or one that is not listed at all, has a label in the manner of the listed ones,
    or any other. Every column keeps a floor for labels that belong to another appliance, so that no label alone
    decides.
    """
    listed = names.label
    edits = _edits(seen, listed)
    by_label = np.maximum(_typed(seen, listed, edits), ABBREVIATED * _abbreviated(seen, listed, edits))
    typed = by_label
    for weight, texts in names.others:
        typed = np.maximum(typed, weight * _typed(seen, texts, _edits(seen, texts)))
    exact, manner = (edits == 0).astype(float), _manner(listed)
    near = manner[edits] + manner[0] * np.where(edits > 0, _typed(seen, listed, edits), 0.0)
    lengths = np.array([min(len(text), 6) for text in seen], dtype=float)
    anything = 0.05 * 20.0**-lengths
    share = max(sum(bool(name) for name in listed), 1)
    unknown = 0.5 * near.sum(axis=1) / share + 0.5 * anything
    wrong = 0.7 * exact.sum(axis=1) / share + 0.3 * unknown
    unlisted = np.array([not text for text in listed], dtype=bool)
    intended = np.where(unlisted[None, :], np.maximum(0.9 * unknown[:, None], typed), typed)
    fit = (1.0 - WRONG_LABEL) * intended + WRONG_LABEL * wrong[:, None]
    return np.asarray(fit, dtype=np.float64), np.asarray(unknown, dtype=np.float64)


def meant_the_same(seen: list[str]) -> Numbers:
    """Likelihood of each label [columns] where each other [rows] was typed just before for the same appliance.

    1 where they are equal; a slip of the finger where they are near; else 0.
    """
    edits = _edits(seen, seen)
    return np.where(edits == 0, 1.0, _typed(seen, seen, edits).T)


def _edits(seen: list[str], names: list[str]) -> NDArray[np.int64]:
    """Edits between labels, at most ``FARTHEST_EDITS`` + 1, which also stands for names that are empty."""
    if not seen or not names:
        return np.full((len(seen), len(names)), FARTHEST_EDITS + 1, dtype=np.int64)
    edits = cdist(seen, names, scorer=OSA.distance, score_cutoff=FARTHEST_EDITS, dtype=np.int32)
    named = np.array([bool(name) for name in names])
    return np.where(named[None, :], edits, FARTHEST_EDITS + 1).astype(np.int64)


def _typed(seen: list[str], names: list[str], edits: NDArray[np.int64]) -> Numbers:
    """Likelihood that a person who means ``names`` [columns] types ``seen`` [rows]; 0 for names that are empty."""
    if not seen or not names:
        return np.zeros((len(seen), len(names)))
    length = np.array([max(len(name), 1) for name in names], dtype=float)[None, :]
    slips = (1.0 - TYPED_RIGHT) * 0.9 * 0.1 ** (edits - 1.0) / (KEYS * length) ** edits
    slips = np.where(edits <= FARTHEST_EDITS, slips, 0.0)
    cut_short = np.array([[_is_cut(text, name) for name in names] for text in seen])
    return np.where(edits == 0, TYPED_RIGHT, np.maximum(slips, np.where(cut_short, 0.01, 0.0)))


def _manner(listed: list[str]) -> Numbers:
    """How likely an unlisted label is one very text, by its edits from a listed label; last entry: farther.

    Learnt from how the listed labels differ among themselves: numbers in a row are near each other, codes are not.
    """
    named = [name for name in listed if name]
    pairs = len(named) * (len(named) - 1)
    edits = _edits(named, named)
    counts = np.bincount(edits.ravel(), minlength=FARTHEST_EDITS + 2)[: FARTHEST_EDITS + 1].astype(float)
    counts[0] -= len(named)
    length = max(float(np.mean([len(name) for name in named])) if named else 5.0, 1.0)
    share = (counts + UNSEEN_MANNER) / (pairs + UNSEEN_PAIRS)
    texts = np.array([1.0, 10.0 * length, 40.0 * length**2, 200.0 * length**2])
    return np.append(share / texts, 0.0)


def _is_cut(text: str, name: str) -> bool:
    """True where the label was cut off by the meter's short memory of text."""
    return 3 <= len(text) < len(name) and name.startswith(text)


def _abbreviated(seen: list[str], names: list[str], edits: NDArray[np.int64]) -> Numbers:
    """1 where a label seen has the letters of a name in their order, with the same first letter, but fewer of them."""
    return np.array(
        [
            [
                far > 1 and 2 <= len(text) < len(name) and _shortens(text, name)
                for name, far in zip(names, row, strict=True)
            ]
            for text, row in zip(seen, edits, strict=True)
        ],
        dtype=float,
    ).reshape(edits.shape)


def _shortens(text: str, name: str) -> bool:
    rest = iter(name)
    return text[0] == name[0] and all(letter in rest for letter in text)
