"""Meter profiles: one TOML file teaches the program one meter or one export layout.

``load_profile`` reads one, ``shipped_profiles`` the samples that come with the program. What a profile may say depends
on its ``kind``; each kind has one parser in ``PARSERS``.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Protocol

from ingest.profiles.csv import CsvProfile, parse_csv_profile
from ingest.profiles.faults import ProfileFault
from schemas.errors import ProfileError, ProvebookError


class Profile(Protocol):
    """What every profile has: the name by which people choose it, and its kind."""

    @property
    def name(self) -> str:
        """The name by which people choose it."""
        ...

    @property
    def kind(self) -> str:
        """``csv``, or how the meter talks."""
        ...


Parser = Callable[[Mapping[str, Any], str], "Profile | list[ProfileFault]"]


def parse_device(content: Mapping[str, Any], text: str) -> Profile | list[ProfileFault]:
    """A profile of a meter on a wire or in the air, or all its faults."""
    from ingest.profiles.devices import parse_device_profile

    try:
        return parse_device_profile(text, "")
    except ProfileError as error:
        lines = error.seen.splitlines() or [error.what]
        return [ProfileFault(key="", message=line) for line in lines]


PARSERS: Final[dict[str, Parser]] = {
    "csv": parse_csv_profile,
    "lines": parse_device,
    "scpi": parse_device,
    "modbus": parse_device,
    "gatt": parse_device,
}
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
            seen="\n".join(fault.sentence() for fault in found),
            advice="correct these, then 'provebook profile check FILE'",
        )  # fmt: skip
    return found.read_from(source) if isinstance(found, CsvProfile) and isinstance(source, Path) else found


@cache
def shipped_profiles() -> tuple[Profile, ...]:
    """The sample profiles that come with the program, by name."""
    folder = files("ingest.profiles").joinpath("samples")
    entries = sorted((entry.name, entry.read_text(encoding="utf-8")) for entry in folder.iterdir())
    return tuple(load_profile(text, name) for name, text in entries if name.endswith(".toml"))


def load_profiles(places: Sequence[Path]) -> tuple[list[Profile], list[ProvebookError]]:
    """The shipped profiles and those of ``places`` (folders and files), by name; and what could not be used.

    One of the places replaces a shipped one of its name; the second of two with one name is told and left out.
    """
    own: dict[str, Profile] = {}
    faults: list[ProvebookError] = []
    for place in places:
        for path in sorted(place.glob("*.toml")) if place.is_dir() else [place] if place.is_file() else []:
            try:
                profile = load_profile(path)
            except ProfileError as error:
                faults.append(error)
                continue
            before = own.setdefault(profile.name, profile)
            if before is not profile and getattr(before, "text", None) != getattr(profile, "text", ""):
                faults.append(
                    ProfileError(
                        f"two profiles are named {profile.name!r}", where=str(path), advice="rename one of them"
                    )
                )
    shipped = [one for one in shipped_profiles() if one.name not in own]
    return sorted([*shipped, *own.values()], key=lambda one: one.name), faults
