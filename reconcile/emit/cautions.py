"""What every certificate says besides its readings: the usual cautions, and what readings like these cannot show.

Source: common practice, unless another stands beside a sentence.
"""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "This page reports what was measured at the places and times shown, and nothing else. A reading within its limit "
    "says nothing about what was not measured, or about what happened later.",
    "Work on or near live parts is for competent persons only, and only where it cannot be done dead "
    "(Electricity at Work Regulations 1989, regulation 14).",
    "Before any work, prove it dead again at the point of work: prove the indicator, test line–neutral, line–earth and "
    "neutral–earth, prove the indicator again. A page, however recent, does not prove anything dead.",
    "Stored charge, a second supply, a timer or a control circuit can keep parts live after isolation.",
    "Every limit stands beside its source. Where a source is not the edition in force, or the maker's instructions or "
    "a local code ask for something else, those govern, and so does the judgement of the licensed person on site.",
    "Electrical defects are recorded, the responsible person is told, and the defect is referred to a competent "
    "electrician or, where it lies on the supply side, to the electricity distributor.",
)

NOT_SHOWN: Final = (
    "Neutral and earth exchanged: line–neutral, line–earth and neutral–earth then read as on a correct supply.",
    "A broken combined neutral and earth conductor of the supply: neutral and earth rise together, and the three pairs "
    "can look normal.",
    "Faults that come and go, or that appear only under load, heat, damp or movement.",
    "The condition of any part of the installation other than the point that was tested.",
)
