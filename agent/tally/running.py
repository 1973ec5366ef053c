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
    from collections.abc import Callable, Iterable, Sequence

    from probes.folders import Refused

MOST_IN_A_PIECE: Final = 16  # files; handing over a piece then costs next to nothing beside reading it
PIECES_A_JOB: Final = 4  # at least, so that no process waits long for the slowest
NAMES_KEPT: Final = 10


class TallyRun(Struct, frozen=True):
    """What came of the files: the tally, how many were passed over, and the first of these by their names."""

    tally: Tally
    passed_over: int
    refused: tuple[Refused, ...]


def run(
    files: Sequence[str],
    jobs: int,
    told: Callable[[int], None],
    *,
    host: str,
    refused: Iterable[Refused] = (),
) -> TallyRun:
    """Read all files in so many processes; `told` hears how many are done.

    `host` is this machine's platform; most captures will be of it. `refused` is what was passed over already; a file
    that a process dies of each time is passed over too.
    """
    tally = Tally()
    first = list(refused)
    passed_over = len(first)
    size = max(1, min(MOST_IN_A_PIECE, len(files) // (jobs * PIECES_A_JOB)))
    pieces = [files[start : start + size] for start in range(0, len(files), size)]
    system = platform(host)
    system.load()  # before processes are made, which then share it
    done = 0
    decoder = msgpack.Decoder(Batch)
    with closing(pool.answers(batch, pieces, jobs, fork=system.starts_by_fork)) as answers:
        for piece, answer in answers:
            found = decoder.decode(answer) if answer is not None else Batch((), ((0, pool.DIED),))
            for machine in found.machines:
                tally.add(machine)
            if found.refused:
                passed_over += len(found.refused)
                first += ((piece[number], why) for number, why in found.refused)
                first = sorted(first)[:NAMES_KEPT]
            done += len(piece)
            told(done)
    return TallyRun(tally, passed_over, tuple(sorted(first)[:NAMES_KEPT]))
