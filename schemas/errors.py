"""Every exception of ours, in one tree.

::

    ProvebookError            anything a user can do something about; exit code 2
    ├── InputError            a file, folder or cell that stops the work
    │   ├── ProfileError      a meter profile that cannot be used
    │   └── TableError        a table that breaks its own schema
    ├── BookError             the book cannot be opened, written or trusted
    └── LinkError             a conversation with a meter that could not be finished

What lets the program go on is never an exception: it is a row (a refusal or a finding).
"""

from __future__ import annotations


class ProvebookError(Exception):
    """The base of our exceptions: says where, what, what was seen and what to try.

    ``where`` is a file with its physical line, a frame of a transcript, or a key path; ``seen`` is shown on
    lines of its own, as received; ``advice`` is one thing to try.
    """

    def __init__(self, what: str, *, where: str = "", seen: str = "", advice: str = "") -> None:
        self.where = where
        self.what = what
        self.seen = seen
        self.advice = advice
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The whole message: ``where: what``, then what was seen, then what to try."""
        first = f"{self.where}: {self.what}" if self.where else self.what
        lines = [first]
        lines += [f"  {line}" for line in self.seen.splitlines()]
        if self.advice:
            lines.append(f"  try: {self.advice}")
        return "\n".join(lines)


class InputError(ProvebookError):
    """A file, a folder or an argument that stops the work."""


class ProfileError(InputError):
    """A meter profile that cannot be used; all its faults are told together."""


class TableError(InputError):
    """A table that breaks its own schema: a fault of the program or of a file that claims to be ours."""


class BookError(ProvebookError):
    """The book cannot be opened, written or trusted."""


class LinkError(ProvebookError):
    """A conversation with a meter that could not be finished. What was received is kept."""
