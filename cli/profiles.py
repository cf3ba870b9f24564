"""Profiles at the terminal: drafted, checked, listed."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from cli.exit_codes import COULD_NOT, DONE, NEEDS_A_PERSON
from cli.text import cut, printable, wrapped
from ingest.exports.suggest import suggest_profile
from ingest.profiles import parse_profile, shipped_profiles
from ingest.profiles.described import describe_profile
from schemas.errors import InputError, ProfileError

WIDTH = 80


def suggest(file: Path, out: Path | None, *, as_json: bool) -> int:
    """Draft a profile: the TOML to standard output or ``out``, what to do next to standard error.

    1 where a person has to fill something in. Raises InputError.
    """
    try:
        content = file.read_bytes()
    except OSError as error:
        raise InputError("the export cannot be read", where=str(file), seen=str(error.strerror)) from error
    found = suggest_profile(content, str(file))
    if out is not None:
        _write(out, found.text)
    if as_json:
        print(json.dumps({
            "profile": found.text, "readings": found.readings, "refusals": found.refusals, "first_rows": found.rows,
            "readings_without": found.readings_without, "refusals_without": found.refusals_without,
            "to_fill_in": [{"key": gap.key, "line": gap.line, "message": gap.message} for gap in found.gaps],
        }, indent=1, ensure_ascii=False))  # fmt: skip
        return NEEDS_A_PERSON if found.gaps else DONE
    if out is None:
        sys.stdout.write(found.text)
    else:
        print(f"written: {printable(str(out))}")
        print("\n".join(cut(row, WIDTH) for row in found.rows))
    for gap in found.gaps:
        print("\n".join(wrapped(gap.sentence(), first="fill in: ", rest="  ")), file=sys.stderr)
    told = f"{found.readings} readings, {found.refusals} refusals"
    before = f"{found.readings_without} and {found.refusals_without} without a profile"
    print(f"with this draft: {told} ({before})", file=sys.stderr)
    return NEEDS_A_PERSON if found.gaps else DONE


def _write(out: Path, text: str) -> None:
    """Write a new file; an older one stays. Raises InputError."""
    try:
        with out.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError as error:
        raise InputError(
            "there is a file of this name already", where=str(out), advice="choose another --out"
        ) from error
    except OSError as error:
        raise InputError("the profile cannot be written", where=str(out), seen=str(error.strerror)) from error


def check(file: Path, *, as_json: bool) -> int:
    """Tell every fault of a profile, or what it claims and reads. 2 where it cannot be used. Raises ProfileError."""
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ProfileError("the profile cannot be read", where=str(file), seen=str(error)) from error
    found = parse_profile(text, str(file))
    faults = found if isinstance(found, list) else []
    told = [] if isinstance(found, list) else describe_profile(found)
    if as_json:
        said = [{"line": one.line, "key": one.key, "message": one.message, "example": one.example} for one in faults]
        print(json.dumps({"usable": not faults, "about": told, "faults": said}, indent=1, ensure_ascii=False))
    elif not isinstance(found, list):
        print(f"{printable(str(file))}: can be used")
        for line in told:
            print("\n".join(wrapped(line, first="  ", rest="    ")))
    if not faults:
        return DONE
    if not as_json:
        count = "one fault" if len(faults) == 1 else f"{len(faults)} faults"
        print(f"error: {printable(str(file))}: the profile has {count}", file=sys.stderr)
        for fault in faults:
            print("\n".join(wrapped(fault.sentence(), first="  ", rest="    ")), file=sys.stderr)
    return COULD_NOT


def list_samples(*, as_json: bool) -> int:
    """Print the profiles that come with the program, with what each is for."""
    known = {one.name: [one.kind, *describe_profile(one)] for one in shipped_profiles()}
    if as_json:
        print(json.dumps(known, indent=1, ensure_ascii=False))
        return DONE
    for name, (kind, *told) in known.items():
        print(f"{name} ({kind})")
        for line in told:
            print("\n".join(wrapped(line, first="  ", rest="    ")))
    return DONE
