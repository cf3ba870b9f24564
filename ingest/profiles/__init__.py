"""Meter profiles: one TOML file teaches the program one meter or one export layout.

``load_profile`` reads one, ``shipped_profiles`` the samples that come with the program. What a profile may say depends on
its ``kind``; each kind has one parser in ``parsers``.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Protocol

from ingest.profiles.csv import parse_csv_profile
from ingest.profiles.faults import ProfileFault
from schemas.errors import ProfileError


class Profile(Protocol):
    """What every profile has: its name, its kind, and the SHA-256 of its text."""

    @property
    def name(self) -> str:
        """The name by which people choose it."""
        ...

    @property
    def kind(self) -> str:
        """``csv``, or how the meter talks."""
        ...

    @property
    def sha256(self) -> str:
        """The hash of the text it was read from."""
        ...


Parser = Callable[[Mapping[str, Any], str], "Profile | list[ProfileFault]"]
PARSERS: Final[dict[str, Parser]] = {"csv": parse_csv_profile}
"""One line a kind: the parser gets the TOML and its text, and gives the profile or all its faults."""


def parse_profile(text: str, name: str) -> Profile | list[ProfileFault]:
    """The profile that ``text`` holds, or all its faults together."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return [ProfileFault(key="", message=f"this is not TOML: {error}", example='kind = "csv"')]
    kind = content.get("kind")
    if kind not in PARSERS:
        near = difflib.get_close_matches(str(kind), PARSERS, n=1)
        seen = f"{kind!r} is no kind of profile" if kind is not None else "kind is missing"
        meant = f"; did you mean {near[0]!r}?" if near else ""
        return [ProfileFault(key="kind", message=f"{seen}{meant}", example='kind = "csv"')]
    return PARSERS[kind](content, text)


def check_profile_text(text: str, name: str) -> list[ProfileFault]:
    """All faults of a profile, none where it can be used."""
    found = parse_profile(text, name)
    return found if isinstance(found, list) else []


def load_profile(source: Path | str, name: str = "profile") -> Profile:
    """The profile in a file or in a text. Raises ProfileError with all its faults."""
    if isinstance(source, Path):
        try:
            text, name = source.read_text(encoding="utf-8"), str(source)
        except (OSError, UnicodeDecodeError) as error:
            raise ProfileError("the profile cannot be read", where=str(source), seen=str(error)) from error
    else:
        text = source
    found = parse_profile(text, name)
    if isinstance(found, list):
        raise ProfileError(
            f"the profile has {len(found)} fault{'s' if len(found) > 1 else ''}", where=name,
            seen="\n".join(fault.sentence() for fault in found), advice="correct these, then 'provebook profile check FILE'",
        )  # fmt: skip
    return found


@cache
def shipped_profiles() -> tuple[Profile, ...]:
    """The sample profiles that come with the program, by name."""
    folder = files("ingest.profiles").joinpath("samples")
    texts = sorted(
        (entry.name, entry.read_text(encoding="utf-8")) for entry in folder.iterdir() if entry.name.startswith("export-") and entry.name.endswith(".toml")
    )
    return tuple(load_profile(text, name) for name, text in texts)


def load_profiles(folder: Path) -> list[Profile]:
    """The shipped profiles and those of a folder, by name; one of the folder replaces a shipped one of its name.

    Raises ProfileError for the first file of the folder that cannot be used, or two of the same name.
    """
    own: dict[str, Profile] = {}
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        profile = load_profile(path)
        if profile.name in own:
            raise ProfileError(f"two profiles are named {profile.name!r}", where=str(path), advice="rename one of them")
        own[profile.name] = profile
    shipped: Sequence[Profile] = [one for one in shipped_profiles() if one.name not in own]
    return sorted([*shipped, *own.values()], key=lambda one: one.name)
