"""What is wrong with a profile: where in it, what, and an example of what would be right."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class ProfileFault:
    """One fault: the key path (``column[2].quantity``), a sentence, an example."""

    key: str
    message: str
    example: str = ""

    def sentence(self) -> str:
        """``key: message (for example: example)``."""
        where = f"{self.key}: " if self.key else ""
        return f"{where}{self.message}" + (f" (for example: {self.example})" if self.example else "")
