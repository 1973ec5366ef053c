"""Bad moments for the process itself: Ctrl-C while modules are loaded, full devices, small limits, no docstrings."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

from agent.commands import session
from tests.test_written_files import log_file

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


def limited(which: int, limit: int, *words: str) -> tuple[int, str]:
    """The status and the words of a run that has no more than so much of something."""
    ended = subprocess.run(
        [sys.executable, "-m", "agent", *words],
        cwd=HERE,
        check=False,
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(which, (limit, limit)),
    )
    return ended.returncode, ended.stderr


@pytest.mark.parametrize("files", [5, 6, 8, 12])
def test_few_files_may_be_open(files: int) -> None:
    """It works, or says in one sentence what the system refused."""
    status, said = limited(resource.RLIMIT_NOFILE, files, "check", "--replay", str(UPGRADED))
    assert (status, said.count("\n")) in {(0, 0), (2, 1)}
    assert "Traceback" not in said


@pytest.mark.parametrize("megabytes", [24, 32, 48, 64, 96, 256])
def test_little_memory_may_be_had(megabytes: int) -> None:
    """The same; what is too little for the interpreter itself is not this program's to tell."""
    status, said = limited(resource.RLIMIT_AS, megabytes * 1024 * 1024, "check", "--replay", str(UPGRADED))
    assert (status, said.count("\n")) in {(0, 0), (2, 1)} or "agent" not in said
    assert 0 == status or megabytes < 256


# All that a soak loads is loaded before; then there is memory for all but the stack of a thread.
NO_THREAD: Final = """
import resource, threading
import agent.cli, agent.child, agent.commands.soak, agent.commands.session, agent.commands.aside, agent.soak.running
import agent.report.watching, probes.soaklog, probes.capture, probes.linux.collecting, agent.audit, probes.redact
from agent.__main__ import start
threading.stack_size(1024 * 1024 * 1024)
resource.setrlimit(resource.RLIMIT_AS, (900 * 1024 * 1024,) * 2)
start()
"""


def test_no_thread_may_be_had(tmp_path: Path) -> None:
    """A soak needs some; without, it says so, and leaves no log that is none."""
    log = tmp_path / "log.sqlite"
    ended = subprocess.run(
        [sys.executable, "-c", NO_THREAD, "soak", "--for", "1s", "--log", str(log)],
        cwd=HERE,
        check=False,
        capture_output=True,
        text=True,
    )
    assert (2, 1) == (ended.returncode, ended.stderr.count("\n")), ended.stderr
    assert "no thread" in ended.stderr
    assert [] == list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "words", [["--help"], ["check", "--help"], ["--version"], ["check", "--replay", str(UPGRADED)]]
)
def test_a_full_device_is_said_to_be_full(words: list[str]) -> None:
    """Whatever is printed: one sentence and status 2."""
    with Path("/dev/full").open("wb") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "agent", *words], cwd=HERE, check=False, stdout=full, stderr=subprocess.PIPE
        )
    assert (2, 1) == (ended.returncode, ended.stderr.count(b"\n"))
    assert ended.stderr.startswith(b"lanewright: ")


@pytest.mark.parametrize("words", [["check", "--help"], ["schema", "check"], ["explain", "--format", "json"]])
@pytest.mark.parametrize(
    ("option", "variable"),
    [(["-OO"], ""), ([], "2"), (["-O"], "2"), (["-O", "-O"], ""), (["-BOO"], ""), (["-IOO"], "2")],
)
def test_texts_are_kept_where_python_takes_them_away(words: list[str], option: list[str], variable: str) -> None:
    """Help pages and schemas are made of docstrings, and say the same in a Python that is told to leave them out."""
    usual, bare = (
        subprocess.run(
            [sys.executable, *options, "-m", "agent", *words],
            cwd=HERE,
            check=True,
            capture_output=True,
            env={**os.environ, **more},
        ).stdout
        for options, more in (([], {}), (option, {"PYTHONOPTIMIZE": variable}))
    )
    assert usual == bare
    assert len(usual) > 100


# What a command of the user's is given, beside a soak that began again: the levels, and the words as they are.
LOOKS_AROUND: Final = (
    "import os, sys; print([name for name in os.environ if 'BEGUN' in name], sys.argv[1:], sys.flags.optimize)"
)


def test_a_command_of_the_users_has_his_own_environment(tmp_path: Path) -> None:
    """To begin again changes nothing for what is started: no variable of ours, its own level, its own words."""
    log = tmp_path / "log.sqlite"
    command = [sys.executable, "-c", LOOKS_AROUND, "-OO"]
    ended = subprocess.run(
        [sys.executable, "-m", "agent", "soak", "--view", "none", "--log", str(log), "--", *command],
        cwd=HERE,
        check=False,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONOPTIMIZE": "2", "MPLBACKEND": "nonsense"},
    )
    assert ("[] ['-OO'] 2\n", 0) == (ended.stdout, ended.returncode), ended.stderr


def test_ctrl_c_leaves_the_terminal_as_it_was() -> None:
    """What others have open as well is no matter of this program: it blocks as before."""
    reader, writer = os.pipe()
    try:
        ended = subprocess.run(
            [sys.executable, "-c", STRUCK, "agent.audit", "usual", *COMMANDS["check"]],
            cwd=HERE,
            check=False,
            stdout=subprocess.DEVNULL,
            stderr=writer,
        )
        assert (130, True) == (ended.returncode, os.get_blocking(writer))
    finally:
        os.close(writer)
        os.close(reader)


def test_a_foreign_way_to_show_pictures_is_no_matter(tmp_path: Path) -> None:
    """A picture is drawn to a file, whatever the environment says of windows."""
    log = tmp_path / "log.sqlite"
    log_file(log)
    ended = subprocess.run(
        [sys.executable, "-m", "agent", "soak", "--show", str(log), "--plot", str(tmp_path / "plot.svg")],
        cwd=HERE,
        check=False,
        capture_output=True,
        env={**os.environ, "MPLBACKEND": "nonsense"},
    )
    assert (0, True) == (ended.returncode, (tmp_path / "plot.svg").exists())


def test_a_file_called_last_hides_no_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`last` is the latest log; a file of that name is ./last."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "state" / "lanewright" / "soaks"
    folder.mkdir(parents=True)
    log_file(folder / "one.sqlite")
    (tmp_path / "last").write_text("a file")
    environ = {"XDG_STATE_HOME": str(tmp_path / "state")}
    assert str(folder / "one.sqlite") == session.found("last", environ)
    assert "./last" == session.found("./last", environ)
