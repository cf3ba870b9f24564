"""Profiles of meters from TOML text, and the conversations that belong to each kind."""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from ingest.profiles.device import DeviceProfile
from ingest.profiles.device_faults import profile_error
from ingest.profiles.device_gatt import GattProfile
from ingest.profiles.device_lines import LinesProfile
from ingest.profiles.device_modbus import ModbusProfile
from ingest.profiles.device_scpi import ScpiProfile
from ingest.protocols.gatt import GattMeter
from ingest.protocols.lines import LinesMeter
from ingest.protocols.meter import Meter
from ingest.protocols.modbus import ModbusMeter
from ingest.protocols.scpi import ScpiMeter
from schemas.errors import ProfileError

LONGEST_PROFILE_BYTES: Final = 65_536

DEVICE_KINDS: Final[dict[str, tuple[type[DeviceProfile], Callable[[Any], Meter]]]] = {
    "lines": (LinesProfile, LinesMeter),
    "scpi": (ScpiProfile, ScpiMeter),
    "modbus": (ModbusProfile, ModbusMeter),
    "gatt": (GattProfile, GattMeter),
}
"""Kind to its profile and its conversations: a new protocol is one line here."""


def parse_device_profile(text: str, where: str) -> DeviceProfile:
    """The checked profile that a TOML text holds. Raises ProfileError telling all its faults at once."""
    if len(text.encode()) > LONGEST_PROFILE_BYTES:
        raise ProfileError(f"the profile is longer than {LONGEST_PROFILE_BYTES} bytes", where=where)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(f"not a TOML file: {error}", where=where) from error
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in DEVICE_KINDS:
        raise ProfileError(
            "kind: not the kind of a meter on a link", where=where, seen=f"kind = {kind!r}",
            advice=f'say kind = "lines", or another of: {", ".join(DEVICE_KINDS)}',
        )  # fmt: skip
    model = DEVICE_KINDS[kind][0]
    if "toml" in data:
        raise ProfileError("toml: unknown key", where=where)
    try:
        return model.model_validate(data).model_copy(update={"toml": text})
    except ValidationError as error:
        raise profile_error(error, model, where, kind) from error


def read_device_profile(path: Path) -> DeviceProfile:
    """The checked profile of a file. Raises ProfileError."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ProfileError("the profile cannot be read", where=str(path), seen=str(error)) from error
    return parse_device_profile(text, str(path))


@cache
def sample_profiles() -> dict[str, DeviceProfile]:
    """The shipped profiles of invented meters, by name."""
    folder = files("ingest.profiles").joinpath("samples")
    found = [
        parse_device_profile(entry.read_text(encoding="utf-8"), entry.name)
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(".toml") and not entry.name.startswith("export")
    ]
    return {profile.name: profile for profile in found}


def make_meter(profile: DeviceProfile) -> Meter:
    """The conversations of the kind that ``profile`` names."""
    return DEVICE_KINDS[profile.kind][1](profile)


def device_profiles(folder: Path) -> dict[str, DeviceProfile]:
    """The user's own meter profiles in ``folder``, by name; profiles of exports there are passed over.

    Raises ProfileError for the first that cannot be used, or two of the same name.
    """
    found: dict[str, DeviceProfile] = {}
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        with contextlib.suppress(OSError, tomllib.TOMLDecodeError, UnicodeDecodeError):
            if tomllib.loads(path.read_text(encoding="utf-8")).get("kind") == "csv":
                continue
        profile = read_device_profile(path)
        if profile.name in found:
            raise ProfileError(f"two profiles are named {profile.name!r}", where=str(path), advice="rename one of them")
        found[profile.name] = profile
    return found
