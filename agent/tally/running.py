"""Files to a tally, piece by piece, by this process or by several. Shows nothing; who is told of progress is given."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Final

from msgspec import Struct, msgpack

from agent.tally import pool
from agent.tally.gathering import batch
from agent.tally.merging import Tally
from agent.tally.seen import Batch
from probes import platform

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable, Sequence

    from probes.folders import Refused

MOST_IN_A_PIECE: Final = 16  # files; handing over a piece then costs next to nothing beside reading it
PIECES_A_JOB: Final = 4  # at least, so that no process waits long for the slowest
NAMES_KEPT: Final = 10


class TallyRun(Struct, frozen=True):
    """What came of the files: the tally, how many were passed over, and the first of these by their names.

    `other` counts those of `passed_over` that are JSON of another form and lay in a folder, where nobody named them;
    `others` are the first of these, and `refused` the first of all the rest.
    """

    tally: Tally
    passed_over: int
    refused: tuple[Refused, ...]
    other: int = 0
    others: tuple[Refused, ...] = ()


def run(
    files: Sequence[str],
    jobs: int,
    told: Callable[[int], None],
    *,
    host: str,
    refused: Iterable[Refused] = (),
    named: Container[str] = (),
) -> TallyRun:
    """Read all files in so many processes; `told` hears how many are done.

    `host` is this machine's platform; most captures will be of it. `refused` is what was passed over already; a file
    that a process dies of each time is passed over too. `named` are files that the user named one by one.
    """
    tally = Tally()
    first = list(refused)
    others: list[Refused] = []
    passed_over, other = len(first), 0
    size = max(1, min(MOST_IN_A_PIECE, len(files) // (jobs * PIECES_A_JOB)))
    pieces = [files[start : start + size] for start in range(0, len(files), size)]
    system = platform(host)
    system.load()  # before processes are made, which then share it
    done = 0
    decoder = msgpack.Decoder(Batch)
    with closing(pool.answers(batch, pieces, jobs, fork=system.starts_by_fork)) as answers:
        for piece, answer in answers:
            found = decoder.decode(answer) if answer is not None else Batch((), ((0, pool.DIED, False),))
            for machine in found.machines:
                tally.add(machine)
            for number, why, foreign in found.refused:
                unasked = foreign and piece[number] not in named
                (others if unasked else first).append((piece[number], why))
                other += unasked
            passed_over += len(found.refused)
            first, others = sorted(first)[:NAMES_KEPT], sorted(others)[:NAMES_KEPT]
            done += len(piece)
            told(done)
    return TallyRun(tally, passed_over, tuple(sorted(first)[:NAMES_KEPT]), other, tuple(others))
