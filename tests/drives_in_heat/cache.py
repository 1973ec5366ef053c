"""The write cache of a drive: flash written with one bit a cell, quick until it is full, emptied by folding."""

from __future__ import annotations

from msgspec import Struct


class Cache(Struct, frozen=True, kw_only=True):
    """A cache of so many MB; when full, writes go at `low` of the drive's rate until the filling is at `resume`.

    `folding` MB/s are folded into the flash while nothing is asked of the drive, and `meanwhile` MB/s while it is
    full and written to. A cache that is folded quickly meanwhile lets the rate of writing come and go by itself.
    """

    megabytes: float
    low: float
    folding: float
    meanwhile: float = 0.0
    resume: float = 0.5


class Filling:
    """How full a cache is; `full` from the moment that it is until there is room again."""

    def __init__(self, cache: Cache | None) -> None:
        """It is empty; without a cache it stays so."""
        self._cache = cache
        self.megabytes = 0.0
        self.full = False
        self.low = 1.0 if cache is None else cache.low

    def go_on(self, write: float, read: float, seconds: float) -> float:
        """Take in what is written, MB/s; what is folded meanwhile, MB/s."""
        cache = self._cache
        if cache is None:
            return 0.0
        fold = 0.0
        if self.megabytes > 0.0:
            if write + read <= 0.0:
                fold = cache.folding
            elif self.full:
                fold = cache.meanwhile
        # A full cache takes in nothing: what is written then goes to the flash past it.
        taken = 0.0 if self.full else write
        self.megabytes = max(0.0, self.megabytes + (taken - fold) * seconds)
        if self.full:
            self.full = self.megabytes > cache.resume * cache.megabytes
        else:
            self.full = self.megabytes >= cache.megabytes
        return fold
