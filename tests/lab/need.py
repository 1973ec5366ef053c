"""What a test does where its tools are missing: it is skipped with the reason, or fails if the tools are required."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

import pytest

if TYPE_CHECKING:
    from typing import NoReturn

REQUIRE: Final = "LANEWRIGHT_LAB"


def cannot(reason: str) -> NoReturn:
    """Skip the test; fail it where LANEWRIGHT_LAB=require says that everything must be there."""
    if os.environ.get(REQUIRE) == "require":
        pytest.fail(f"{reason}, and {REQUIRE}=require")
    pytest.skip(reason)
