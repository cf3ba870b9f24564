"""The version of the program, as it is written into evidence and certificates."""

from __future__ import annotations

from typing import Final

TOOL_VERSION: Final = "0.1.0"
