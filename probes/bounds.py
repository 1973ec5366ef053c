"""How large a machine may be: past that, what was read is of none that can be built, and no work is put into it.

What is done with a machine grows with its functions, with the bridges above its drives, and with how often its
functions were looked at again; each has a limit here, far above the largest server.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge import pcie
from knowledge.phrasing import quoted
from knowledge.problems import BadInput
from probes.unread import readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from probes.facts import Drive, Facts, PciFunction

# Each bridge has a bus of its own below it, and a domain has 256 of them. Source: PCI-to-PCI Bridge Architecture 1.2,
# Secondary Bus Number Register (8 bits).
BUSES: Final = 256
MOST_FUNCTIONS: Final = 6_000  # the largest server with virtual functions has some 4,000 (common practice)
MOST_BRIDGES: Final = 1_024  # 16 processors with the ports and switches of 64 buses each
MOST_DRIVES: Final = 2_048
MOST_CROSSED: Final = 20_000  # bridges above drives, counted for each drive: 1,000 drives behind 10 switches each
MOST_LOOKED_AT: Final = 15_000  # functions in all later looks together: six looks at 2,500 links

PORTS: Final = frozenset(
    (
        *(pcie.ROOT_PORT, pcie.SWITCH_UPSTREAM_PORT, pcie.SWITCH_DOWNSTREAM_PORT),
        *(pcie.BRIDGE_TO_PCI, pcie.BRIDGE_FROM_PCI),
    )
)
BRIDGE: Final = 0x0604  # class and sub-class. Source: PCI Code and ID Assignment Specification


def check(facts: Facts) -> None:
    """Refuse a machine that is larger than any can be (BadInput)."""
    _count("PCI functions", len(facts.functions), MOST_FUNCTIONS)
    _count("drives", len(facts.drives), MOST_DRIVES)
    _check_buses(facts.functions)
    depths = _depths({function.address: function for function in facts.functions})
    _check_crossed(facts.drives, depths)


def check_looks(looked_at: int) -> None:
    """Refuse so many functions in all later looks together (BadInput)."""
    _count("functions looked at again", looked_at, MOST_LOOKED_AT)


def _count(what: str, count: int, most: int) -> None:
    """Refuse more of something than `most` (BadInput)."""
    if count > most:
        raise _too_large(f"{count:,} {what}, and no more than {most:,} are taken")


def _too_large(what: str) -> BadInput:
    return BadInput(f"what was read is larger than any machine: {what}; check where it comes from")


def _check_buses(functions: Sequence[PciFunction]) -> None:
    """Refuse more bridges in a domain than it has buses."""
    bridges: dict[str, int] = {}
    parents = {readable(function.parent) for function in functions}
    for function in functions:
        if function.address in parents or _is_bridge(function):
            domain = function.address.partition(":")[0]
            bridges[domain] = bridges.get(domain, 0) + 1
    for domain, count in bridges.items():
        if count > BUSES:
            raise _too_large(f"{count:,} bridges in domain {quoted(domain)}, which has {BUSES} buses")
    _count("bridges", sum(bridges.values()), MOST_BRIDGES)


def _is_bridge(function: PciFunction) -> bool:
    """Whether a function says that it is a bridge, by its class or by its kind of port."""
    if isinstance(function.class_code, int) and function.class_code >> 8 == BRIDGE:
        return True
    return function.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "device_port_type") in PORTS


def _depths(functions: Mapping[str, PciFunction]) -> dict[str, int]:
    """How many bridges are above each function; those of a loop, which only damage makes, count as many as it has."""
    depths: dict[str, int] = {}
    for start in functions:
        way: dict[str, None] = {}
        here = start
        while here in functions and here not in depths and here not in way:
            way[here] = None
            here = readable(functions[here].parent) or ""
        known = depths.get(here, -1)
        closed = len(way) if here in way else 0
        for steps, address in enumerate(reversed(way), 1):
            depths[address] = closed or known + steps
        if way and depths[start] >= BUSES:
            raise _too_large(f"{quoted(start)} is below {depths[start]:,} bridges, and a domain has {BUSES} buses")
    return depths


def _check_crossed(drives: Iterable[Drive], depths: Mapping[str, int]) -> None:
    """Refuse more bridges above all drives together than are taken."""
    crossed = sum(depths.get(drive.address, 0) for drive in drives if isinstance(drive.address, str))
    _count("bridges above its drives", crossed, MOST_CROSSED)
