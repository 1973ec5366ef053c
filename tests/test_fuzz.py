"""What fuzzing found once stays mended, and every target does with its seeds what it does with good input."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from tests.fuzz.__main__ import NAMES
from tests.fuzz.targets import CORPUS, TARGETS, tried

if TYPE_CHECKING:
    from pathlib import Path

FOUND: Final = sorted(path for path in CORPUS.glob("*/*") if path.is_file())
SEEDS: Final = 12  # of each target that are tried here


def test_all_targets_have_names() -> None:
    """The command knows each without loading any."""
    assert set(NAMES) == set(TARGETS)


@pytest.mark.parametrize("name", NAMES)
def test_good_input_is_taken(name: str) -> None:
    """The seeds are what the program reads every day: no sentence complains of the first of them."""
    seeds = list(TARGETS[name].seeds())[:SEEDS]
    assert seeds
    assert "" == tried(name, seeds[0])
    for seed in seeds:
        tried(name, seed)


@pytest.mark.parametrize("path", FOUND, ids=lambda path: f"{path.parent.name}/{path.name[:20]}")
def test_what_was_found_is_mended(path: Path) -> None:
    """It ends in a sentence or is taken; anything else raises here."""
    tried(path.parent.name, path.read_bytes())
