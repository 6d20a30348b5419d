"""Command `ui`: open the screens in a browser, on this machine only."""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
from pathlib import Path

from eo_risk.commands.printing import add_json_flag, emit

APP = Path(__file__).resolve().parent.parent.parent / "ui" / "app.py"
ADDRESS = "127.0.0.1"
DEFAULT_PORT = 8501


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "ui", help="open the screens in a browser, on this machine only",
        description="Starts a server on this machine and opens a browser. Ctrl+C ends it.",
    )  # fmt: skip
    parser.add_argument("--port", help=f"port to listen on (default {DEFAULT_PORT})")
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser")
    add_json_flag(parser)
    parser.set_defaults(run=run)


def server_command(port: int, *, browser: bool) -> list[str]:
    """Return the command that starts the server; it never listens beyond this machine.

    The same settings stand in ``ui/.streamlit/config.toml``; a user's own configuration must
    not undo them, so they are given here too.
    """
    settings = {
        "server.address": ADDRESS,
        "server.port": str(port),
        "server.headless": str(not browser).lower(),
        "server.showEmailPrompt": "false",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
    }
    flags = [text for key, value in settings.items() for text in (f"--{key}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(APP), *flags]


def _serve(command: list[str]) -> int:
    """Run the server until it ends, by itself or because this command is asked to end."""
    with subprocess.Popen(command) as server:
        # Without a handler this process would end alone and leave the server listening.
        before = signal.signal(signal.SIGTERM, lambda *_: server.terminate())
        try:
            return server.wait()
        finally:
            signal.signal(signal.SIGTERM, before)


def run(args: argparse.Namespace) -> int:
    """Start the screens; returns when the server ends."""
    from eo_risk.commands.flags import Flags
    from eo_risk.errors import Fault, InputError

    flags = Flags(args)
    port = flags.whole("--port", 1024, 65535) or DEFAULT_PORT
    flags.done()
    if not APP.is_file():
        todo = "Start from a checkout installed with `pip install -e .`."
        raise InputError([Fault("ui", str(APP), "", "the folder of the screens", todo)])
    url = f"http://{ADDRESS}:{port}"
    emit(args, {"url": url}, f"The screens open at {url}; Ctrl+C ends them.")
    sys.stdout.flush()
    return _serve(server_command(port, browser=not args.no_browser))
