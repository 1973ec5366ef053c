"""Worker processes: each is handed pieces of work and answers with bytes. The only door to processes of our own.

Workers are forked where that is safe, before this process has any thread: they start in a moment, and share what is
imported. Elsewhere they are spawned, as a fork of a process that uses system frameworks is not safe there. A worker
whose parent is gone ends when it next looks for work. Knows nothing of what the work is.
"""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge.problems import BadInput
from probes.files import quoted

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Sequence
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

    Work = Callable[[Sequence[str]], bytes]

PATIENCE: Final = 5.0  # seconds that a worker has to end


class _Worker(Struct):
    """A process, the way to it, and the place of the piece that it works at (None: it is done)."""

    process: BaseProcess
    link: Connection
    piece: int | None = None


def answers(work: Work, pieces: Sequence[Sequence[str]], jobs: int, *, fork: bool) -> Generator[tuple[int, bytes]]:
    """The place of each piece with its answer, as they come, from so many processes (1: from this one).

    They are forked where that is safe (`fork`). Raises BadInput where a worker dies. However it ends, none is left.
    """
    if jobs == 1 or len(pieces) == 1:
        for place, piece in enumerate(pieces):
            yield place, _answer(work, piece)
        return
    from multiprocessing.connection import wait

    workers: list[_Worker] = []
    waiting = iter(range(len(pieces)))
    try:
        for _ in range(min(jobs, len(pieces))):
            workers.append(_started(work, [worker.link for worker in workers], fork=fork))
            _hand(workers[-1], pieces, waiting)
        busy = list(workers)
        while busy:
            ready = wait([worker.link for worker in busy])
            for worker in [ready_worker for ready_worker in busy if ready_worker.link in ready]:
                place, answer = _received(worker, pieces)
                if not _hand(worker, pieces, waiting):
                    busy.remove(worker)
                yield place, answer
    finally:
        _ended(workers)


def _answer(work: Work, piece: Sequence[str]) -> bytes:
    """The answer to a piece; what it left behind in circles is cleared away, as the program as a whole does not."""
    import gc

    answer = work(piece)
    gc.collect(1)
    return answer


def _started(work: Work, others: Sequence[Connection], *, fork: bool) -> _Worker:
    """A new worker beside `others`; until it is deaf to Ctrl-C, that waits."""
    import multiprocessing

    context = multiprocessing.get_context("fork") if fork else multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    inherited = (ours, *others) if fork else ()  # what is spawned inherits nothing
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        process = context.Process(target=_serve, args=(work, theirs, inherited), daemon=True)
        process.start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    theirs.close()
    return _Worker(process, ours)


def _serve(work: Work, link: Connection, inherited: Sequence[Connection]) -> None:
    """A worker's life: pieces in, answers out, until the other side is gone. Ctrl-C is the parent's matter.

    The parent's ends that it `inherited` are closed, as they would hide that the parent is gone.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    for end in inherited:
        end.close()
    try:
        while True:
            link.send_bytes(_answer(work, link.recv()))
    except (EOFError, OSError):
        return


def _hand(worker: _Worker, pieces: Sequence[Sequence[str]], waiting: Iterator[int]) -> bool:
    """Give a worker the next piece; False where there is none."""
    worker.piece = next(waiting, None)
    if worker.piece is None:
        return False
    try:
        worker.link.send(pieces[worker.piece])
    except OSError:
        raise _died(worker, pieces[worker.piece]) from None
    return True


def _received(worker: _Worker, pieces: Sequence[Sequence[str]]) -> tuple[int, bytes]:
    assert worker.piece is not None
    try:
        return worker.piece, worker.link.recv_bytes()
    except (EOFError, OSError):
        raise _died(worker, pieces[worker.piece]) from None


def _died(worker: _Worker, piece: Sequence[str]) -> BadInput:
    """The sentence for a worker that is gone, with the files that it may have died of."""
    worker.process.join(PATIENCE)
    code = worker.process.exitcode
    how = f"was ended by signal {-code}" if code is not None and code < 0 else f"ended with status {code}"
    lack = " (often: the system ran out of memory)" if code == -signal.SIGKILL else ""
    more = f" or one of the {len(piece) - 1} files after it" if len(piece) > 1 else ""
    return BadInput(
        f"a process that read captures {how}{lack} at {quoted(piece[0])}{more}, so nothing is shown; try --jobs 1, or"
        " leave these files out"
    )


def _ended(workers: Sequence[_Worker]) -> None:
    """End all workers, busy or not."""
    for worker in workers:
        worker.link.close()
        worker.process.terminate()
    for worker in workers:
        worker.process.join(PATIENCE)
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join()
        worker.process.close()
