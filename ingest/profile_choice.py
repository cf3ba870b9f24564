"""Which profile a link is read by: the one named, or the only one that can be meant."""

from __future__ import annotations

import difflib
from collections.abc import Mapping

from ingest.demo.links import demo_profile_name
from ingest.links import Link
from ingest.profiles.device import DeviceProfile
from schemas.errors import InputError


def choose_profile(link: Link, name: str | None, profiles: Mapping[str, DeviceProfile]) -> DeviceProfile:
    """The profile called ``name``; without a name the demo meter's own, or the only one of the user.

    Raises InputError naming the choices. A meter is never read by a profile that was guessed.
    """
    if name is not None:
        if name in profiles:
            return profiles[name]
        near = difflib.get_close_matches(name, profiles, n=1)
        raise InputError(
            f"there is no meter profile {name!r}", seen=", ".join(sorted(profiles)),
            advice=f"did you mean {near[0]}?" if near else "put its TOML file into the book's folder profiles",
        )  # fmt: skip
    if link.way == "demo":
        return profiles[demo_profile_name(link.rest)]
    fitting = [
        profile for profile in profiles.values() if not profile.name.startswith("demo-") and fits_way(profile, link.way)
    ]
    if len(fitting) == 1:
        return fitting[0]
    raise InputError(
        "say which profile this meter is read by", where=link.text,
        seen=", ".join(sorted(profile.name for profile in fitting)) or "the book has none of its own yet",
        advice="--profile NAME; a profile is one TOML file in the book's folder profiles",
    )  # fmt: skip


def fits_way(profile: DeviceProfile, way: str) -> bool:
    """True where a meter of that profile can be at the end of such a link."""
    by_air = profile.kind == "gatt" or getattr(profile, "bluetooth", None) is not None
    return by_air if way == "ble" else profile.kind != "gatt"
