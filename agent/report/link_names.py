"""What links are called in tables of all forms, so that no two have one name. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.audit import SEGMENT
from agent.report import words
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.judged import Judged


def names(audit: Audit) -> dict[str, str]:
    """A name for each link by its key that no other has: its slot, with the number of its port where that is split.

    All links of the machine have one, so that a part of an audit calls them as the whole does.
    """
    short = in_one_segment(audit)
    numbers = shared(audit)
    found = {}
    for key, judged in audit.by_key.items():
        addressed = not _is_slotted(judged) and words.port(judged) == key
        own = address_of(key, short=short) if addressed else short_place(judged)
        found[key] = f"{own} port {numbers[key]}" if key in numbers else own
    return found


def shared(audit: Audit) -> dict[str, int]:
    """The number of each link among those of one slot, by its key, where several share the slot."""
    alike: dict[str, list[str]] = {}
    for key, judged in audit.by_key.items():
        if _is_slotted(judged):
            alike.setdefault(short_place(judged), []).append(key)
    return {key: number for keys in alike.values() if len(keys) > 1 for number, key in enumerate(keys, 1)}


def called(audit: Audit) -> dict[str, tuple[str, ...]]:
    """All that pages call each link by its key, the name of tables first."""
    return {key: (name, words.port(audit.by_key[key])) for key, name in names(audit).items()}


def short_place(judged: Judged) -> str:
    """A place in a table: "PCIE1 port 2" for port 2 of the card in PCIE1."""
    return plain(" ".join(reversed(words.port(judged).split(" of the card in "))), 40)


def in_one_segment(audit: Audit) -> bool:
    """Whether all functions of the machine are in segment 0, so that nobody needs to be told."""
    return all(address.startswith(SEGMENT) for address in audit.machine.functions)


def address_of(address: str, *, short: bool) -> str:
    """An address; without its segment where all functions of the machine are in segment 0."""
    return plain(address.removeprefix(SEGMENT) if short else address)


def _is_slotted(judged: Judged) -> bool:
    """Whether a link leads to a slot, or to a port of a card in one."""
    return judged.link.slot is not None or bool(judged.link.on_card)
