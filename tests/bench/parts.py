"""Parts of the work by themselves, each against a smaller run of itself: sharing, registers, firmware tables.

Sharing runs beside networkx as well, which finds the total of the same drives but not who gets what.
"""

from __future__ import annotations

from typing import Final

from agent.model.throughput import Transfer, both, together
from knowledge import pcie
from probes.decode import Registers
from probes.smbios import MOST_STRUCTURES, board_slots
from tests.bench.measure import seconds_of, side_by_side
from tests.smbios_table import slot_body, slot_structure
from tests.test_decode import DRIVE
from tests.test_sharing_outside import capacities, greatest_flow, network
from tests.test_throughput import hall

SHARING_SECONDS: Final = 0.020  # the goal for 256 drives under a tree of three levels


def read_registers(functions: int) -> None:
    """Read a field of every other register of so many functions."""
    asked = [(layout, next(iter(layout.index))) for layout in pcie.ALL_LAYOUTS[::2]]
    for _ in range(functions):
        registers = Registers(DRIVE)
        for layout, name in asked:
            registers.read(layout, name)


def main() -> None:
    """Print the median of each part and the ratio of its large run to its small one."""
    small, large = hall(8), hall(64)
    loads = [Transfer(flow, "to_host") for flow in small[0]]
    tree = network(loads, capacities(loads, small[1]), "to_host")
    few = slot_structure(slot_body()) * 64
    many = slot_structure(slot_body()) * MOST_STRUCTURES
    subjects = {
        "sharing among 256 drives": (lambda: together(*small)),
        "sharing among 2,048 drives": (lambda: together(*large)),
        "reading and writing by 256 drives": (lambda: both(*small)),
        "reading and writing by 2,048 drives": (lambda: both(*large)),
        "registers of 60 functions": (lambda: read_registers(60)),
        "registers of 2,000 functions": (lambda: read_registers(2000)),
        "a firmware table of 64 slots": (lambda: board_slots(few)),
        f"a firmware table of {MOST_STRUCTURES:,} slots": (lambda: board_slots(many)),
    }
    sharing = list(subjects)[:4:2]
    subjects["networkx, the total of 256 drives"] = lambda: greatest_flow(tree)
    found = side_by_side({name: seconds_of(run) for name, run in subjects.items()})
    names = list(found)
    for less, more in zip(names[:-1:2], names[1:-1:2], strict=True):
        ratio = found[more] / found[less]
        print(f"{less}: {found[less] * 1000:.2f} ms; {more}: {found[more] * 1000:.2f} ms; {ratio:.1f} times")
    for name in sharing:
        word = "within" if found[name] <= SHARING_SECONDS else "ABOVE"
        print(f"{name}: {found[name] * 1000:.2f} ms, {word} the goal of {SHARING_SECONDS * 1000:g} ms")
    print(f"{names[-1]}: {found[names[-1]] * 1000:.2f} ms")


if __name__ == "__main__":
    main()
