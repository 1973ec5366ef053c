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
HELD: Final = 2.0  # K
OFTEN: Final = 3


class Truth(Struct, frozen=True, kw_only=True):
    """What is true of the judged drive, the first of the log.

    `slows`: heat takes at least a tenth of the rate of at least two samples. `onset` and `back` are what its first
    sensor shows (not rounded, as late as it is read) when slowing begins and ends, at the median, degrees Celsius;
    None where it never does. `hottest_onset` and `hottest_back` are the same by the hottest of its sensors. `times` is
    how often it begins, `returns` how often it ends under load. `tied` tells whether the log itself ties it to a
    temperature: it returns, or begins three times at least, or goes on with what is shown within 2 K of the onset.
    Where it is not, only a limit or a counter tells heat from a full cache, a shared link or less load.

    `share` is the share of the loaded time in samples that heat slows, `spans` when those are (neighbouring ones as
    one), seconds. `slowed_mbps` is the middle rate of those samples, `free_mbps` what it would have been. `most_lost`
    is the greatest share that heat took of a sample.

    `moved` is MB moved from the first sample to the last, `moved_unslowed` what the same drive moves with throttling
    off; `longer` by how many seconds a job takes longer, None where the load is none. `settled` is what its first
    sensor would show for ever under this load unslowed, None where load or air do not stay the same. `full_seconds` is
    how long its write cache was full.
    """

    slows: bool
    policy: str
    onset: float | None
    back: float | None
    hottest_onset: float | None
    hottest_back: float | None
    times: int
    returns: int
    tied: bool
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
    turns = _turns(run, reading)
    begins, ends = ([turn for turn in turns if turn.begins is which] for which in (True, False))
    returns = sum(turn.loaded for turn in ends)
    onset = _middle([turn.shown for turn in begins])
    shown = np.interp(times[1:], run.times, run.shown)[slowed]
    holds = onset is not None and len(shown) > 0 and abs(float(np.median(shown)) - onset) <= HELD
    slows = int(slowed.sum()) >= SAMPLES
    return Truth(
        slows=slows,
        policy=policy,
        onset=onset if slows else None,
        back=_middle([turn.shown for turn in ends]) if slows else None,
        hottest_onset=_middle([turn.hottest for turn in begins]) if slows else None,
        hottest_back=_middle([turn.hottest for turn in ends]) if slows else None,
        times=len(begins) if slows else 0,
        returns=returns if slows else 0,
        tied=slows and (returns > 0 or holds or len(begins) >= OFTEN),
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


class _Turn(Struct, frozen=True):
    """A moment in which slowing begins, or ends: what is shown then, and whether work is asked then."""

    begins: bool
    shown: float
    hottest: float
    loaded: bool


def _turns(run: Run, reading: Reading) -> list[_Turn]:
    """The moments at which slowing begins or ends, with what the sensors show, read so late."""
    late = round(reading.late / float(run.times[0]))
    hottest = np.maximum(run.shown, run.further)
    found = []
    slowing = bool(run.held[0] < BEGINS)  # in a log that is begun late
    for place in np.flatnonzero(np.diff(run.held, prepend=run.held[0])).tolist():
        held = run.held[place]
        if (not slowing and held < BEGINS) or (slowing and held > ENDS):
            slowing = not slowing
            loaded = bool(run.free[place] > run.free[place - 1])
            seen = max(0, place - late)
            found.append(_Turn(slowing, float(run.shown[seen]), float(hottest[seen]), loaded))
    return found


def _middle(values: Values | list[float]) -> float | None:
    return float(np.median(values)) if len(values) else None


def _spans(times: Values, slowed: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], slowed, [False]]).astype(int)))
    return tuple((float(times[begin]), float(times[end])) for begin, end in edges.reshape(-1, 2).tolist())
