"""The analysis of a log of 24 hours of eight drives, 700,000 samples, and what each of its parts takes."""

from __future__ import annotations

import resource
import time
from typing import TYPE_CHECKING, Final

from agent.soak.analysis import analyse
from agent.soak.export import csv_rows
from agent.soak.falls import falls
from agent.soak.phases import phases
from agent.soak.series import blocks, limit_of, load, series, temperatures
from tests.bench.measure import seconds_of, side_by_side
from tests.soaks import Make, Work, soak

if TYPE_CHECKING:
    from probes.samples import Soak

DAY: Final = 86_400.0
GOAL_SECONDS: Final = 3.0


def plans() -> dict[str, tuple[Work, ...]]:
    """What eight drives do all day: long reads, saw-teeth of heat, bursts, caches that fill, rest."""
    ingest = (Work(900), Work(2700, read=2500), Work(600), Work(1800, write=1800)) * 15
    return {
        "steady": (Work(600), Work(DAY - 600, read=2000)),
        "ingest": ingest[: int(DAY // 100)],
        "bursts": (Work(7, read=3000), Work(5, read=300, busy=0.3)) * int(DAY // 12),
        "minutes": (Work(60, read=2800), Work(60)) * int(DAY // 120),
        "rest": (Work(DAY),),
        "writing": (Work(400, write=2000), Work(100)) * int(DAY // 500),
        "mixed": (Work(300, read=900, write=700), Work(240, read=200), Work(60)) * int(DAY // 600),
        "hot": (Work(300), Work(DAY - 300, read=3000)),
    }


def day() -> Soak:
    """The soak."""
    makes = [
        Make(
            name=f"nvme{place}",
            plan=plan,
            kelvin=22.0 if name == "hot" else 14.0,
            slows_at=81.0 if name == "hot" else None,
            cache_bytes=200e9 if name == "writing" else None,
            tau=60.0 + 40.0 * place,
            counts=place % 2 == 0,
            scatter=0.3,
            wavers=0.15,
        )
        for place, (name, plan) in enumerate(plans().items())
    ]
    return soak(*makes)


def main() -> None:
    """Measure and print."""
    made = day()
    count = sum(len(track.seconds) for track in made.tracks)
    of = [series(track, 1.0) for track in made.tracks]
    cells = [blocks(one) for one in of]
    limits = [limit_of(track.head) for track in made.tracks]
    subjects = {
        "the whole analysis": lambda: analyse(made),
        "series": lambda: [series(track, 1.0) for track in made.tracks],
        "blocks": lambda: [blocks(one) for one in of],
        "temperatures": lambda: [temperatures(*three) for three in zip(of, made.tracks, limits, strict=True)],
        "loads": lambda: [load(one) for one in of],
        "falls": lambda: [falls(*three) for three in zip(of, cells, limits, strict=True)],
        "phases": lambda: [phases(*three, ()) for three in zip(of, cells, limits, strict=True)],
    }
    medians = side_by_side({name: seconds_of(subject) for name, subject in subjects.items()}, rounds=5)
    print(f"{count:,} samples of {len(made.tracks)} drives")
    for name, seconds in medians.items():
        print(f"  {name}: {seconds * 1000:.0f} ms")
    before = time.process_time()
    analyse(made)
    print(f"  processor time of the whole analysis: {(time.process_time() - before) * 1000:.0f} ms")
    word = "within" if medians["the whole analysis"] <= GOAL_SECONDS else "ABOVE"
    print(f"  {word} the goal of {GOAL_SECONDS:g} s")
    exported = seconds_of(lambda: sum(map(len, csv_rows(made))))()
    print(f"  as csv rows: {exported:.1f} s")
    print(f"  most memory in use, with the soak: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f} MB")


if __name__ == "__main__":
    main()
