"""Links and rates that fall below what the build sheet expects, where nothing else is to blame for it already."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.findings import Evidence, Rate, Severity, Verdict
from agent.model.throughput import link_mbps
from agent.rules.rule import Found
from knowledge.phrasing import mbps, quantity

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from agent.model.sheet_lanes import LanesLeft
    from agent.model.sheet_parts import CardMatch, DriveMatch, MatchedSheet

LEAST_LOSS: Final = 0.001  # of a link rate; less is a matter of rounding
LEAST_RATE_LOSS: Final = 0.01  # of what a drive should reach; less is a matter of what the sheet rounds
IN_PLACE: Final = frozenset({"here", "other"})
Short = tuple["DriveMatch", float, float]  # a drive, what it should reach at most, what the sheet expects


def links_below(seen: JudgedMachine, matched: MatchedSheet) -> Iterator[Found]:
    """Links of parts in their places."""
    for match, judged, planned in _links_below(seen, matched):
        now = judged.now
        assert now is not None
        part_can = judged.device_can is not None and _less(judged.device_can, planned)
        source = f"{judged.link.key} link rate now"
        evidence = [Evidence(source, rate_text(now), f"{rate_text(planned)} ({matched.source})")]
        for end, can in (("port", judged.port_can), ("card", judged.device_can)):
            if can is not None and _less(can, planned):
                evidence.append(Evidence(f"{judged.link.key} ability of the {end}", rate_text(can), rate_text(planned)))
        left = _left(seen, matched, judged)
        cause = "; the part itself can do no more" if part_can else ""
        if left is not None and left.by and left.lanes < planned.width and not part_can:
            cause = f"; by the sheet {left.words}"
        yield Found(
            judged.subject,
            f"runs at {rate_text(now)} where the sheet expects {rate_text(planned)}; link of {match.words}{cause}",
            tuple(evidence),
            severity=Severity.LIMIT if part_can or judged.verdict.kind.below_best else None,
            judged=judged,
            gain_mbps=None if part_can else seen.gain_mbps(judged.link.key, planned),
            lanes_shared=now.width < planned.width and not part_can,
            without=() if now.speed < planned.speed and not part_can else ("set-speed",),
        )


def _left(seen: JudgedMachine, matched: MatchedSheet, judged: Judged) -> LanesLeft | None:
    """What the sheet leaves the slot of a link beside what is filled, where it says that slots lose lanes."""
    if seen.expected is None or not seen.expected.lanes:
        return None
    from agent.model.sheet_lanes import lanes_left

    return lanes_left(matched, seen.expected, judged)


def _links_below(seen: JudgedMachine, matched: MatchedSheet) -> Iterator[tuple[CardMatch | DriveMatch, Judged, Rate]]:
    """Parts in their places, each with its link and the rate that the sheet expects, where the link falls below it."""
    for part in matched.parts():
        judged, planned = part.link, part.planned
        if judged is None or planned is None or part.how not in IN_PLACE:
            continue
        left = _left(seen, matched, judged)
        taken = left is not None and judged.now is not None and bool(left.by) and left.lanes == judged.now.width
        if falls_below(judged, planned) or (taken and judged.now is not None and _less(judged.now, planned)):
            yield part, judged, planned


def falls_below(judged: Judged, planned: Rate) -> bool:
    """Whether a link gives less than planned, also when it is at the best that both of its ends can do.

    What it does now says nothing where it is below its best, or where that is not known.
    """
    rate = judged.now
    if judged.mbps is None:
        return False
    if judged.verdict.kind.below_best or judged.verdict is Verdict.UNKNOWN:
        rate = judged.best
    return rate is not None and _less(rate, planned)


def now_text(judged: Judged) -> str:
    """The rate of a link for people."""
    return rate_text(judged.now) if judged.now is not None else "a rate that is not known"


def _less(rate: Rate, planned: Rate) -> bool:
    return link_mbps(rate.speed, rate.width) < link_mbps(planned.speed, planned.width) * (1 - LEAST_LOSS)


def rates_below(seen: JudgedMachine, matched: MatchedSheet) -> Iterator[Found]:
    """Rates of drives in their places, one finding for all that one link holds back."""
    told = {judged.link.key for _, judged, _ in _links_below(seen, matched)}
    told |= {
        other.link.key for other in seen.judged if other.verdict.kind.below_best or other.verdict is Verdict.UNKNOWN
    }
    groups: dict[tuple[str, str], list[Short]] = {}
    for drive in matched.drives:
        if drive.found is None or drive.how not in IN_PLACE or (drive.on is not None and drive.on.how != "here"):
            continue
        if any(link.link.key in told for link in drive.found.chain):
            continue
        name = drive.found.name
        for when, share, planned in (
            ("alone", seen.alone.get(name), drive.drive.alone),
            ("with all drives at once", seen.together.get(name), drive.drive.together),
        ):
            if share is not None and planned is not None and share.high < planned[1] * (1 - LEAST_RATE_LOSS):
                key = share.narrowest or drive.found.chain[0].link.key
                groups.setdefault((when, key), []).append((drive, share.high, planned[1]))
                break  # who falls short alone does so in company
    for (when, key), short in groups.items():
        yield _rate_below(seen, matched, when, key, short)


def _rate_below(seen: JudgedMachine, matched: MatchedSheet, when: str, key: str, short: Sequence[Short]) -> Found:
    judged, hop = seen.by_key[key], seen.hops.get(key)
    evidence = [
        Evidence(
            f"{match.found.name} ({match.words}) {when}",
            f"{mbps(high)} at most",
            f"{planned:,.0f} ({matched.source})",
        )
        for match, high, planned in short
        if match.found is not None
    ]
    crossing = sum(key in flow.hops for flow in seen.flows)
    payload = f", packets of {hop.payload_bytes} bytes" if hop is not None and hop.payload_bytes is not None else ""
    read = f"{now_text(judged)}{payload}, {quantity(crossing, 'drive')} across it"
    evidence.append(Evidence(f"{key} link, which decides", read, f"lanes, packets and drives as in {matched.source}"))
    names = ", ".join(match.found.name for match, _, _ in short if match.found is not None)
    most = max(planned - high for _, high, planned in short)
    headline = f"leaves {names} up to {most:,.0f} MB/s short of the sheet {when}"
    return Found(judged.subject, headline, tuple(evidence), judged=judged)
