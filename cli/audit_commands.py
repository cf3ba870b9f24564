"""The commands of the auditor: audit and sign."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.options import DEFAULT_BOOK, BookOption, DateOrderOption, JsonOption, ProfileOption, ZoneOption

if TYPE_CHECKING:
    from ingest.book import Book

audit_app = typer.Typer()

PASSWORD = "PROVEBOOK_KEY_PASSWORD"


@audit_app.command()
def audit(
    out: Annotated[Path | None, typer.Argument(help="Dataset folder.", show_default=False)] = None,
    book: BookOption = DEFAULT_BOOK,
    recorded: Annotated[Path | None, typer.Option("--recorded", help="Table of values recorded elsewhere.")] = None,
    profile: ProfileOption = None,
    zone: ZoneOption = None,
    date_order: DateOrderOption = None,
    key: Annotated[Path | None, typer.Option("--key", help="Public key that the dataset is signed with.")] = None,
    roots: Annotated[Path | None, typer.Option("--roots", help="Certificates trusted for time stamps (PEM).")] = None,
    screen: Annotated[bool, typer.Option("--screen", help="Screen for made-up records.")] = False,
    sample: Annotated[
        str | None, typer.Option("--sample", help="Draw certificates to check by hand: 5% or aql:1.0.")
    ] = None,
    confidence: Annotated[float, typer.Option("--confidence", help="Confidence of the sample, in percent.")] = 95.0,
    seed: Annotated[str, typer.Option("--seed", help="Any text; agree on it before.")] = "provebook",
    report: Annotated[Path, typer.Option("--report", help="Folder for audit.csv, .json and .html.")] = Path("audit"),
    json: JsonOption = False,
) -> int:
    """Check a dataset, or values recorded elsewhere, against the raw evidence.

    Example: provebook audit certificates --book ./book --key office.key.pub.jwk

    Example: provebook audit --recorded typed_by_hand.csv --book ./book
    """
    from cli import audit_show
    from cli.audit_report import audit_json, write_report
    from cli.audit_sample import draw
    from cli.auditing import audit_dataset, audit_signature
    from ingest.book import Book
    from schemas.errors import InputError

    if (out is None) == (recorded is None):
        raise InputError("name a dataset folder, or a table with --recorded, one of both")
    home = _book(book, Book, needed=recorded is not None)
    if recorded is not None:
        from cli.audit_recorded import audit_recorded
        from cli.pipeline import OperatorWord

        word = OperatorWord(profile=profile, zone=zone, date_order=date_order)
        assert home is not None
        done = audit_recorded(recorded, home, word=word, progress=_tell)
        apart: tuple[Path, ...] = (home.root,)
    else:
        assert out is not None
        done = audit_dataset(out, home, screen=screen, progress=_tell)
        audit_signature(done, out, home, key=key, roots=roots)
        if sample:
            draw(done, out, sample, confidence=confidence / 100, seed=seed)
        apart = (out, *([home.root] if home else []))
    written = write_report(done, report, book=home, apart_from=apart)
    print(audit_json(done).decode() if json else audit_show.audit_lines(done, written))
    return 0 if done.clean else 1


@audit_app.command()
def sign(
    out: Annotated[Path | None, typer.Argument(help="Dataset folder.", show_default=False)] = None,
    key: Annotated[Path | None, typer.Option("--key", help="Your private key (PEM).")] = None,
    new_key: Annotated[Path | None, typer.Option("--new-key", help="Make a key pair; its private half here.")] = None,
    book: BookOption = DEFAULT_BOOK,
    request: Annotated[Path | None, typer.Option("--request", help="Write a time stamp request (RFC 3161).")] = None,
    time_stamp: Annotated[Path | None, typer.Option("--time-stamp", help="Attach an authority's answer.")] = None,
    roots: Annotated[Path | None, typer.Option("--roots", help="Certificates trusted for it (PEM).")] = None,
) -> int:
    """Sign a dataset with a key of your own, or make the key.

    A password of the key is asked for, or taken from PROVEBOOK_KEY_PASSWORD.

    Example: provebook sign --new-key office.key

    Example: provebook sign certificates --key office.key
    """
    from cli import signing
    from ingest.book import Book
    from reconcile.audit.files import SIGNATURE
    from schemas.errors import InputError

    if new_key is not None:
        public, name = signing.write_keys(new_key, _password("new password, empty for none", confirm=True))
        print(f"private key: {new_key} (keep it to yourself)\npublic key:  {public} (hand it out)\nname: {name}")
        return 0
    if out is None or (key is None and request is None and time_stamp is None):
        raise InputError("name a dataset and a key", advice="provebook sign certificates --key office.key")
    if key is not None:
        locked = b"ENCRYPTED" in signing.read(key, "the private key")
        home = _book(book, Book, needed=False)
        name = signing.sign_dataset(out, key, _password("password of the key") if locked else None, home)
        print(f"signed with key {name}: {out / SIGNATURE}")
    if request is not None:
        signing.write_time_stamp_request(out, request)
        print(f"time stamp request: {request}")
    if time_stamp is not None:
        if roots is None:
            raise InputError("name the certificates that you trust", advice="--roots FILE (PEM)")
        moment = signing.attach_time_stamp(out, time_stamp, roots)
        print(f"time stamp of {moment:%Y-%m-%d %H:%M:%S} UTC attached")
    return 0


def _book(path: Path, kind: type[Book], *, needed: bool) -> Book | None:
    """The book; nothing where none was named and the usual place has none."""
    from schemas.errors import InputError

    home = kind(path)
    if path.exists() or not (needed or path != DEFAULT_BOOK):
        return home if path.exists() else None
    raise InputError("there is no book", where=str(path), advice="name its folder: --book DIR")


def _password(prompt: str, *, confirm: bool = False) -> bytes | None:
    told = os.environ.get(PASSWORD)
    if told is None and sys.stdin.isatty():
        told = typer.prompt(prompt, default="", hide_input=True, show_default=False, confirmation_prompt=confirm)
    return told.encode() if told else None


def _tell(doing: str) -> None:
    """Say on a terminal what is being done."""
    if sys.stderr.isatty():
        print(f"{doing} …", file=sys.stderr)
