"""Ctrl-C at any moment: one sentence and status 130, no traceback, also while modules are still being loaded."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

HERE: Final = Path(__file__).resolve().parent.parent
UPGRADED: Final = HERE / "fixtures" / "bench-1-upgraded" / "capture.json"
ENDED: Final = (130, "lanewright: stopped before it was done\n")

# Sends the signal to itself as the module is looked for; "ignored" is how a shell starts what runs in the background.
STRUCK: Final = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.SIG_IGN if sys.argv[2] == "ignored" else signal.default_int_handler)
from agent.__main__ import start
class Strikes:
    def find_spec(self, name, path=None, target=None):
        if name == module:
            os.kill(os.getpid(), signal.SIGINT)
        return None
module = sys.argv[1]
sys.meta_path.insert(0, Strikes())
del sys.argv[1:3]
start()
"""

COMMANDS: Final = {
    "check": ["check", "--replay", str(UPGRADED)],
    "inventory": ["inventory", "--replay", str(UPGRADED)],
    "capture": ["capture", "-", "--replay", str(UPGRADED)],
    "report": ["report", "OUT", str(UPGRADED)],
    "compare": ["compare", str(UPGRADED), str(UPGRADED)],
    "plan": ["plan", "--sheet-from", str(UPGRADED)],
    "tally": ["tally", str(UPGRADED)],
    "measure": ["measure", str(UPGRADED), "--for", "1s"],
    "soak": ["soak", "--for", "1s", "--log", "LOG"],
    "explain": ["explain", "fully"],
}
MODULES: Final = {
    "check": ("agent.cli", "click", "agent.source", "probes.linux", "agent.audit", "agent.report.text", "rich.console"),
    "inventory": ("agent.model.machine",),
    "capture": ("probes.capture",),
    "report": ("agent.commands.reporting", "agent.report.page"),
    "compare": ("agent.compare",),
    "plan": ("agent.sheets.fitted",),
    "tally": ("agent.tally.running",),
    "measure": ("agent.measure.timing",),
    "soak": ("agent.commands.soak", "agent.commands.session"),
    "explain": ("agent.explain",),
}


def struck(module: str, words: list[str], folder: Path, kind: str = "usual") -> tuple[int, str]:
    """The status and the words of a run that is interrupted as a module is loaded."""
    places = {"OUT": str(folder / "out.html"), "LOG": str(folder / "log.sqlite")}
    ended = subprocess.run(
        [sys.executable, "-c", STRUCK, module, kind, *(places.get(word, word) for word in words)],
        cwd=HERE,
        check=False,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    return ended.returncode, ended.stderr


@pytest.mark.parametrize(("command", "module"), [(name, module) for name in MODULES for module in MODULES[name]])
def test_ctrl_c_while_modules_are_loaded(tmp_path: Path, command: str, module: str) -> None:
    """Wherever it strikes, there is one sentence, and nothing is left behind."""
    assert ENDED == struck(module, COMMANDS[command], tmp_path)
    assert [] == list(tmp_path.iterdir())


def test_what_runs_in_the_background_is_not_interrupted(tmp_path: Path) -> None:
    """A shell without job control has it ignore Ctrl-C, and so it does."""
    status, said = struck("agent.audit", COMMANDS["check"], tmp_path, "ignored")
    assert (0, "") == (status, said)


def test_a_termination_has_the_usual_status() -> None:
    """SIGTERM ends it as it ends any program: shells tell that as 143."""
    text = STRUCK.replace("os.kill(os.getpid(), signal.SIGINT)", "os.kill(os.getpid(), signal.SIGTERM)")
    ended = subprocess.run(
        [sys.executable, "-c", text, "agent.audit", "usual", *COMMANDS["check"]],
        cwd=HERE,
        check=False,
        capture_output=True,
    )
    assert (-signal.SIGTERM, b"", b"") == (ended.returncode, ended.stdout, ended.stderr)
