"""The way in: exceptions become sentences and exit codes (cli.exit_codes)."""

from __future__ import annotations

import os
import sys
from typing import Any

from cli.exit_codes import COULD_NOT, DONE, OUR_FAULT


def main() -> None:
    """Run the command line and leave with its exit code."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """The exit code of the command line ``arguments``; messages go to standard error."""
    import typer

    from schemas.errors import ProvebookError

    # Newer releases of typer carry click inside, older ones import it: the class is found by its name in both.
    usage_error: Any = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")

    _speak_utf8()
    try:
        from cli.app import app

        result = app(arguments, prog_name="provebook", standalone_mode=False)
        sys.stdout.flush()
        return result if isinstance(result, int) else DONE
    except typer.Exit as left:
        return left.exit_code
    except ProvebookError as error:
        print(f"error: {_printable(error.sentence())}", file=sys.stderr)
    except (typer.Abort, KeyboardInterrupt):
        print("stopped; what was kept before stays kept, and the same command goes on from there", file=sys.stderr)
    except usage_error as error:
        error.show()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except MemoryError:
        print("error: this computer has not enough memory for that", file=sys.stderr)
    except Exception as error:
        return _own_up(error)
    return COULD_NOT


def _own_up(error: Exception) -> int:
    if os.environ.get("PROVEBOOK_DEBUG"):
        raise error
    print(
        f"error: a fault of provebook, not yours: {type(error).__name__}: {_printable(str(error))[:300]}\n"
        "  nothing that was kept is lost\n"
        "  try: run it again with PROVEBOOK_DEBUG=1 and send us what it prints",
        file=sys.stderr,
    )
    return OUR_FAULT


def _printable(text: str) -> str:
    from cli.text import printable_lines

    return printable_lines(text)


def _speak_utf8() -> None:
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


if __name__ == "__main__":
    main()
