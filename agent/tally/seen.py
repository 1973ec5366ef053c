"""What a tally keeps of one capture: small frozen rows, which worker processes hand over. Data only.

A machine and a link are told apart by digests (`key`), so that a tally of many machines stays small.
"""

from __future__ import annotations

from msgspec import Struct

from agent.model.findings import Rate, Verdict  # noqa: TC001 - msgspec reads the types of fields


class CardNumbers(Struct, frozen=True, array_like=True, gc=False):
    """The numbers of a card: vendor, device, subsystem vendor, subsystem; None for one that could not be read."""

    vendor: int | None
    device: int | None
    subsystem_vendor: int | None
    subsystem: int | None


class MachineKind(Struct, frozen=True, array_like=True, gc=False):
    """The make of a machine as read, None for what it does not tell; `platform` is a `sys.platform` value."""

    platform: str
    maker: str | None
    product: str | None
    board: str | None


class LinkRun(Struct, frozen=True, array_like=True, gc=False):
    """How a link ran: equal for many links, so that one of them stands for all.

    `what` are words for the card's class, `name` is the model that it, or the drive on it, gives. `rate` is None where
    none is known, or it says nothing. `firmware` are the versions of the drives on the card. `at_start` tells that the
    system gave the rate as it was when it started, not as it is.
    """

    card: CardNumbers
    what: str
    name: str | None
    verdict: Verdict
    rate: Rate | None
    firmware: tuple[str, ...]
    at_start: bool = False


class LinkSeen(Struct, frozen=True, array_like=True, gc=False):
    """A link of one machine: how it ran at the newest moment (`taken`, seconds of Unix time, UTC).

    `hottest` is the hottest reading of the card and the drives on it, degrees Celsius, None where there is none.
    `by_serial` tells that the key is of a drive's serial number, and so the same in whatever machine the drive is.
    """

    key: bytes
    taken: float
    hottest: float | None
    seen: LinkRun
    by_serial: bool = False


class MachineSeen(Struct, frozen=True, array_like=True, gc=False):
    """A machine: its firmware and the slots whose card gives no link (`dark`) at the newest moment, and its links.

    `named` tells that it gave a host name to be told apart by; links are in order of their keys. `silent` counts slots
    and ports of which it could not be read whether something is there, and `partly` tells that readings failed, so that
    there may be more links, and more in them, than was seen.
    """

    key: bytes
    kind: MachineKind
    named: bool
    taken: float
    firmware: str | None
    dark: int
    links: tuple[LinkSeen, ...]
    silent: int = 0
    partly: bool = False


class Batch(Struct, frozen=True, array_like=True):
    """What came of some files.

    A machine for each that could be read, and of each other its place among the files, the reason, and whether it is
    JSON of another form.
    """

    machines: tuple[MachineSeen, ...]
    refused: tuple[tuple[int, str, bool], ...]
