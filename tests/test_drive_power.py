"""The most that a drive takes, as its own power state 0 says, and what is there where it does not say."""

from __future__ import annotations

import struct
from typing import Final

import pytest

from probes.unread import Unread
from tests.build import Machine, build, drive, facts, root_port

ANSWER: Final = "identify /dev/nvme0"
# Offsets: Linux include/linux/nvme.h, struct nvme_id_ctrl (psd at 2048) and nvme_id_power_state (max_power at 0,
# flags at 3, of which bit 0 is NVME_PS_FLAGS_MAX_POWER_SCALE: 0.0001 W instead of 0.01 W).
STATES: Final = 2048


def told(power: int, flags: int = 0, *, size: int = 4096, privileged: bool = True) -> object:
    """What a machine's only drive takes at most, where its power state 0 says this."""
    tree = build(Machine(name="bench-1", buses={"0000:00": [root_port("01.0", (4, 4), [drive((4, 4))])]}))
    answer = tree.nvme[ANSWER]
    assert isinstance(answer, bytes)
    data = bytearray(answer)
    struct.pack_into("<HxB", data, STATES, power, flags)
    struct.pack_into("<H", data, STATES + 32, 9999)  # a second power state, which does not count
    tree.nvme[ANSWER] = bytes(data[:size])
    seen = facts(tree, privileged=privileged)
    assert [one.what for one in seen.unread if "power" in one.what or "nvme" in one.what] == []
    return seen.drives[0].max_watts


@pytest.mark.parametrize(("power", "flags", "watts"), [(850, 0, 8.5), (2500, 0, 25.0), (45000, 1, 4.5), (0, 0, None)])
def test_a_drive_says_what_it_takes_at_most(power: int, flags: int, watts: float | None) -> None:
    """Maximum power of power state 0 is in 0.01 W, or 0.0001 W by its scale bit; 0 says nothing (NVM Express Base)."""
    assert watts == told(power, flags)


def test_what_a_short_answer_does_not_hold_is_unread() -> None:
    """An answer that ends before the power states gives no figure and no line of its own among the unread."""
    assert isinstance(told(850, size=STATES), Unread)
    assert isinstance(told(850, size=STATES + 2), Unread)


def test_only_the_super_user_learns_it() -> None:
    """An ordinary user may not ask a drive, so the figure is unread and worth asking for as root."""
    found = told(850, privileged=False)
    assert isinstance(found, Unread)
    assert found.needs_root
