"""Whether a soak's analysis tells slowing by heat from all else, on simulated drives whose truth is known.

`python -m tests.bench.heat [--soaks N] [--seed S] [--jobs J] [--kind WORDS] [--list]`. Prints a table by kind: how many
were told at all (of a drive that slows: anything but that it does not; of one that does not: anything but that it
surely does), told surely, and what was said; then errors of temperatures, rates and forecasts, and the seconds.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from itertools import groupby
from statistics import median, quantiles
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.soak.analysis import analyse
from tests.drives_in_heat import KINDS, drawn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from agent.soak.analysed import Analysis, DriveAnalysis
    from probes.samples import Soak
    from tests.drives_in_heat import Case, Truth

SURE: Final = ("proved", "inferred")
NOT_SLOW: Final = "none"
WORDS: Final = (*SURE, "unclear", "none", "unknown")


class Told(Struct, frozen=True, kw_only=True):
    """What was said of one drawn soak, beside what is true of it. Errors are what was said less what is true.

    `returns` is how often slowing ended, `tied` whether the log itself ties it to a temperature, `knows` whether the
    drive's limits were known. `at_all` and `surely` tell whether it was told right, `falsely` whether the wrong was
    said for sure. `onset` is in K, `slowed` a share of the rate that the drive really had while slowed, `settled` in K;
    None where either side has none. `seconds` are those of a processor.
    """

    kind: str
    seed: int
    slows: bool
    returns: int
    tied: bool
    knows: bool
    word: str
    onset: float | None
    slowed: float | None
    settled: float | None
    settled_error: float | None
    seconds: float

    @property
    def at_all(self) -> bool:
        """Whether it was told at all: not the contrary, be it ever so unsure."""
        return self.word not in {NOT_SLOW, "unknown"} if self.slows else self.word not in SURE

    @property
    def surely(self) -> bool:
        """Whether it was told right and without doubt."""
        return self.word in SURE if self.slows else self.word == NOT_SLOW

    @property
    def falsely(self) -> bool:
        """Whether the contrary was told without doubt."""
        return self.word == NOT_SLOW if self.slows else self.word in SURE


SUMS: Final[dict[str, Callable[[Told], bool]]] = {
    "all that slow": lambda one: one.slows,
    "  limits known": lambda one: one.slows and one.knows,
    "  limits not known": lambda one: one.slows and not one.knows,
    "  and return twice or more": lambda one: one.slows and not one.knows and one.returns > 1,
    "  and return or hold a temperature": lambda one: one.slows and not one.knows and one.tied,
    "  and nothing ties it to heat": lambda one: one.slows and not one.knows and not one.tied,
    "all that do not slow": lambda one: not one.slows,
    "all": lambda one: True,  # noqa: ARG005 - as the others
}


def onset_error(drive: DriveAnalysis, truth: Truth) -> float | None:
    """The temperature at which the analysis saw the drive slow itself down less the true one, both of the same sensor.

    Without a loop that it is sure of, that of the middle one of its falls by heat.
    """
    if drive.loop is not None and drive.loop.sure:
        return _less(drive.loop.onset, truth.hottest_onset if drive.loop.hottest else truth.onset)
    found = [fall.celsius for fall in drive.falls if fall.kind == "heat" and fall.celsius is not None]
    return _less(median(found), truth.onset) if found else None


def slowed_told(drive: DriveAnalysis) -> float | None:
    """The rate that it saw meanwhile, MB/s."""
    found = [fall.during_mbps for fall in drive.falls if fall.kind == "heat"]
    return median(found) if found else None


def judged(case: Case, analysis: Callable[[Soak], Analysis] = analyse) -> Told:
    """Let an analysis judge a drawn soak."""
    truth = case.truth
    begin = time.process_time()
    drive = analysis(case.log).drives[0]
    seconds = time.process_time() - begin
    slowed = slowed_told(drive)
    return Told(
        kind=case.kind,
        seed=case.seed,
        slows=truth.slows,
        returns=truth.returns,
        tied=truth.tied,
        knows=case.sketch.knows != "ordinary",
        word=drive.throttling.kind,
        onset=onset_error(drive, truth),
        slowed=None if slowed is None or not truth.slowed_mbps else slowed / truth.slowed_mbps - 1.0,
        settled=_less(drive.forecast.settled, truth.settled),
        settled_error=drive.forecast.error,
        seconds=seconds,
    )


def drawn_and_judged(kind: str, seed: int) -> Told:
    """Both in one, for a process of its own."""
    return judged(drawn(kind, seed))


def _less(told: float | None, true: float | None) -> float | None:
    return None if told is None or true is None else told - true


def wanted(soaks: int, seed: int) -> list[tuple[str, int]]:
    """So many soaks at least, as many of each kind: (kind, seed)."""
    each = -(-soaks // len(KINDS))
    return [(kind, seed + number) for kind in KINDS for number in range(each)]


def share(told: Iterable[bool]) -> float:
    """The share of those that hold."""
    answers = list(told)
    return sum(answers) / len(answers)


def table(found: Sequence[Told]) -> list[str]:
    """What was told, a line a kind and one for all that slow and all that do not."""
    lines = [f"{'kind':37}{'soaks':>6}{'at all':>8}{'surely':>8}{'falsely':>8}   said"]
    for name, some in groupby(found, lambda one: one.kind):
        lines.append(_line(name, list(some)))
    for name, holds in SUMS.items():
        some_of = [one for one in found if holds(one)]
        if some_of:
            lines.append(_line(name, some_of))
    return lines


def _line(name: str, some: Sequence[Told]) -> str:
    said = Counter(one.word for one in some)
    words = ", ".join(f"{said[word]} {word}" for word in WORDS if said[word])
    shares = [share(getattr(one, what) for one in some) for what in ("at_all", "surely", "falsely")]
    return f"{name:37}{len(some):6}" + "".join(f"{100 * part:7.0f}%" for part in shares) + f"   {words}"


def spread(name: str, errors: Iterable[float | None], unit: str) -> str:
    """Errors in a line: how many there are, the middle one, and the middle and the 90th percentile of their size."""
    known = [error for error in errors if error is not None]
    if len(known) < 2:
        return f"{name}: told of {len(known)}"
    sizes = [abs(error) for error in known]
    return (
        f"{name}: told of {len(known)}; the middle error {median(known):+.2f} {unit}, "
        f"its size {median(sizes):.2f} {unit}, at the 90th percentile {quantiles(sizes, n=10)[-1]:.2f} {unit}"
    )


def summary(found: Sequence[Told]) -> list[str]:
    """Errors and seconds."""
    seconds = [one.seconds for one in found]
    doubts = [abs(one.settled) / one.settled_error for one in found if one.settled is not None and one.settled_error]
    lines = [
        spread("onset as shown, against the truth", (one.onset for one in found), "K"),
        spread("rate while slowed, against the truth", (one.slowed for one in found), "of it"),
        spread("settled temperature, against the truth", (one.settled for one in found), "K"),
    ]
    if doubts:
        lines.append(
            f"  {100 * share(doubt <= 2.0 for doubt in doubts):.0f} % of these within twice the error that it gives"
        )
    return [
        *lines,
        f"analysis: {sum(seconds):.1f} s of a processor in all, {1000 * median(seconds):.0f} ms at the median",
    ]


def main() -> None:
    """Draw, judge and print."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench.heat", description=(__doc__ or "").split("\n", 1)[0])
    asked.add_argument("--soaks", type=int, default=600, help="at least so many, as many of each kind")
    asked.add_argument("--seed", type=int, default=0, help="the first seed")
    asked.add_argument("--jobs", type=int, default=1, help="processes")
    asked.add_argument("--kind", default="", help="only kinds with these words in their names")
    asked.add_argument("--list", action="store_true", help="name each soak that was not told surely")
    given = asked.parse_args()
    soaks = [one for one in wanted(given.soaks, given.seed) if given.kind in one[0]]
    if not soaks:
        asked.error(f"no kind has {given.kind!r} in its name; there are: {', '.join(KINDS)}")
    begin = time.perf_counter()
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            found = list(pool.map(drawn_and_judged, *zip(*soaks, strict=True), chunksize=4))
    else:
        found = [drawn_and_judged(*one) for one in soaks]
    print("\n".join((*table(found), *summary(found))))
    print(f"{len(found)} soaks from seed {given.seed} on, {time.perf_counter() - begin:.0f} s with the drawing")
    if given.list:
        for one in found:
            if not one.surely:
                print(f"  drawn({one.kind!r}, {one.seed}): {one.word}")


if __name__ == "__main__":
    main()
