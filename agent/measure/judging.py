"""What was measured beside what was predicted: delivers, or short of the range, and what explains it.

The prediction is the one throughput model's, over the links as they were under load. Measures nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.measure.choosing import LEAST_BLOCK, LEAST_DEPTH
from agent.measure.measured import Delivery, Measurement, Shared
from agent.measure.targets import CACHED_FILE, FILE, LIMITS
from agent.measure.timing import spread_of
from agent.model import throughput
from agent.model.abilities import rate_text
from agent.model.drive_rates import paths_of_drives
from agent.model.findings import Rate, Severity, Verdict
from agent.model.grouping import grouped
from agent.model.stripes import stripe_sets
from agent.rules import RULES
from knowledge import pcie
from knowledge.phrasing import celsius_text, mbps
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.measure.measured import Measured, MeasureRequest, Spread, Target
    from agent.model.findings import Finding
    from agent.model.throughput import Flow, Hop

# What may fail to be looked up of a target without any prediction resting on it.
BESIDE: Final = frozenset({*LIMITS, CACHED_FILE})
NOTABLE_OTHERS: Final = 0.02  # of what was expected; less load of others explains nothing
CACHED: Final = 1.05  # a rate this far above the most that a link can carry did not come over it as it was read
OWN_LIMIT: Final = "nothing that was read explains it; the drive itself may be slower than its link"
TOO_LITTLE: Final = "too little was read for a verdict; give --for more time"
RISING: Final = "the rate may still rise with more requests in flight; give --for more time, or set --block and --depth"
HIGHER: Final = (
    "this is more than its links could carry when they were read: they sped up under load, or a cache helped"
)


def judge(
    found: Audit,
    measured: Sequence[Measured],
    asked: MeasureRequest,
    sums: Sequence[float],
    *,
    interrupted: bool = False,
) -> Measurement:
    """All that was measured, each beside its prediction; `sums` are the rates of the sum of what was read at once."""
    model = _Model(found, measured)
    loaded = [measurement for measurement in measured if measurement.requests]
    apart = _predictions(model, loaded, together=asked.together)
    deliveries = tuple(
        _delivery(measurement, asked, model, apart.get(measurement.target.name)) for measurement in measured
    )
    total = spread_of(sums)
    whole = None
    shared: tuple[Shared, ...] = ()
    if asked.together and len(loaded) > 1:
        shared = tuple(model.shared(loaded))
        whole = _of_the_sum(loaded, asked, model, apart, total, shared)
    return Measurement(
        asked=asked,
        measured=tuple(measured),
        deliveries=deliveries,
        total=total,
        sum_delivery=whole,
        shared=shared,
        interrupted=interrupted,
    )


Prediction = tuple[tuple[float, float], str | None]


class _Model:
    """The paths of drives for the throughput model, with the rates that their links had under load."""

    def __init__(self, found: Audit, measured: Sequence[Measured]) -> None:
        self.found = found
        flows, hops = paths_of_drives(found.machine, found.by_key, {})
        loaded = {
            key: rate
            for measurement in measured
            for key, rate in measurement.links.items()
            if not isinstance(rate, Unread)
        }
        self.changed = {
            key: (hop, loaded[key])
            for key, hop in hops.items()
            if key in loaded and all(loaded[key]) and loaded[key] != (hop.speed, hop.width)
        }
        self.hops: dict[str, Hop] = {
            key: replace(hop, speed=loaded[key][0], width=loaded[key][1]) if key in self.changed else hop
            for key, hop in hops.items()
        }
        self.flows: dict[str, Flow] = {flow.name: flow for flow in flows}
        self.unread = {measurement.target.name: tuple(self._unread(measurement.target)) for measurement in measured}
        self.sets = {stripe_set.stripe.name: stripe_set for stripe_set in stripe_sets(found.machine, flows, self.hops)}

    def _unread(self, target: Target) -> Iterator[Unread]:
        """What could not be read and would be needed to predict what a target reaches."""
        if target.what != "file":
            yield from (unread for unread in target.unread if unread.what not in BESIDE)
        drive = next((seen.drive for seen in self.found.drives if seen.drive.name == target.drive), None)
        if drive is not None and isinstance(drive.address, Unread):
            yield Unread(f"the PCI function of {drive.name}", drive.address.why, drive.address.needs_root)
        for key in target.hops:
            judged = self.found.by_key.get(key)
            if judged is not None and judged.now is None and judged.verdict is Verdict.UNKNOWN:
                yield Unread(f"the link {key}", judged.why, judged.needs_root)

    def cut(self, target: Target) -> tuple[Unread, ...]:
        """Where the way of a target to the processor could not be followed, so that links on it may not be known."""
        links = (self.found.by_key[key].link for key in target.hops if key in self.found.by_key)
        ends = (end for link in links for end in link.ends)
        above = ((end.address, upper) for end in ends for upper in (end.parent, end.physical_function))
        lost = (
            Unread(f"what {at} is connected to", rate.why, rate.needs_root)
            for at, rate in above
            if isinstance(rate, Unread)
        )
        return tuple(dict.fromkeys(lost))

    def flow(self, target: Target) -> Flow | None:
        """The drive of a target as a flow, None for what is no drive with rated links."""
        return self.flows.get(target.drive) if target.what in {"drive", "partition"} and target.drive else None

    def alone(self, target: Target) -> Prediction | None:
        """What a target should reach by itself, and the hop that decides it."""
        if target.what == "set":
            one = self.sets.get(target.whole or "")
            return None if one is None or one.alone is None else (one.alone, one.narrowest_alone)
        flow = self.flow(target)
        if flow is None:
            return None
        share = throughput.alone(flow, self.hops)
        return share.span, share.narrowest

    def shared(self, loaded: Sequence[Measured]) -> Iterator[Shared]:
        """The hops that several targets cross."""
        flows = ((measured, self.flow(measured.target)) for measured in loaded)
        crossing = grouped((key, measured) for measured, flow in flows if flow is not None for key in flow.hops)
        for key, here in crossing.items():
            rates = [measured.spread.median for measured in here if measured.spread is not None]
            known = not any(isinstance(measured.links.get(key), Unread) for measured in here)
            if len(here) > 1 and len(rates) == len(here) and known:
                hop = self.hops[key]
                expected = throughput.expected_mbps(hop.speed, hop.width, hop.payload_bytes)
                yield Shared(key, tuple(measured.target.name for measured in here), sum(rates), expected)


def _predictions(model: _Model, loaded: Sequence[Measured], *, together: bool) -> dict[str, Prediction]:
    """What each should reach, by the target's name: by itself, or at once with the others that were measured."""
    alone = {measured.target.name: model.alone(measured.target) for measured in loaded}
    known = {name: prediction for name, prediction in alone.items() if prediction is not None}
    flows = {measured.target.name: model.flow(measured.target) for measured in loaded}
    drives = {name: flow for name, flow in flows.items() if flow is not None}
    if not together or len(loaded) == 1:
        return known
    if len(drives) < len(loaded) or len({flow.name for flow in drives.values()}) < len(drives):
        return {}  # with a set, a file or two parts of one drive among them, the model cannot share out
    shares = throughput.together(list(drives.values()), model.hops)
    return {
        name: ((shares[flow.name].low, shares[flow.name].high), shares[flow.name].narrowest)
        for name, flow in drives.items()
    }


# --- One target ------------------------------------------------------------------------------------------------


def _delivery(measured: Measured, asked: MeasureRequest, model: _Model, prediction: Prediction | None) -> Delivery:
    why, unread = _no_verdict(measured, asked, model, prediction)
    if why or prediction is None or measured.spread is None:
        return Delivery(verdict="none", expected=None if prediction is None else prediction[0], why=why, unread=unread)
    (low, high), narrowest = prediction
    median = measured.spread.median
    held = list(_findings(measured.target, model.found, narrowest))
    rules = tuple(dict.fromkeys(finding.rule for finding in held))
    said = [f"{finding.subject}: {finding.headline} ({finding.rule})" for finding in held]
    if median >= low:
        bounds = _bounds(measured.target, model)
        links = [finding for finding in held if RULES[finding.rule].measured == "lowers"]
        reasons = [f"the link holds it back: {link.subject}: {link.headline} ({link.rule})" for link in links]
        if median > high * CACHED:
            reasons.append(HIGHER)
        return Delivery(
            verdict="delivers",
            expected=(low, high),
            narrowest=narrowest,
            reasons=(*_changed(measured, model), *reasons, *bounds),
            rules=tuple(dict.fromkeys(finding.rule for finding in links)),
        )
    reasons = [*_heat(measured), *_others(measured, model, low), *(f"finding: {words}" for words in said)]
    reasons += _changed(measured, model)
    reasons += _bounds(measured.target, model)
    reasons += [f"{phrase([lost])}, so whether it ran as before is not known" for lost in measured.unlinked]
    return Delivery(
        verdict="short",
        expected=(low, high),
        short_percent=lack(median, low),
        narrowest=narrowest,
        reasons=tuple(reasons) or (OWN_LIMIT,),
        rules=rules,
    )


_HOLD: Final = frozenset({Severity.FAULT, Severity.LIMIT, Severity.NOTE})


def lack(rate: float, low: float) -> int:
    """How much a rate lacks to the low end of a range, in percent of that end; at least 1."""
    return max(1, round((low - rate) / low * 100))


def phrase(unread: Sequence[Unread]) -> str:
    """What could not be read, with the reasons, as a part of a sentence."""
    return ", and ".join(f"{silence.what} could not be read ({silence.why})" for silence in unread)


def _no_verdict(
    measured: Measured, asked: MeasureRequest, model: _Model, prediction: Prediction | None
) -> tuple[str, tuple[Unread, ...]]:
    """Why a rate is not held against a prediction, "" where it is; and what could not be read, if that is why."""
    if not measured.requests:
        return measured.words, ()
    if prediction is None:
        return _unpredicted(measured.target, model)
    untold, cut = _untold(measured, asked), model.cut(measured.target)
    if not untold and _may_rise(measured, prediction):
        return RISING, ()
    if cut and not untold:
        return f"{phrase(cut)}, so the links on its way are not all known", cut
    if untold or measured.spread is None or measured.spread.median < prediction[0][0] or not measured.unlinked:
        return untold, ()
    # What is short of the range of slower links is short of it at any rate; what reaches it may fall short of another.
    return f"{phrase(measured.unlinked)}, so whether the range is that of its links is not known", measured.unlinked


def _may_rise(measured: Measured, prediction: Prediction) -> bool:
    """Whether a rate that is short of its range was read with a size and depth that may not be enough."""
    chosen, spread = measured.chosen, measured.spread
    return chosen is not None and not chosen.settled and spread is not None and spread.median < prediction[0][0]


def _untold(measured: Measured, asked: MeasureRequest) -> str:
    """Why what was asked for, or what came of it, tells nothing of links; "" where it does."""
    if asked.pattern == "random" or (asked.block is not None and asked.block < LEAST_BLOCK):
        return "small or random reads show the drive, not its link; the range is for large reads in sequence"
    if asked.depth is not None and asked.depth < LEAST_DEPTH:
        return f"fewer than {LEAST_DEPTH} requests in flight may not fill the link"
    return TOO_LITTLE if measured.spread is None else ""


def _unpredicted(target: Target, model: _Model) -> tuple[str, tuple[Unread, ...]]:
    """Why nothing is predicted for a target, and what could not be read, if that is why."""
    if target.what == "file":
        return FILE, ()
    unread = model.unread[target.name]
    own = _own(target, model)
    if own:
        return own, unread if target.what == "set" else ()
    if unread:
        return f"no range, as {phrase(unread)}", unread
    others = tuple(dict.fromkeys(lost for each in model.unread.values() for lost in each))
    if model.alone(target) is None:
        return "no range: its path has no PCI Express link, or one whose rate is unknown", ()
    if others:
        return f"no range for all of them at once, as {phrase(others)}", others
    return "no range for these at once: a set, a file or two parts of one drive are among them", ()


def _own(target: Target, model: _Model) -> str:
    """Why nothing is predicted for what a target is; "" where that is no reason, or may not be one."""
    seen = model.sets.get(target.whole or "")
    if target.what == "set" and seen is not None and seen.why:
        return f"no range for the set: {seen.why}"
    drive = next((seen.drive for seen in model.found.drives if seen.drive.name == target.drive), None)
    if target.what != "set" and drive is None and not model.unread[target.name]:
        return "no range: no PCI Express link is known that it is behind"
    if drive is not None and drive.kind != "nvme":
        return "its own interface decides its rate, not the PCI Express link"
    return ""


# --- Reasons ---------------------------------------------------------------------------------------------------


def _heat(measured: Measured) -> Iterator[str]:
    """Heat as a reason: the drive came to its warning limit, or close enough that the run was stopped."""
    limit = measured.target.warning_celsius
    lost = measured.celsius_lost
    if lost is not None and (measured.celsius is None or limit is None or measured.celsius[1] < limit):
        yield f"its temperature could not be read ({lost.why}); heat may have slowed it"
    if measured.celsius is None or limit is None:
        return
    if measured.celsius[1] >= limit:
        highest = celsius_text(measured.celsius[1])
        yield f"it reached {highest}; at its warning limit of {celsius_text(limit)} a drive slows itself down"
    elif measured.ended == "hot":
        yield f"it came close to its warning limit of {celsius_text(limit)}"


def _others(measured: Measured, model: _Model, low: float) -> Iterator[str]:
    """Load of others on the same drive, or on drives that share one of its links, which nobody asked to measure."""
    whole = measured.target.whole
    mine = set(measured.target.hops)
    if measured.others_lost is not None:
        yield f"what others read and wrote meanwhile could not be read ({measured.others_lost.why})"
    for seen in model.found.drives:
        for block in readable(seen.drive.blocks) or ():
            rates = measured.others_mbps.get(block.name)
            same = block.name == whole
            if rates is None or not (same or mine.intersection(seen.path)):
                continue
            where = "the drive itself" if same else f"{block.name}, which shares a link"
            if isinstance(rates, Unread):
                yield f"what others read and wrote on {where} meanwhile could not be read ({rates.why})"
            elif sum(rates) >= low * NOTABLE_OTHERS:
                words = f"{mbps(rates[0])} read and {mbps(rates[1])} written by others"
                yield f"{words} on {where} meanwhile"


def _findings(target: Target, found: Audit, narrowest: str | None) -> Iterator[Finding]:
    """What the audit found on the drive and on its way, what concerns the narrowest hop first."""
    subjects: dict[str, bool] = {}
    for key in target.hops:
        judged = found.by_key.get(key)
        if judged is None:
            continue
        names = {judged.port_address, judged.device_address, *(function.address for function in judged.link.functions)}
        if judged.link.slot is not None:
            names.add(judged.link.slot.name)
        for name in names - {None}:
            subjects[str(name)] = key == narrowest
    if target.drive is not None:
        subjects.setdefault(target.drive, False)
    mine = [
        finding
        for finding in found.findings
        if finding.subject in subjects
        and finding.severity in _HOLD
        and RULES[finding.rule].measured != "explains nothing"
    ]
    yield from sorted(mine, key=lambda finding: (not subjects[finding.subject], finding.severity.rank))


def _changed(measured: Measured, model: _Model) -> list[str]:
    """Links that ran at another rate under load than before."""
    words = []
    for key in measured.target.hops:
        if key in model.changed:
            hop, (speed, width) = model.changed[key]
            before, now = rate_text(Rate(hop.speed, hop.width)), rate_text(Rate(speed, width))
            words.append(f"the link {key} ran at {now} under load, and at {before} before; the range is for {now}")
    return words


def _bounds(target: Target, model: _Model) -> list[str]:
    """Why the upper end of the range is but a bound, where a payload size on the way could not be read."""
    flow = model.flow(target)
    if flow is None or all(model.hops[key].payload_bytes is not None for key in flow.hops):
        return []
    ends = (end for key in flow.hops if key in model.found.by_key for end in model.found.by_key[key].link.ends)
    sizes = ((end.address, end.registers.read(pcie.DEVICE_CONTROL, "max_payload_size")) for end in ends)
    lost = [f"that of {address} could not be read ({size.why})" for address, size in sizes if isinstance(size, Unread)]
    return [f"the upper end of the range is that of the largest payload size, as {lost[0]}"] if lost else []


# --- The sum ---------------------------------------------------------------------------------------------------


def _of_the_sum(
    loaded: Sequence[Measured],
    asked: MeasureRequest,
    model: _Model,
    apart: dict[str, Prediction],
    total: Spread | None,
    shared: Sequence[Shared],
) -> Delivery:
    """The sum of what was read at once, beside the sum of the shares that the model gives each."""
    each = [_no_verdict(measured, asked, model, apart.get(measured.target.name)) for measured in loaded]
    why = next((words for words, _ in each if words), "")
    if why or total is None:
        unread = tuple(dict.fromkeys(lost for _, all_lost in each for lost in all_lost))
        return Delivery(verdict="none", why=why or TOO_LITTLE, unread=unread)
    low = sum(apart[measured.target.name][0][0] for measured in loaded)
    high = sum(apart[measured.target.name][0][1] for measured in loaded)
    deciding = {apart[measured.target.name][1] for measured in loaded}
    narrowest = next((hop.key for hop in shared if hop.key in deciding), None)
    if total.median >= low:
        return Delivery(verdict="delivers", expected=(low, high), narrowest=narrowest)
    return Delivery(
        verdict="short",
        expected=(low, high),
        short_percent=lack(total.median, low),
        narrowest=narrowest,
        reasons=("the reasons stand with each drive",),
    )
