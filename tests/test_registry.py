"""The door that starts the printer of the I/O Registry: what it passes on, what it bounds, what it says of failures.

Small scripts stand in for the printer; each is started as the printer would be.
"""

from __future__ import annotations

import errno
import io
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import pytest

from agent.source import Clock, Source
from knowledge.problems import NothingRead
from probes import registry
from probes.answers import CUT, failed
from probes.capture import encode, parse
from probes.reads import Live, Recorded, Recording
from probes.unread import Unread
from tests.build import AGENT, MOMENT, TreeReads, build
from tests.parts import Machine

if TYPE_CHECKING:
    from collections.abc import Callable

PATIENCE: Final = 180.0  # seconds in which a question must have come back, long before the scripts would end
LIST: Final = '<plist version="1.0"><array/></plist>'

Given = TypeVar("Given")


@pytest.fixture
def script(tmp_path: Path) -> Callable[[str], tuple[str]]:
    """Make a script for the shell and give its path, as a program to be asked."""

    def make(lines: str) -> tuple[str]:
        path = tmp_path / "printer"
        path.write_text(f"#!/bin/sh\n{lines}\n", encoding="utf-8")
        path.chmod(0o755)
        return (str(path),)

    return make


def soon(ask: Callable[[], Given]) -> Given:
    """What `ask` gives; fails where it does not come back."""
    found: list[Given] = []
    thread = threading.Thread(target=lambda: found.append(ask()), daemon=True)
    thread.start()
    thread.join(PATIENCE)
    assert not thread.is_alive()
    return found[0]


def is_gone(number: int) -> bool:
    """Whether a process has ended, or ends within a moment."""
    for _ in range(100):
        try:
            os.kill(number, 0)
        except ProcessLookupError:
            return True
        state = Path(f"/proc/{number}/stat")
        if state.exists() and state.read_text(encoding="utf-8").rpartition(")")[2].split()[0] == "Z":
            return True
        time.sleep(0.05)
    return False


# --- What is asked, and how ----------------------------------------------------------------------------------------


def test_each_question_is_the_command_that_the_probe_says(script: Callable[[str], tuple[str]]) -> None:
    """The options are those of the printer's own source: lists, trees, classes, keys, names, planes and depths."""
    program = script('for word in "$@"; do printf "%s|" "$word"; done')
    expected = {
        "pci": "-a|-r|-c|IOPCIDevice|",
        "drives": "-a|-r|-l|-c|IOBlockStorageDevice|",
        "controllers": "-a|-r|-d|1|-k|NVMe Revision Supported|",
        "host": "-a|-l|-d|2|-p|IODeviceTree|",
        "firmware": "-a|-r|-d|1|-p|IODeviceTree|-n|rom|",
    }
    assert expected == {name: registry.ask(name, program) for name in registry.QUESTIONS}


def test_the_printer_is_named_by_its_whole_path() -> None:
    """What is started is the system's own program, found by no search."""
    assert all(Path(part).is_absolute() for part in registry.PROGRAM)


def test_an_unknown_question_starts_nothing(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """A name that is no question of the probe is refused before anything runs."""
    program = script(f"touch {tmp_path}/ran")
    assert failed("registry everything", "ENOSYS") == registry.ask("everything", program)
    assert not (tmp_path / "ran").exists()


def test_the_child_has_no_input_and_a_small_environment(
    script: Callable[[str], tuple[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The printer reads nothing of this program's input and learns nothing of its environment."""
    monkeypatch.setenv("HARROW_SECRET", "lane")
    program = script('cat; printf "%s,%s,%s,%s" "$HARROW_SECRET" "$PATH" "$LC_ALL" "$(pwd)"')
    assert soon(lambda: registry.ask("pci", program)) == ",/usr/bin:/bin:/usr/sbin:/sbin,C,/"


# --- What comes back -----------------------------------------------------------------------------------------------


def test_text_comes_back_as_it_was_written(script: Callable[[str], tuple[str]]) -> None:
    """An answer in UTF-8 is text, byte for byte, white space at its end included."""
    assert f"{LIST} ä\n\n" == registry.ask("pci", script(f"echo '{LIST} ä'; echo"))


def test_what_is_no_text_comes_back_as_bytes(script: Callable[[str], tuple[str]]) -> None:
    """An answer that is not UTF-8 is kept as bytes."""
    assert registry.ask("pci", script(r"printf '\377\376<\000'")) == b"\xff\xfe<\0"


def test_nothing_matched_is_an_empty_answer(script: Callable[[str], tuple[str]]) -> None:
    """No byte at all and status 0 is what the printer gives where nothing matches: an answer, and no failure."""
    assert registry.ask("controllers", script("exit 0")) == ""


def test_complaints_are_dropped(script: Callable[[str], tuple[str]], capfd: pytest.CaptureFixture[str]) -> None:
    """What the printer writes to standard error is neither part of the answer nor seen by the user."""
    assert registry.ask("pci", script("echo 'cannot print one entry' >&2; printf whole")) == "whole"
    assert capfd.readouterr() == ("", "")


# --- What goes wrong -----------------------------------------------------------------------------------------------


def test_a_printer_that_is_not_there_is_unread(tmp_path: Path) -> None:
    """A system without the program has no answer, and the reason says so."""
    assert failed("registry pci", "ENOENT") == registry.ask("pci", (str(tmp_path / "none"),))


def test_a_printer_that_may_not_run_is_unread(tmp_path: Path) -> None:
    """A file that is no program has no answer."""
    path = tmp_path / "printer"
    path.write_text("no program", encoding="utf-8")
    found = registry.ask("pci", (str(path),))
    assert isinstance(found, Unread)
    assert "EACCES" in found.why


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("echo 'no memory for the list' >&2; exit 1", 'status 1 and said "no memory for the list"'),
        ("echo '  '; echo 'in words'; exit 1", 'status 1 and said "in words"'),
        (r"printf 'odd\033[2J\nmore' >&2; exit 3", r'status 3 and said "odd\x1b[2J"'),
        (f"echo '{LIST}'; exit 1", "status 1 and said nothing of why"),
        ("head -c 300000 /dev/zero | tr '\\0' x >&2; exit 1", f'status 1 and said "{"x" * 117}..."'),
    ],
)
def test_an_exit_status_is_told_by_what_the_printer_said(
    script: Callable[[str], tuple[str]], lines: str, said: str
) -> None:
    """A status is told with the first line of the complaint, however long that is, and no release is guessed at."""
    found = soon(lambda: registry.ask("pci", script(lines)))
    assert isinstance(found, Unread)
    assert found.why == f"the registry printer ended with {said}"


@pytest.mark.parametrize("lines", ["echo usage; exit 64", "exit 64", "echo 'illegal option -- a' >&2; exit 1"])
def test_an_old_printer_is_told_by_what_it_says_of_options(script: Callable[[str], tuple[str]], lines: str) -> None:
    """A printer that does not know an option may be an old one. Sources: sysexits.h (EX_USAGE), getopt(3)."""
    found = registry.ask("pci", script(lines))
    assert isinstance(found, Unread)
    assert "releases before 2011" in found.why


def test_a_signal_is_told(script: Callable[[str], tuple[str]]) -> None:
    """A printer that was ended from outside has no answer, whatever it wrote before."""
    found = registry.ask("pci", script("printf half; kill -9 $$"))
    assert isinstance(found, Unread)
    assert "signal 9" in found.why


@pytest.mark.parametrize("end", ["exit 1", "kill -15 $$", "exec sleep 900"])
def test_a_whole_list_of_a_printer_that_ends_badly_is_not_used(script: Callable[[str], tuple[str]], end: str) -> None:
    """What was written before a failing status, a signal or the end of its time may be part of it: it is no answer."""
    program = script(f"printf '%s' '{LIST}'; {end}")
    found = soon(lambda: registry.ask("pci", program, seconds=1.0))
    assert isinstance(found, Unread)
    assert found.vital


class Broken(io.RawIOBase):
    """Gives one list, then fails."""

    told = False

    def read(self, _size: int = -1) -> bytes:
        """The list at first."""
        if self.told:
            raise OSError(errno.EIO, "the pipe broke")
        self.told = True
        return LIST.encode()


def test_output_that_cannot_be_read_to_its_end_is_no_answer(
    script: Callable[[str], tuple[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A read that fails in the middle loses the rest, and nothing of it is taken for all that was written."""
    start = subprocess.Popen

    def opened(*words: Any, **options: Any) -> Any:  # noqa: ANN401 - passed on
        child: Any = start(*words, **options)
        child.stdout.close()
        child.stdout = Broken()
        return child

    monkeypatch.setattr("probes.registry.subprocess.Popen", opened)
    assert registry.ask("pci", script("exit 0")) == failed("registry pci", "EIO")


@pytest.mark.parametrize("lines", ["exit 64", "kill -9 $$"])
def test_a_failure_is_as_grave_in_a_replay_as_it_was_live(script: Callable[[str], tuple[str]], lines: str) -> None:
    """A capture keeps the sentence, and gives back the same answer."""
    live = registry.ask("pci", script(lines))
    assert isinstance(live, Unread)
    form: dict[str, Any] = {"platform": "darwin", "taken_at": MOMENT, "agent": AGENT, "samples": []}
    kept = parse(encode(**form, answers={"registry pci": live}, keep_serials=True), "x")
    assert kept.reads == {"registry pci": live}
    assert live.vital


def test_a_slow_printer_is_ended(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """Past its time a printer is ended, with what it started, and there is no answer."""
    program = script(f"echo $$ > {tmp_path}/first; sleep 900 & echo $! > {tmp_path}/second; wait")
    assert failed("registry pci", "ETIMEDOUT") == soon(lambda: registry.ask("pci", program, seconds=0.5))
    for name in ("first", "second"):
        assert is_gone(int((tmp_path / name).read_text(encoding="utf-8")))


@pytest.mark.long
def test_one_that_lets_go_of_its_output_and_stays_is_ended(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """A printer that has closed its output has to be gone soon after."""
    program = script(f"echo $$ > {tmp_path}/first; exec >&- 2>&-; exec sleep 900")
    assert failed("registry pci", "ETIMEDOUT") == soon(lambda: registry.ask("pci", program))
    assert is_gone(int((tmp_path / "first").read_text(encoding="utf-8")))


@pytest.mark.long
def test_a_child_that_left_its_group_does_not_hold_the_question_up(tmp_path: Path) -> None:
    """Even where a process out of reach keeps the output open, the question ends."""
    code = (
        "import os, sys, time\n"
        "if os.fork():\n    os._exit(0)\n"
        f"os.setsid()\nopen({str(tmp_path / 'first')!r}, 'w').write(str(os.getpid()))\ntime.sleep(900)"
    )
    program = (sys.executable, "-c", code)
    assert failed("registry pci", "ETIMEDOUT") == soon(lambda: registry.ask("pci", program, seconds=1.0))
    os.kill(int((tmp_path / "first").read_text(encoding="utf-8")), 9)


@pytest.mark.parametrize(("size", "kept"), [(4096, True), (4097, False)])
def test_the_limit_counts_bytes(script: Callable[[str], tuple[str]], size: int, kept: bool) -> None:  # noqa: FBT001 - a case
    """An answer of as many bytes as are allowed is whole; with one more there is none."""
    found = registry.ask("pci", script(f"head -c {size} /dev/zero | tr '\\0' x"), limit=4096)
    assert found == ("x" * size if kept else failed("registry pci", "EFBIG"))


def test_endless_output_is_ended(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """A printer that does not stop writing is ended at the limit, long before its time is over."""
    program = script(f"echo $$ > {tmp_path}/first; exec yes")
    assert failed("registry pci", "EFBIG") == soon(lambda: registry.ask("pci", program, seconds=300.0))
    assert is_gone(int((tmp_path / "first").read_text(encoding="utf-8")))


@pytest.mark.parametrize("tail", ["<string>half", "</dict><dict><key>ä</key>"])
def test_of_a_list_past_the_limit_the_beginning_is_kept(script: Callable[[str], tuple[str]], tail: str) -> None:
    """A list that is larger than it may be comes up to the end of a tag, with a mark that says so."""
    program = script(f"printf '%s' '<plist><array>'; while :; do printf '%s' '<dict>{tail}</dict>'; done")
    found = soon(lambda: registry.ask("pci", program, limit=4096))
    assert isinstance(found, str)
    kept = found.removesuffix(CUT)
    assert kept != found
    assert kept.startswith("<plist><array><dict>")
    assert kept.endswith(">")
    assert len(found.encode()) <= 4096


# --- All questions of a reading ------------------------------------------------------------------------------------


def asked(printer: registry.Printer) -> dict[str, str | bytes | Unread]:
    """What a printer answers to each question."""
    return {name: printer.ask(name) for name in registry.QUESTIONS}


def test_the_questions_are_asked_side_by_side(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """All printers run at once: each waits for all others to have begun, and answers then."""
    many = len(registry.QUESTIONS)
    program = script(
        f"touch {tmp_path}/begun-$$; until set -- {tmp_path}/begun-*; [ $# -eq {many} ]; do :; done; echo on"
    )
    assert soon(lambda: asked(registry.Printer(program, PATIENCE))) == dict.fromkeys(registry.QUESTIONS, "on\n")


def test_one_that_hangs_does_not_lose_what_the_others_say(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """What was answered is given, what hangs is ended with all that it started, and what is waited for is said once."""
    hangs = f"echo $$ > {tmp_path}/$$.pid; exec sleep 900"
    program = script(f'case "$*" in *IOPCIDevice*|*IOBlock*|*rom*) {hangs};; *) echo told;; esac')
    said: list[str] = []
    printer = registry.Printer(program, 6.0, waiting=said.append)
    found = soon(lambda: asked(printer))
    assert found == {
        "pci": failed("registry pci", "ETIMEDOUT"),
        "drives": failed("registry drives", "ETIMEDOUT"),
        "controllers": "told\n",
        "host": "told\n",
        "firmware": failed("registry firmware", "ETIMEDOUT"),
    }
    assert said == ["Waiting for the system's printer of the I/O Registry, for up to 6 s ..."]
    ended = [int(place.stem) for place in tmp_path.glob("*.pid")]
    assert len(ended) == 3
    assert all(map(is_gone, ended))


def test_one_that_hung_is_not_asked_again(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """Once an answer did not come in time no further printer is started, and no time is spent on waiting."""
    program = script(f"echo $$ >> {tmp_path}/begun; exec sleep 900")
    printer = registry.Printer(program, 0.5)
    late = {name: failed(f"registry {name}", "ETIMEDOUT") for name in registry.QUESTIONS}
    assert soon(lambda: asked(printer)) == late
    begun = (tmp_path / "begun").read_text(encoding="utf-8")
    assert soon(lambda: asked(printer)) == late
    assert (tmp_path / "begun").read_text(encoding="utf-8") == begun


def test_a_question_that_is_put_again_is_asked_anew(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """A later look gets a later answer, and starts one printer alone."""
    program = script(f"echo $$ >> {tmp_path}/begun; echo $$")
    printer = registry.Printer(program)
    first = printer.ask("pci")
    assert printer.ask("host") != first
    assert printer.ask("pci") != first
    for name in ("drives", "controllers", "firmware"):
        printer.ask(name)
    assert len((tmp_path / "begun").read_text(encoding="utf-8").split()) == len(registry.QUESTIONS) + 1


def test_an_interrupt_ends_all_that_was_started(
    script: Callable[[str], tuple[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while the answers are waited for leaves no printer behind."""
    program = script(f"echo $$ > {tmp_path}/$$.pid; exec sleep 900")

    def interrupted(_words: str) -> None:
        while len(list(tmp_path.glob("*.pid"))) < len(registry.QUESTIONS):
            time.sleep(0.05)
        raise KeyboardInterrupt

    monkeypatch.setattr("probes.registry.PATIENCE", 0.5)
    printer = registry.Printer(program, PATIENCE, waiting=interrupted)
    with pytest.raises(KeyboardInterrupt):
        printer.ask("pci")
    begun = [int(place.stem) for place in tmp_path.glob("*.pid")]
    assert len(begun) == len(registry.QUESTIONS)
    assert all(map(is_gone, begun))
    for name in ("drives", "controllers", "host", "firmware"):
        assert printer.ask(name) == failed(f"registry {name}", "ETIMEDOUT")


INTERRUPTED: Final = """
import os, sys, time
from agent.interrupt import from_now_on
from agent.source import Clock, Source
from probes import registry
made = registry.Printer
registry.Printer = lambda **told: made((sys.argv[1],), 900.0, **told)
from_now_on()
try:
    Source(None, None, "darwin", lambda: Clock(now=lambda: "", running=time.monotonic, sleep=time.sleep)).facts(0.0)
except KeyboardInterrupt:
    sys.exit(130)
"""


def test_ctrl_c_at_a_live_machine_ends_all_printers(script: Callable[[str], tuple[str]], tmp_path: Path) -> None:
    """Of a whole program as well: they have groups of their own, and would stay."""
    (program,) = script(f"echo $$ > {tmp_path}/$$.pid; exec sleep 900")
    with subprocess.Popen([sys.executable, "-c", INTERRUPTED, program]) as reading:
        try:
            until = time.monotonic() + PATIENCE
            while len(list(tmp_path.glob("*.pid"))) < len(registry.QUESTIONS) and time.monotonic() < until:
                time.sleep(0.05)
            reading.send_signal(signal.SIGINT)
            assert 130 == reading.wait(PATIENCE)
        finally:
            reading.kill()
    begun = [int(place.stem) for place in tmp_path.glob("*.pid")]
    assert len(begun) == len(registry.QUESTIONS)
    assert all(map(is_gone, begun))


def test_a_live_machine_tells_the_terminal_what_is_waited_for(
    script: Callable[[str], tuple[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`check` passes on what it is told while it waits, and gives what was read."""
    program = script('case "$*" in *rom*) exec sleep 900;; *) exit 0;; esac')
    printer = registry.Printer
    monkeypatch.setattr("probes.registry.Printer", lambda **told: printer(program, 6.0, **told))
    said: list[str] = []
    clock = Clock(now=lambda: MOMENT, running=lambda: 0.0, sleep=lambda _seconds: None)
    source = Source(None, None, "darwin", lambda: clock, said.append)
    with pytest.raises(NothingRead, match="which disks there are"):
        source.facts(0.0)
    assert said == ["Waiting for the system's printer of the I/O Registry, for up to 6 s ..."]
    assert source.answers["registry host"] == ""
    assert source.answers["registry firmware"] == failed("registry firmware", "ETIMEDOUT")


# --- Kinds of reads ------------------------------------------------------------------------------------------------


def test_below_a_root_the_host_is_not_asked(tmp_path: Path) -> None:
    """Where another machine's files are read, this machine's registry is none of its answers."""
    assert failed("registry pci", "ENOTSUP") == Live(str(tmp_path), "darwin").registry("pci")


def test_other_platforms_have_no_registry() -> None:
    """Only Darwin is asked for its registry."""
    assert failed("registry pci", "ENOSYS") == Live(None, "linux").registry("pci")


def test_a_live_question_on_a_system_without_the_printer_is_unread() -> None:
    """Asking for Darwin's registry elsewhere gives the reason, not an error."""
    if Path(registry.PROGRAM[0]).exists():
        pytest.skip("this system has the printer")
    assert failed("registry pci", "ENOENT") == Live(None, "darwin").registry("pci")


@pytest.mark.parametrize("answer", [LIST, "", b"\xff\xfe", failed("registry pci", "ETIMEDOUT")])
def test_what_was_recorded_is_replayed(answer: str | bytes | Unread) -> None:
    """Text, nothing, bytes and failures come back from a recording as they were."""
    first = Recording(Recorded({"registry pci": answer}, "darwin"))
    assert answer == first.registry("pci")
    assert {"registry pci": answer} == first.answers
    assert answer == Recorded(first.answers, "darwin").registry("pci")


def test_an_answer_of_another_form_is_unread() -> None:
    """A capture that holds a list of names where text should be gives no answer."""
    found = Recorded({"registry pci": ("a", "b")}, "darwin").registry("pci")
    assert isinstance(found, Unread)


def test_a_linux_machine_has_no_registry_in_tests_either() -> None:
    """The machines that tests make answer as Linux does."""
    assert failed("registry pci", "ENOSYS") == TreeReads(build(Machine(name="bench-1", buses={}))).registry("pci")
