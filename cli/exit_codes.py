"""The exit codes of every command."""

from __future__ import annotations

from typing import Final

DONE: Final = 0
"""Done, nothing to attend to."""
NEEDS_A_PERSON: Final = 1
"""Done, and something needs a person."""
COULD_NOT: Final = 2
"""Could not do it: usage, input, device."""
OUR_FAULT: Final = 3
"""A fault of the program."""
