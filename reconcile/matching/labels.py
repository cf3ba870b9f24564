"""How well a label typed into a meter fits each appliance: edit distance turned into likelihood."""

from __future__ import annotations

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


def plain_label(text: str | None) -> str:
    """The label as it is compared: letters and digits only, without case; empty for none."""
    return "" if text is None else "".join(letter for letter in text.casefold() if letter.isalnum())


def label_likelihoods(seen: list[str], listed: list[str], other_names: list[str]) -> Numbers:
    """Likelihood of each label seen [rows] under each appliance [columns], as plain labels.

    ``listed`` is the label in the job list, empty for none; ``other_names`` its id, which engineers type too. An
    appliance without a listed label may have been called anything. Every column keeps a floor for labels that belong
    to another appliance, so that no label alone decides.
    """
    typed = np.maximum(_typed(seen, listed), 0.2 * _typed(seen, other_names))
    lengths = np.array([min(len(text), 6) for text in seen], dtype=float)
    anything = (0.05 * 20.0**-lengths)[:, None]
    unlisted = np.array([not text for text in listed])
    intended = np.where(unlisted[None, :], np.maximum(0.9 * anything, typed), typed)
    others = 0.5 * typed.mean(axis=1, keepdims=True) + 0.5 * anything
    return np.asarray((1.0 - WRONG_LABEL) * intended + WRONG_LABEL * others, dtype=np.float64)


def foreign_likelihoods(seen: list[str], listed: list[str]) -> Numbers:
    """Likelihood of each label seen where the reading belongs to no listed appliance."""
    lengths = np.array([min(len(text), 6) for text in seen], dtype=float)
    anything = 0.05 * 20.0**-lengths
    others = _typed(seen, listed).mean(axis=1) if listed else np.zeros(len(seen))
    return np.asarray(0.95 * anything + 0.05 * others, dtype=np.float64)


def _typed(seen: list[str], names: list[str]) -> Numbers:
    """Likelihood that a person who means ``names`` [columns] types ``seen`` [rows]; 0 for names that are empty."""
    if not seen or not names:
        return np.zeros((len(seen), len(names)))
    edits = np.asarray(
        cdist(seen, names, scorer=OSA.distance, score_cutoff=FARTHEST_EDITS, dtype=np.int32), dtype=float
    )
    length = np.array([max(len(name), 1) for name in names], dtype=float)[None, :]
    slip = 1.0 / (KEYS * length)
    slips = np.where(edits <= FARTHEST_EDITS, (1.0 - TYPED_RIGHT) * 0.9 * 0.1 ** (edits - 1.0) * slip**edits, 0.0)
    cut_short = np.array([[_is_cut(text, name) for name in names] for text in seen])
    likelihood = np.where(edits == 0, TYPED_RIGHT, np.maximum(slips, np.where(cut_short, 0.01, 0.0)))
    return np.asarray(np.where(np.array([bool(name) for name in names])[None, :], likelihood, 0.0), dtype=np.float64)


def _is_cut(text: str, name: str) -> bool:
    """True where the label was cut off by the meter's short memory of text."""
    return 4 <= len(text) < len(name) and name.startswith(text)
