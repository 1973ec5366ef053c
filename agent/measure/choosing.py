"""How large requests are and how many are in flight: both grow until the rate no longer rises.

Decides from the rates of tries, which the caller makes. Reads nothing and takes no time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.measure.measured import STOPS, Chosen, ReadSize, Try
from probes.blocks import ALIGNED, MOST_IN_FLIGHT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.measure.measured import Ended, MeasureRequest, Why

LEAST_BLOCK: Final = 128 * 1024  # smaller requests are decided by the drive's answer to each, not by its link
LEAST_DEPTH: Final = 4
MOST_BLOCK: Final = 16 * 1024 * 1024
MOST_BYTES: Final = 256 * 1024 * 1024  # in flight, of all that is read at once: the memory that a search may take
RISE: Final = 1.03  # less than this over two doublings is no rise
DOUBLINGS: Final = 2
PATIENCE: Final = 0.5  # of a try; requests that would wait longer than this show that the drive has enough of them


def first(asked: MeasureRequest, at_once: int = 1) -> ReadSize:
    """Where a search begins, or what was set by hand; `at_once` targets share the memory."""
    block = asked.block or (ALIGNED if asked.pattern == "random" else LEAST_BLOCK)
    fitting = max(1, MOST_BYTES // (block * at_once))
    return ReadSize(block, asked.depth or min(LEAST_DEPTH, fitting))


def whys(asked: MeasureRequest, why: Why) -> tuple[Why, Why]:
    """Why size and depth are what they are, where `why` holds for what nobody set."""
    block: Why = "set" if asked.block else "smallest" if asked.pattern == "random" else why
    return block, "set" if asked.depth else why


def choose(
    asked: MeasureRequest, seconds: float, most_block: int, at_once: int, attempt: Callable[[ReadSize], Try | Ended]
) -> Chosen:
    """Let size and depth grow, one after the other, and choose; `attempt` makes a try or says why it cannot.

    A try takes `seconds`; requests are `most_block` bytes at most, as many as the smallest target holds.
    """
    search = _Search(seconds, attempt)
    block_why, depth_why = whys(asked, "flat")
    pair = first(asked, at_once)
    if block_why == "flat":
        sizes = _doubled(pair.block, min(MOST_BLOCK, most_block))
        pairs = (ReadSize(block, pair.depth) for block in sizes if block * pair.depth * at_once <= MOST_BYTES)
        pair, block_why = search.grow(pairs, pair)
    if depth_why == "flat":
        if block_why in STOPS:
            depth_why = block_why
        else:
            depths = _doubled(pair.depth, MOST_IN_FLIGHT)
            pairs = (ReadSize(pair.block, depth) for depth in depths if depth * pair.block * at_once <= MOST_BYTES)
            pair, depth_why = search.grow(pairs, pair)
    return Chosen(pair, block_why, depth_why, tuple(search.tries))


def _doubled(start: int, most: int) -> Iterator[int]:
    """A number and its doubles up to a greatest; the number itself in any case."""
    yield start
    while (start := start * 2) <= most:
        yield start


class _Search:
    """The tries so far, and the growing."""

    def __init__(self, seconds: float, attempt: Callable[[ReadSize], Try | Ended]) -> None:
        self.tries: list[Try] = []
        self._seconds, self._attempt = seconds, attempt

    def grow(self, pairs: Iterator[ReadSize], start: ReadSize) -> tuple[ReadSize, Why]:
        """The first of some pairs, each the double of the one before, after which the rate no longer rises; and why."""
        here: list[Try] = []
        for pair in pairs:
            made = next((known for known in self.tries if known.pair == pair), None)
            if made is None:
                if here and self._waits(pair, here):
                    return _best(here), "waits"
                found = self._attempt(pair)
                if not isinstance(found, Try):
                    return _best(here) if here else start, found
                made = found
                self.tries.append(made)
            here.append(made)
            before, *after = [one.mbps for one in here[-1 - DOUBLINGS :]]
            if len(after) == DOUBLINGS and max(after) < before * RISE:
                return here[-1 - DOUBLINGS].pair, "flat"
        return _best(here) if here else start, "most"

    def _waits(self, pair: ReadSize, here: Sequence[Try]) -> bool:
        """Whether so much in flight would take long to come at the best rate so far."""
        rate = max(one.mbps for one in here) * 1e6
        return pair.in_flight > rate * self._seconds * PATIENCE


def _best(here: Sequence[Try]) -> ReadSize:
    """The smallest of some tries that reached the best rate, or all but."""
    most = max(one.mbps for one in here)
    return next(one.pair for one in here if one.mbps * RISE >= most)
