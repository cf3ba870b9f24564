"""A rule pack: one edition of the limits and the choices of the project, under a name and a version.

A pack is one ``*.pack.toml`` in ``reconcile/limits`` that names the limit files it is made of. A new edition or a
changed choice is a new pack file (and new limit files where numbers changed); old files stay as they are, so that an
old certificate can be judged again as it was.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Final

from schemas.errors import InputError, ProfileError

DEFAULT_PACK: Final = "bs7671-2018-a2.1"
CONFIRMATIONS: Final = {
    "primary": "read in the source",
    "secondary": "as quoted elsewhere",
    "memory": "from memory",
    "practice": "common practice",
    "computed": "computed from it",
    "policy": "chosen here, no published figure found",
}
"""How a limit was confirmed, and the words for it on a certificate."""


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One number: its ``value`` [``unit``], when it applies, where it stands, how that was confirmed, and when."""

    id: str
    value: float
    unit: str
    condition: str
    source: str
    confirmed: str
    on: date

    @property
    def citation(self) -> str:
        """The source as it is written on a certificate: with how it was confirmed."""
        return f"{self.source} ({CONFIRMATIONS[self.confirmed]})"

    def times(self, factor: float) -> float:
        """The value taken at that factor, to 12 digits: 0.8 of 2.3 ohm is 1.84 ohm, and 1.84 ohm keeps it."""
        return float(f"{self.value * factor:.12g}")


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One choice of a pack: its value and the reason for it."""

    value: str
    why: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Pack:
    """A rule pack: limits and settings by id, the plan of steps by work type, and the voltage signatures.

    Each is loaded once and is equal to itself only, so that what follows from a pack alone can be remembered.
    """

    name: str
    title: str
    edition: str
    limits: Mapping[str, Limit]
    settings: Mapping[str, Setting]
    plans: Mapping[str, Any]
    signatures: tuple[Mapping[str, Any], ...]

    def limit(self, limit_id: str) -> Limit:
        """The limit of that id, which the pack must have. Raises ProfileError where it has none."""
        try:
            return self.limits[limit_id]
        except KeyError as error:
            raise ProfileError(f"rule pack {self.name} has no limit {limit_id!r}") from error

    def number(self, limit_id: str) -> float:
        """The value of that limit [in its own unit]."""
        return self.limit(limit_id).value

    def find_limit(self, limit_id: str) -> Limit | None:
        """The limit of that id, where the pack has one."""
        return self.limits.get(limit_id)

    def setting(self, name: str) -> str:
        """The value of that setting. Raises ProfileError where the pack has none."""
        try:
            return self.settings[name].value
        except KeyError as error:
            raise ProfileError(f"rule pack {self.name} has no setting {name!r}") from error


def list_packs() -> tuple[str, ...]:
    """The names of all packs, old ones too, in alphabetical order."""
    ending = ".pack.toml"
    names = [entry.name for entry in files("reconcile.limits").iterdir() if entry.name.endswith(ending)]
    return tuple(sorted(name.removesuffix(ending) for name in names))


@cache
def load_pack(name: str = DEFAULT_PACK) -> Pack:
    """The rule pack of that name. Raises InputError with the names there are, where there is none."""
    if name not in list_packs():
        raise InputError(f"no rule pack is called {name!r}", advice=f"one of: {', '.join(list_packs())}")
    head = read_head(name)
    return Pack(
        name=name,
        title=head["title"],
        edition=head["edition"],
        limits=MappingProxyType(gather_limits({file_name: read_limit_file(file_name) for file_name in head["limits"]})),
        settings=MappingProxyType({key: Setting(**value) for key, value in head["settings"].items()}),
        plans=MappingProxyType(read_limit_file(head["plan"])),
        signatures=tuple(MappingProxyType(row) for row in read_limit_file(head["signatures"])["signature"]),
    )


def gather_limits(contents: Mapping[str, Mapping[str, Any]]) -> dict[str, Limit]:
    """The limits of several files by their id. Raises ProfileError where two have one id."""
    limits: dict[str, Limit] = {}
    for file_name, content in contents.items():
        for limit in parse_limits(content, file_name):
            if limit.id in limits:
                raise ProfileError(f"limit {limit.id!r} stands twice", where=file_name)
            limits[limit.id] = limit
    return limits


def read_head(name: str) -> dict[str, Any]:
    """What the pack file says, on top of the pack that it is based on where it names one."""
    own = read_limit_file(f"{name}.pack.toml")
    if "based_on" not in own:
        return own
    base = read_head(own["based_on"])
    return {**base, **own, "settings": {**base["settings"], **own.get("settings", {})}}


def read_limit_file(file_name: str) -> dict[str, Any]:
    """The content of one TOML file beside the limits."""
    return tomllib.loads(files("reconcile.limits").joinpath(file_name).read_text(encoding="utf-8"))


def parse_limits(content: Mapping[str, Any], file_name: str) -> tuple[Limit, ...]:
    """The rows of one limit file, each completed by the ``defaults`` of its file.

    Raises ProfileError where a row says less than all or names no known way of confirmation.
    """
    found = []
    for row in content["limit"]:
        whole = {**content.get("defaults", {}), **row}
        try:
            limit = Limit(**whole)
        except TypeError as error:
            raise ProfileError(
                "a limit is not complete", where=f"{file_name}, {row.get('id')}", seen=str(error)
            ) from error
        if limit.confirmed not in CONFIRMATIONS:
            raise ProfileError(
                f"{limit.confirmed!r} is no way of confirmation",
                where=f"{file_name}, {limit.id}",
                advice=f"one of: {', '.join(CONFIRMATIONS)}",
            )
        found.append(limit)
    return tuple(found)
