"""The commands for meters on a wire or in the air: scan, sync, clock."""

from __future__ import annotations

from typing import Annotated

import typer

from cli.options import DEFAULT_BOOK, BookOption, JsonOption, LinkArgument, ProfileOption

meter_app = typer.Typer()


@meter_app.command()
def scan(json: JsonOption = False) -> int:
    """Serial ports and Bluetooth LE devices in reach.

    Example: provebook scan
    """
    from cli import links

    return links.scan(as_json=json)


@meter_app.command()
def sync(
    link: LinkArgument,
    book: BookOption = DEFAULT_BOOK,
    profile: ProfileOption = None,
    delete: Annotated[
        bool, typer.Option("--delete", help="Afterwards delete the records on the meter; asks twice.")
    ] = False,
    json: JsonOption = False,
) -> int:
    """Stored records of a meter into the book.

    Only new records are fetched, checked by an overlap with the known ones. The raw conversation is kept as evidence.

    Example: provebook sync demo:lines
    """
    from cli import links
    from ingest.book import Book

    home = Book(book)
    home.create()
    return links.sync(home, link, profile=profile, delete=delete, as_json=json, confirm=typer.confirm)


@meter_app.command()
def clock(
    link: LinkArgument,
    book: BookOption = DEFAULT_BOOK,
    profile: ProfileOption = None,
    set_it: Annotated[bool, typer.Option("--set", help="Set the meter's clock, where it can be set.")] = False,
    json: JsonOption = False,
) -> int:
    """How far a meter's clock is off.

    Example: provebook clock demo:lines
    """
    from cli import links
    from ingest.book import Book

    home = Book(book)
    home.create()
    return links.clock(home, link, profile=profile, set_it=set_it, as_json=json)


@meter_app.command()
def watch(
    link: LinkArgument,
    book: BookOption = DEFAULT_BOOK,
    profile: ProfileOption = None,
    appliance: Annotated[
        str | None, typer.Option("--appliance", help="Appliance of the job list that is being tested.")
    ] = None,
    json: JsonOption = False,
) -> int:
    """Live readings, each judged as it arrives; Ctrl-C ends it.

    Example: provebook watch demo:lines
    """
    from cli import watching
    from ingest.book import Book

    home = Book(book)
    home.create()
    return watching.watch(home, link, profile=profile, appliance=appliance, as_json=json)
