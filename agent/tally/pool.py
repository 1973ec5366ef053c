"""Worker processes: each is handed pieces of work and answers with bytes. The only door to processes of our own.

They are those of `concurrent.futures`: forked where that is safe, before this process has any thread, so that they
start in a moment and share what is imported; elsewhere spawned, as a fork of a process that uses system frameworks is
not safe. A piece whose worker died is tried again, file by file, so that one file costs no more than itself. Knows
nothing of what the work is.
"""

from __future__ import annotations

import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Sequence
    from concurrent.futures import Future, ProcessPoolExecutor

    Piece = Sequence[str]
    Work = Callable[[Piece], bytes]

IN_FLIGHT: Final = 2  # pieces a worker: one that it works at, and the next
DIED: Final = "a process that read it was ended each time (often: the system ran out of memory)"


def answers(work: Work, pieces: Sequence[Piece], jobs: int, *, fork: bool) -> Generator[tuple[Piece, bytes | None]]:
    """Each piece with its answer, as they come, from so many processes (1: from this one); `fork` where that is safe.

    A piece whose worker died comes file by file; a file alone with None is one that a worker dies of each time. However
    it ends, no worker is left.
    """
    if jobs == 1 or len(pieces) == 1:
        for piece in pieces:
            yield piece, _answer(work, piece)
        return
    left = list(reversed(pieces))
    while left:
        suspects = yield from _from_pool(work, left, min(jobs, len(left)), fork=fork)
        for piece in suspects:
            yield from _from_one(work, piece, fork=fork)


def _from_pool(
    work: Work, left: list[Piece], jobs: int, *, fork: bool
) -> Generator[tuple[Piece, bytes | None], None, list[Piece]]:
    """Answers to pieces from the end of the list, until a worker dies: the pieces that were in flight then."""
    from concurrent.futures import FIRST_COMPLETED, wait
    from concurrent.futures.process import BrokenProcessPool

    flying: dict[Future[bytes], Piece] = {}
    with _pool(jobs, fork=fork) as pool:
        while left or flying:
            try:
                while left and len(flying) < IN_FLIGHT * jobs:
                    with _deaf():
                        flying[pool.submit(_answer, work, left[-1])] = left[-1]
                    left.pop()
                for future in wait(flying, return_when=FIRST_COMPLETED).done:
                    answer = future.result()
                    yield flying.pop(future), answer
            except BrokenProcessPool:
                return list(flying.values())
    return []


def _from_one(work: Work, piece: Piece, *, fork: bool) -> Generator[tuple[Piece, bytes | None]]:
    """The answer to a piece from a process of its own; where that dies, file by file."""
    from concurrent.futures.process import BrokenProcessPool

    with _pool(1, fork=fork) as pool:
        try:
            with _deaf():
                future = pool.submit(_answer, work, piece)
            answer = future.result()
        except BrokenProcessPool:
            answer = None
    if answer is not None or len(piece) == 1:
        yield piece, answer
        return
    for name in piece:
        yield from _from_one(work, (name,), fork=fork)


@contextmanager
def _pool(jobs: int, *, fork: bool) -> Iterator[ProcessPoolExecutor]:
    """So many workers, which are gone afterwards; what they have not begun is left."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    context = multiprocessing.get_context("fork" if fork else "spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_begin)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def _deaf() -> Iterator[None]:
    """Ctrl-C waits: workers that are made meanwhile are deaf to it from their first moment."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin() -> None:
    """Begin a worker's life: Ctrl-C is the parent's matter, and a worker ends when its parent is gone."""
    from threading import Thread

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_watch, name="parent", daemon=True).start()


def _watch() -> None:
    """Wait until the parent is gone, and end this process with it, whatever it works at."""
    from multiprocessing import parent_process
    from multiprocessing.connection import wait

    parent = parent_process()
    assert parent is not None
    wait([parent.sentinel])
    signal.raise_signal(signal.SIGKILL)


def _answer(work: Work, piece: Piece) -> bytes:
    """The answer to a piece; what it left behind in circles is cleared away, as the program as a whole does not."""
    import gc

    answer = work(piece)
    gc.collect(1)
    return answer
