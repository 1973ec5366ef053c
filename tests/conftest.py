"""What all tests share: goldens and the way Hypothesis runs. Fixtures of one file stay in that file."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING, Protocol

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from pathlib import Path

# The same examples in every run: a failure found on one machine is found on all, and no test depends on timing.
settings.register_profile(
    "lanewright",
    derandomize=True,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("lanewright")

# Field notes of whoever runs the tests are no part of them.
os.environ["XDG_DATA_HOME"] = "/no/such/folder"

# A run that was started to outlive its terminal, or in the background, ignores these signals, and so would every
# program that a test starts.
signal.signal(signal.SIGHUP, signal.SIG_DFL)
signal.signal(signal.SIGINT, signal.default_int_handler)

UPDATE = "--update-golden"


class Golden(Protocol):
    """Holds `actual` against the file at `path`, or rewrites the file under --update-golden."""

    def __call__(self, path: Path, actual: str) -> None:
        """Fail, naming the cure, where the file does not hold `actual` to the letter."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add --update-golden."""
    parser.addoption(UPDATE, action="store_true", help="rewrite golden files with what the program makes now")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Golden:
    """Compare with a file made by the program and read in review; see `Golden`."""
    update = bool(request.config.getoption(UPDATE))

    def compare(path: Path, actual: str) -> None:
        if update:
            path.write_text(actual, encoding="utf-8", newline="")
            return
        if not path.is_file():
            pytest.fail(f"{path} is not there; make it with pytest {UPDATE} and read it before it is committed")
        with path.open(encoding="utf-8", newline="") as file:
            expected = file.read()
        cure = f"{path} differs; if the change is meant, rewrite it with pytest {UPDATE} and read the difference"
        assert expected == actual, cure

    return compare
