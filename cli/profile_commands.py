"""The commands for profiles: draft one from an export, check one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from cli.options import JsonOption

profile_app = typer.Typer(help="Profiles of meters and export layouts: draft one, check one.", no_args_is_help=True)


@profile_app.command()
def suggest(
    file: Annotated[Path, typer.Argument(help="An export.", show_default=False)],
    out: Annotated[Path | None, typer.Option("--out", help="Write the profile to this file.")] = None,
    json: JsonOption = False,
) -> int:
    """Draft a profile from an export.

    It says how sure each mapping is and shows the first rows as it reads them.

    The profile goes to standard output or to --out, where an older file is never replaced; what is still to be filled
    in is told as well.

    Example: provebook profile suggest exports/tuesday.csv --out tuesday.toml
    """
    from cli import profiles

    return profiles.suggest(file, out, as_json=json)


@profile_app.command()
def check(
    file: Annotated[Path | None, typer.Argument(help="A profile (TOML).", show_default=False)] = None,
    samples: Annotated[bool, typer.Option("--samples", help="List the profiles that come with the program.")] = False,
    json: JsonOption = False,
) -> int:
    """Check a profile and tell all its faults.

    Where there are none, it says what the profile would claim and read.

    Example: provebook profile check tuesday.toml
    """
    from cli import profiles

    if samples:
        return profiles.list_samples(as_json=json)
    if file is None:
        print("error: name a profile: provebook profile check FILE", file=sys.stderr)
        raise typer.Exit(2)
    return profiles.check(file, as_json=json)
