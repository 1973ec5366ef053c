"""Small build sheets as structs for tests of the planner: one kind of each part, changed by keyword. Test help only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from agent.sheets.sheet import CardSpec, DriveSpec, MachineSpec, Sheet, SlotSpec

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

FOUR_WAYS = ((8, 8), (4, 4, 4, 4))


def slot(label: str, lanes: int = 4, generation: int = 3, **more: Any) -> SlotSpec:  # noqa: ANN401 - fields of the struct
    """A slot for cards, its connector as large as its lanes, 75 W where that is x16, else 25 W."""
    figures = {"connector": lanes, "power_watts": 75.0 if lanes == 16 else 25.0}
    return SlotSpec(label=label, lanes=lanes, generation=generation, **{**figures, **more})


def socket(label: str, generation: int = 3, **more: Any) -> SlotSpec:  # noqa: ANN401 - fields of the struct
    """A slot that takes one M.2 drive."""
    return SlotSpec(label=label, **{"kind": "m.2", "connector": 4, "lanes": 4, "generation": generation, **more})


def card(name: str, lanes: int = 4, generation: int = 3, **more: Any) -> CardSpec:  # noqa: ANN401 - fields of the struct
    """A card without bays that takes 5 W."""
    figures = {"connector": lanes, "power_watts": 5.0}
    return CardSpec(name=name, lanes=lanes, generation=generation, **{**figures, **more})


def switch(name: str, bays: int = 4, lanes: int = 16, generation: int = 3, **more: Any) -> CardSpec:  # noqa: ANN401 - as above
    """A carrier whose drives share its link."""
    return card(name, lanes, generation, **{"carrier": "switch", "bays": bays, **more})


def passive(name: str, bays: int = 4, lanes: int = 16, generation: int = 3, **more: Any) -> CardSpec:  # noqa: ANN401 - as above
    """A carrier whose drives have lanes of the slot."""
    return card(name, lanes, generation, **{"carrier": "passive", "bays": bays, **more})


def drive(name: str, generation: int = 3, **more: Any) -> DriveSpec:  # noqa: ANN401 - fields of the struct
    """A drive of four lanes that takes 8 W, as fast as its link."""
    return DriveSpec(name=name, **{"generation": generation, "power_watts": 8.0, **more})


def drives(count: int, **more: Any) -> tuple[DriveSpec, ...]:  # noqa: ANN401 - fields of the struct
    """As many drives, "drive-1" and so on."""
    return tuple(drive(f"drive-{number}", **more) for number in range(1, count + 1))


def sheet(
    slots: Sequence[SlotSpec],
    cards: Sequence[CardSpec] = (),
    fitted: Sequence[DriveSpec] = (),
    **more: Any,  # noqa: ANN401 - fields of the struct
) -> Sheet:
    """A sheet of these parts, Max Payload Size 256 bytes."""
    machine = MachineSpec(name="bench-1")
    return Sheet(
        source="bench-1.toml", machine=machine, slots=tuple(slots), cards=tuple(cards), drives=tuple(fitted), **more
    )


def patience(times: int = 5000) -> Callable[[], bool]:
    """Time that is up after so many looks at the clock, so that a test ends alike on every machine."""
    left = iter(range(times))
    return lambda: next(left, None) is not None
