"""A guest never outlives its use: time limits and the death of the test run end QEMU."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

import pytest

from tests.lab.boot import CHECKOUT, SEARCHED, Guest, GuestFailed, Rack
from tests.lab.kernel import Missing, image, missing
from tests.lab.need import cannot

pytestmark = pytest.mark.lab

BARE: Final = Rack(name="bare", machine="pc", memory_mib=256)
PATIENCE: Final = 20

# Boots a guest, says which process QEMU is, and dies without a chance to clean up.
DYING: Final = """\
import os, signal
from tests.lab.boot import Guest
from tests.lab.test_boot import BARE
print(Guest(BARE).process, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture(autouse=True)
def _tools() -> None:
    """Every test here needs the lab's tools and its kernel."""
    reason = missing()
    if reason is not None:
        cannot(reason)
    try:
        image()
    except Missing as problem:
        cannot(str(problem))


def runs(process: int) -> bool:
    """Whether a process is there and not merely waiting to be collected."""
    try:
        status = Path(f"/proc/{process}/stat").read_text(encoding="utf-8")
    except (FileNotFoundError, ProcessLookupError):
        return False
    return status.rpartition(")")[2].split()[0] not in {"Z", "X"}


def test_a_command_past_its_time_ends_the_guest() -> None:
    """A command that hangs raises GuestFailed with the limit in it, and QEMU is gone."""
    with Guest(BARE) as guest:
        assert "here\n" == guest.run("echo here").stdout
        assert runs(guest.process)
        with pytest.raises(GuestFailed, match="gave no answer within 1 s"):
            guest.run("sleep 1000", seconds=1)
        assert not runs(guest.process)


def test_an_error_of_the_test_ends_the_guest() -> None:
    """Leaving the guest by an exception ends QEMU, booted or not."""
    seen = []

    def use() -> None:
        with Guest(BARE) as guest:
            seen.append(guest.process)
            assert runs(guest.process)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        use()
    assert [False] == [runs(process) for process in seen]


def test_the_death_of_the_test_run_ends_the_guest() -> None:
    """A test run that is killed takes QEMU with it: the kernel sees to it."""
    settings = {**os.environ, "PYTHONPATH": SEARCHED}
    done = subprocess.run(
        [sys.executable, "-c", DYING], cwd=CHECKOUT, env=settings, capture_output=True, text=True, check=False
    )
    assert done.returncode == -9, done.stderr
    process = int(done.stdout)
    end = time.monotonic() + PATIENCE
    while runs(process) and time.monotonic() < end:
        time.sleep(0.05)
    assert not runs(process)
