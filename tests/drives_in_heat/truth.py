"""What is true of a soak, from the run itself and from the same run with throttling switched off."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from msgspec import Struct

from tests.drives_in_heat.logged import summed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tests.drives_in_heat.logged import Reading
    from tests.drives_in_heat.running import Run

    Values = NDArray[np.float64]

MATERIAL: Final = 0.10  # the share of its rate that heat takes of a sample
SAMPLES: Final = 2  # that heat must take so much of
BEGINS: Final = 0.9  # of its work allowed: a policy that holds a temperature has begun to slow it
ENDS: Final = 0.97


class Truth(Struct, frozen=True, kw_only=True):
    """What is true of the judged drive, the first of the log.

    `slows`: heat takes at least a tenth of the rate of at least two samples. `onset` and `back` are what its first
    sensor shows (not rounded, as late as it is read) when slowing begins and ends, at the median, degrees Celsius;
    None where it never does. `times` is how often it begins, `returns` how often it ends. `share` is the share of the
    loaded time in samples that heat slows, `spans` when those are (neighbouring ones as one), seconds. `slowed_mbps` is
    the middle rate of those samples, `free_mbps` what it would have been. `most_lost` is the greatest share that heat
    took of a sample.

    `moved` is MB moved from the first sample to the last, `moved_unslowed` what the same drive moves with throttling
    off; `longer` by how many seconds a job takes longer, None where the load is none. `settled` is what its first
    sensor would show for ever under this load unslowed, None where load or air do not stay the same. `full_seconds` is
    how long its write cache was full.
    """

    slows: bool
    policy: str
    onset: float | None
    back: float | None
    times: int
    returns: int
    share: float
    spans: tuple[tuple[float, float], ...]
    slowed_mbps: float | None
    free_mbps: float | None
    most_lost: float
    moved: float
    moved_unslowed: float
    longer: float | None
    settled: float | None
    full_seconds: float


def true_of(run: Run, off: Run, times: Values, reading: Reading, policy: str, settled: float | None) -> Truth:
    """What is true of a run that was sampled at these times; `off` is the same one with throttling off."""
    spent = np.diff(times)
    moved, free = np.diff(summed(run, run.moved, times)), np.diff(summed(run, run.free, times))
    loaded = free > 0.02 * free.max(initial=0.0)
    lost = np.where(loaded, 1.0 - moved / np.where(loaded, free, 1.0), 0.0)
    slowed = lost >= MATERIAL
    begins, ends = _turns(run, reading)
    slows = int(slowed.sum()) >= SAMPLES
    return Truth(
        slows=slows,
        policy=policy,
        onset=_middle(begins) if slows else None,
        back=_middle(ends) if slows else None,
        times=len(begins) if slows else 0,
        returns=len(ends) if slows else 0,
        share=float(spent[slowed].sum() / max(1e-9, spent[loaded].sum())),
        spans=_spans(times, slowed),
        slowed_mbps=_middle((moved / spent)[slowed]),
        free_mbps=_middle((free / spent)[slowed]),
        most_lost=float(lost.max(initial=0.0)),
        moved=float(moved.sum()),
        moved_unslowed=float(np.diff(summed(off, off.moved, times)).sum()),
        longer=None if run.done is None or off.done is None else run.done - off.done,
        settled=settled,
        full_seconds=run.full_seconds,
    )


def _turns(run: Run, reading: Reading) -> tuple[Values, Values]:
    """What the first sensor shows, read so late, wherever slowing begins, and wherever it ends."""
    late = round(reading.late / float(run.times[0]))
    shown = np.concatenate([np.full(late, run.shown[0]), run.shown[: len(run.shown) - late]])
    begins, ends = [], []
    slowing = bool(run.held[0] < BEGINS)  # in a log that is begun late
    turning = np.flatnonzero(np.diff(run.held, prepend=run.held[0])).tolist()
    for place in turning:
        held = run.held[place]
        if not slowing and held < BEGINS:
            slowing = True
            begins.append(shown[place])
        elif slowing and held > ENDS:
            slowing = False
            ends.append(shown[place])
    return np.array(begins), np.array(ends)


def _middle(values: Values) -> float | None:
    return float(np.median(values)) if len(values) else None


def _spans(times: Values, slowed: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], slowed, [False]]).astype(int)))
    return tuple((float(times[begin]), float(times[end])) for begin, end in edges.reshape(-1, 2).tolist())
