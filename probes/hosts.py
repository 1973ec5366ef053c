"""The machine as a whole, where part of what was asked of it could not be read. Asks nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.answers import NOT_RECORDED, NOT_TRIED
from probes.decode import NOT_GIVEN
from probes.unread import NOT_TOLD, Unread, together

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from probes.facts import Host

# What no platform promises, and what was not asked: nothing went wrong.
NOT_MEANT: Final = NOT_TRIED | {NOT_TOLD}
NOT_THERE: Final = frozenset({NOT_RECORDED, NOT_GIVEN})


def lost_of_host(host: Host, identity: Iterable[Unread]) -> Iterator[Unread]:
    """One line for all that was asked of the machine as a whole in vain; no verdict but that of a guest rests on it.

    `identity` is what could not be read of its maker, its model and its firmware.
    """
    told = (host.name, host.kernel, host.virtual, host.up_seconds, host.processors, host.memory_bytes)
    lost = [
        answer
        for answer in told
        if isinstance(answer, Unread) and answer.code not in NOT_MEANT and answer.why not in NOT_THERE
    ]
    lost += [unread for unread in identity if not unread.absent]
    if lost:
        yield together("the machine as a whole", tuple(dict.fromkeys(lost))).minor
