"""Makes small or large Linux machines for tests, from a short description.

A machine is a list of root buses, each a list of `Function`s with what hangs below them. `build` gives addresses
to all, makes the bytes of configuration space and puts the tree of `/sys` and `/proc` together; `capture` makes the
capture that a real run would have made. Everything is described by what the hardware is; what a port and the card
below it agree on is worked out, and can be overruled (`now`, `registers`, `attributes`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from msgspec import json

from knowledge import pcie
from probes.reads import Recorded, Recording
from tests.parts import (
    BRIDGES,
    PORTS,
    Disk,
    Function,
    Machine,
    Nvme,
    Rate,
    Slot,
    card,
    downstream_port,
    drive,
    find,
    hierarchy,
    root_port,
    switch,
    walk,
)
from tests.space import rewritten
from tests.sysfs import DEVICES, NEW_WORDS, OLD_WORDS, Writer, put_counters, put_firmware, put_host
from tests.tree import Directory, Failure, Link, Tree, TreeReads

if TYPE_CHECKING:
    from knowledge.layout import Layout
    from probes.facts import Facts
    from probes.reads import Answer

__all__ = [
    "DEVICES",
    "Directory",
    "Disk",
    "Failure",
    "Function",
    "Link",
    "Machine",
    "Nvme",
    "Slot",
    "Tree",
    "TreeReads",
    "build",
    "capture",
    "capture_bytes",
    "card",
    "downstream_port",
    "drive",
    "edit",
    "facts",
    "find",
    "record",
    "root_port",
    "set_counters",
    "set_link",
    "switch",
]


# --- Numbers ---------------------------------------------------------------------------------------------------


def _number(machine: Machine) -> None:
    """Give every function its address and every bridge its buses, depth first as firmware does."""
    for root, functions in machine.buses.items():
        domain, bus = root.split(":")
        _number_bus(functions, domain, int(bus, 16), int(bus, 16) + 1)


def _number_bus(functions: list[Function], domain: str, bus: int, free: int) -> int:
    for index, function in enumerate(functions):
        alone = function.kind == "downstream port"
        function.at = function.at or (f"{index:02x}.0" if alone else f"00.{index}")
        function.address = f"{domain}:{bus:02x}:{function.at}"
    for function in functions:
        if function.kind in BRIDGES:
            function.secondary = free
            last = _number_bus(function.below, domain, free, free + 1)
            free = max(last, free + 1 + function.buses)
            function.subordinate = free - 1
    return free


def _agree(machine: Machine) -> None:
    """Work out what ports and cards agree on: the rate of each link, the payload size of each hierarchy."""
    for function, above in walk(machine):
        if function.port_type in PORTS and function.below:
            first = function.below[0]
            if function.now is None:
                assert function.can is not None
                assert first.can is not None
                function.now = (min(function.can[0], first.can[0]), min(function.can[1], first.can[1]))
            for one in function.below:
                one.now = one.now or function.now
        elif function.has_link and function.now is None:
            function.now = (1, 0) if function.port_type in PORTS else function.can
        if above is None and function.kind in BRIDGES:
            everything = list(hierarchy(function))
            size = min(one.payload for one in everything)
            for one in everything:
                one.payload_now = one.payload_now or size
        function.payload_now = function.payload_now or 128


# --- The tree --------------------------------------------------------------------------------------------------


def build(machine: Machine) -> Tree:
    """The machine's tree; every function of the description knows its address afterwards."""
    _number(machine)
    _agree(machine)
    tree = Tree()
    tree.directory(DEVICES)
    tree.directory("/sys/bus/pci/slots")
    if not machine.udev:
        tree.udev = None
    Writer(machine, tree).write()
    put_host(machine, tree)
    if machine.tables:
        put_firmware(machine, tree)
    return tree


# --- Changing a tree that was built ----------------------------------------------------------------------------


def edit(tree: Tree, address: str, layout: Layout, **fields: int) -> None:
    """Set fields of one register of a function in a built tree."""
    place = tree.resolve(f"{DEVICES}/{address}/config")
    tree.put(place, rewritten(tree.read(place), layout, **fields))


def set_link(tree: Tree, ends: Sequence[str], now: Rate, *, old_words: bool = False) -> None:
    """Let a link run at another rate: registers and attributes of the functions at its `ends`."""
    words = OLD_WORDS if old_words else NEW_WORDS
    for address in ends:
        edit(tree, address, pcie.LINK_STATUS, current_link_speed=now[0], negotiated_link_width=now[1])
        place = tree.resolve(f"{DEVICES}/{address}")
        tree.texts(place, current_link_speed=words[now[0]], current_link_width=now[1])


def set_counters(tree: Tree, address: str, counts: dict[str, int]) -> None:
    """Let a function have counted these errors (by the kernel's names) since start-up."""
    place = tree.resolve(f"{DEVICES}/{address}")
    put_counters(tree, place, Function(kind="nvme", counters=counts))


# --- Captures --------------------------------------------------------------------------------------------------

AGENT: Final = "0.1.0"
MOMENT: Final = "2026-03-02T09:00:00+00:00"
Looks = Sequence[tuple[float, Tree]]


def record(
    tree: Tree, looks: Looks = (), again: Sequence[str] = (), *, privileged: bool = True
) -> tuple[dict[str, Answer], list[tuple[float, dict[str, Answer]]]]:
    """Every question that a run asks of `tree`, with its answer, and those asked again of the functions `again`.

    `looks` are what the machine has become so many seconds later.
    """
    from probes.linux import collecting as linux

    recording = Recording(TreeReads(tree, privileged=privileged))
    linux.collect(recording)
    first = Recorded(recording.answers, recording.platform)
    later = [
        (offset, dict(linux.look(TreeReads(other, privileged=privileged), first, again).answers))
        for offset, other in looks
    ]
    return recording.answers, later


def facts(tree: Tree, looks: Looks = (), again: Sequence[str] = (), *, privileged: bool = True) -> Facts:
    """The facts of a machine, read as a live run would read them."""
    from probes.linux import collecting as linux

    answers, later = record(tree, looks, again, privileged=privileged)
    first = Recorded(answers, "linux")
    return linux.collect(first, [(offset, Recorded(found, "linux", first)) for offset, found in later], MOMENT)


def capture_bytes(
    tree: Tree,
    looks: Looks = (),
    again: Sequence[str] = (),
    *,
    taken_at: str = MOMENT,
    privileged: bool = True,
    redact: bool = False,
) -> bytes:
    """A capture file of `tree`, one answer a line."""
    from probes.capture import encode

    answers, samples = record(tree, looks, again, privileged=privileged)
    return encode(
        platform="linux",
        taken_at=taken_at,
        agent=AGENT,
        answers=answers,
        samples=samples,
        keep_serials=not redact,
    )


def capture(
    tree: Tree,
    looks: Looks = (),
    again: Sequence[str] = (),
    *,
    taken_at: str = MOMENT,
    privileged: bool = True,
    redact: bool = False,
) -> dict[str, Any]:
    """The same as `capture_bytes`, as a mapping that tests may change before they write it."""
    data = capture_bytes(tree, looks, again, taken_at=taken_at, privileged=privileged, redact=redact)
    made: dict[str, Any] = json.decode(data)
    return made
