"""The command ``linkloss``: arguments in, a result on the screen and in files, an exit code out.

The argument parser is imported at once, everything else only when a command needs it, so that help
is quick. Exit codes: 0 all kept, 1 something broke, 2 an input cannot be used, 3 not everything was
exercised, 130 interrupted.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from cyclopts import App, CycloptsError

from linkloss.cli.checking import check
from linkloss.cli.feeling import feel
from linkloss.cli.living import live, serve
from linkloss.cli.making import new, pack
from linkloss.cli.mutating import mutants
from linkloss.cli.planning import plan, timing
from linkloss.cli.replaying import compare, describe, drive, replay
from linkloss.cli.running import bundle, faults, report, run, schema

EXIT_BAD_USAGE, EXIT_PIPE_CLOSED = 2, 141


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return f"linkloss {version('linkloss')}"
    except PackageNotFoundError:
        return "linkloss, not installed"


app = App(
    name="linkloss",
    help=(
        "Runs a car's CAN nodes on a simulated bus, breaks things, and judges every load. A vehicle"
        " file is code: every command that reads one imports the programs that it names, but for"
        " 'report'. Open only files that you trust."
    ),
    version=_version,
    help_format="plaintext",
    suppress_keyboard_interrupt=False,
)
for command in (
    check, mutants, run, live, serve, new, pack, report, timing, plan, replay, describe, compare,
    drive, bundle, faults, schema, feel,
):  # fmt: skip
    app.command(command)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code. Arguments default to the process's own."""
    _forgive_encoding()
    try:
        return _run(list(sys.argv[1:] if arguments is None else arguments))
    except KeyboardInterrupt:
        import logging  # otherwise each port of an interrupted run would complain

        logging.getLogger("can.bus").setLevel(logging.ERROR)
        print("linkloss: interrupted, there is no result", file=sys.stderr)
        from linkloss.problem import EXIT_INTERRUPTED

        return EXIT_INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # otherwise the flush at exit fails again
        return EXIT_PIPE_CLOSED


def _run(arguments: list[str]) -> int:
    try:
        code = app(
            _with_streams(arguments),
            exit_on_error=False,
            print_error=False,
            help_on_error=False,
            result_action="return_value",
        )
        sys.stdout.flush()
    except CycloptsError as error:
        from linkloss.problem import printable

        text = " ".join(str(error).split()).replace(" into int.", " into a number.")
        print(f"linkloss: {printable(text)}", file=sys.stderr)
        return EXIT_BAD_USAGE
    except Exception as error:
        from linkloss.problem import BadInput, printable

        if not isinstance(error, BadInput):
            raise
        print(printable(str(error)), file=sys.stderr)
        return EXIT_BAD_USAGE
    return code if isinstance(code, int) else 0


def _with_streams(arguments: Sequence[str]) -> list[str]:
    """``--json -`` as ``--json=-``: the parser takes a lone hyphen for the start of an option."""
    joined: list[str] = []
    for word in arguments:
        if word == "-" and joined and joined[-1].startswith("--") and "=" not in joined[-1]:
            joined[-1] += "=-"
        else:
            joined.append(word)
    return joined


def _forgive_encoding() -> None:
    """Let a terminal show a question mark for a character that it lacks, instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
