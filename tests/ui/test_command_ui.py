"""Command `ui`: a child process that listens on this machine only."""

import json
import os
import signal
import subprocess
import sys

import pytest

from eo_risk import cli
from eo_risk.commands import ui


def test_the_server_listens_on_this_machine_and_reports_nothing():
    command = ui.server_command(8600, browser=False)
    assert command[command.index("--server.address") + 1] == "127.0.0.1"
    assert command[command.index("--browser.gatherUsageStats") + 1] == "false"
    assert command[command.index("--server.port") + 1] == "8600"
    assert command[command.index("--server.headless") + 1] == "true"
    assert ui.APP.is_file()


def test_it_starts_the_server_as_a_child_process(monkeypatch, capsys):
    started = []
    monkeypatch.setattr(ui, "_serve", lambda command: started.append(command) or 0)
    assert cli.main(["ui", "--port", "8601", "--no-browser", "--json"]) == 0
    assert started == [ui.server_command(8601, browser=False)]
    assert json.loads(capsys.readouterr().out) == {"url": "http://127.0.0.1:8601"}


def test_a_bad_port_is_bad_input(monkeypatch, capsys):
    monkeypatch.setattr(ui, "_serve", lambda command: 1 / 0)
    assert cli.main(["ui", "--port", "80", "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["errors"][0]["where"] == "--port"


def test_a_missing_screens_folder_is_named(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(ui, "APP", tmp_path / "app.py")
    assert cli.main(["ui"]) == 2
    assert "pip install -e" in capsys.readouterr().err


# The server's place is taken by a process that says its number and waits.
COMMAND = """
import sys
from eo_risk import cli
from eo_risk.commands import ui
waits = "import os, time; print(os.getpid(), flush=True); time.sleep(120)"
ui.server_command = lambda port, browser: [sys.executable, "-c", waits]
sys.exit(cli.main(["ui", "--no-browser"]))
"""


@pytest.mark.skipif(os.name == "nt", reason="there a process is ended without being asked")
def test_the_server_ends_with_the_command_that_started_it():
    with subprocess.Popen([sys.executable, "-c", COMMAND], stdout=subprocess.PIPE) as command:
        assert b"http://127.0.0.1" in command.stdout.readline()
        server = int(command.stdout.readline())
        command.send_signal(signal.SIGTERM)
        command.wait(20)
    with pytest.raises(ProcessLookupError):
        os.kill(server, 0)
