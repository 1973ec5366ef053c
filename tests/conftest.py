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
signal.signal(signal.SIGQUIT, signal.SIG_DFL)

UPDATE = "--update-golden"
ALL = "--all"
SLOW = ("browser", "fresh", "lab", "long")  # marks of tests that are left out unless asked for; pyproject.toml has more


class Golden(Protocol):
    """Holds `actual` against the file at `path`, or rewrites the file under --update-golden."""

    def __call__(self, path: Path, actual: str) -> None:
        """Fail, naming the cure, where the file does not hold `actual` to the letter."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add --update-golden and --all."""
    parser.addoption(UPDATE, action="store_true", help="rewrite golden files with what the program makes now")
    parser.addoption(ALL, action="store_true", help=f"run everything, also the tests marked {', '.join(SLOW)}")


def quick_only(config: pytest.Config) -> bool:
    """Whether slow tests are left out: neither all were asked for, nor some of them by their marks or names."""
    named = any("::" in word for word in config.args)
    return not (config.getoption(ALL) or config.getoption("markexpr") or named)


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Spread the tests over the processors, unless it was said how, or a debugger wants them in this process."""
    option = config.option
    worker = hasattr(config, "workerinput") or "PYTEST_XDIST_WORKER" in os.environ  # these have no workers of their own
    if getattr(option, "numprocesses", 0) is None and not (worker or option.usepdb or option.collectonly):
        option.numprocesses = "auto"
        option.dist = "loadfile"  # what a file makes once is made once


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out the slow tests in a quick run."""
    if quick_only(config):
        slow = [item for item in items if any(item.get_closest_marker(mark) for mark in SLOW)]
        config.hook.pytest_deselected(items=slow)
        items[:] = [item for item in items if item not in set(slow)]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what a quick run left out."""
    if quick_only(config):
        terminalreporter.write_line(f"Left out: tests marked {', '.join(SLOW)}; pytest {ALL} runs everything.")


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
