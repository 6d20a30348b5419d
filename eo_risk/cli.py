"""The command line: finds the command, and turns faults into exit code 2."""

from __future__ import annotations

import argparse
import importlib
import json
import os
import sys
from typing import NoReturn

from eo_risk import __version__
from eo_risk.errors import EoRiskError, Fault, InputError

# Each module registers its own commands; none imports anything heavy before it runs.
COMMAND_MODULES = (
    "check",
    "limits",
    "water",
    "glycol",
    "aerate",
    "lab",
    "template",
    "schema",
    "reference_tables",
    "ui",
)

EXIT_BAD_INPUT = 2

# The layers share out samples to threads of their own. Threads inside the many small products of
# matrices only wait for each other, on a busy machine for most of the time, and move last digits.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "1")


class _Parser(argparse.ArgumentParser):
    """A parser that answers a wrong call like any other bad input, in JSON too."""

    def error(self, message: str) -> NoReturn:
        """Raise the complaint as a fault; argparse would print it and leave."""
        self.print_usage(sys.stderr)
        where, said = "(command line)", message
        if message.startswith("argument "):
            where, _, said = message.removeprefix("argument ").partition(": ")
        raise InputError([Fault(where, f"this call ({said})", "",
                                f"what `{self.prog} --help` lists", "Correct the call.")])


def build_parser() -> argparse.ArgumentParser:
    """Build the parser with every command."""
    parser = _Parser(
        prog="eo-risk",
        description=(
            "Check an ethylene oxide load before it runs: leftover water, glycol, residues, "
            "aeration. An estimate; it does not release a load."
        ),
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMAND_MODULES:
        importlib.import_module(f"eo_risk.commands.{name}").register(commands)
    return parser


def _faults(error: EoRiskError) -> tuple[Fault, ...]:
    if isinstance(error, InputError):
        return error.faults
    return (Fault("(input)", str(error), "", "see the message", "Correct the input."),)


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    os.environ.setdefault(*ONE_THREAD)  # read when numpy is imported, after this
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign gets a replacement, never a crash.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    words = sys.argv[1:] if argv is None else argv
    try:
        args = build_parser().parse_args(words)
        return args.run(args)
    except EoRiskError as error:
        faults = _faults(error)
        if "--json" in words:
            answer = {"errors": [fault.as_dict() for fault in faults]}
            print(json.dumps(answer, ensure_ascii=False, indent=1))
        for fault in faults:
            print(f"error: {fault}", file=sys.stderr)
        return EXIT_BAD_INPUT
    except BrokenPipeError:
        return 0
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
