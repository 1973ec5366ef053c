"""The analysis of a soak as JSON: each part into its place in the form. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.report.data import EvidenceData, RateData, StepData
from agent.report.soak_form import (
    CoolingData,
    EndData,
    ErrorBurstData,
    EventData,
    FallData,
    FitData,
    ForecastData,
    LimitData,
    LinkChangeData,
    LoadData,
    LogData,
    LogsData,
    MissingData,
    OtherData,
    PhaseData,
    RatesData,
    SoakData,
    SoakDriveData,
    SpanData,
    TemperaturesData,
    ThrottlingData,
    schema,
)
from knowledge.rates import GTPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.model.findings import Evidence, Rate, Step
    from agent.soak.analysed import (
        Analysis,
        Cooling,
        DriveAnalysis,
        ErrorBurst,
        Fall,
        Forecast,
        LinkChange,
        Load,
        Missing,
        Phase,
        Rates,
        Span,
        Temperatures,
        Throttling,
    )
    from agent.soak.samples import End, Event, Head
    from agent.soak.thermal import Fit

__all__ = ["logs", "schema", "soak"]


def soak(found: Analysis) -> SoakData:
    """The form of a soak's analysis."""
    head = found.head
    return SoakData(
        log=found.source,
        started_at=head.started_at,
        agent=head.agent,
        platform=head.platform,
        machine=head.machine,
        every_seconds=head.every,
        command=head.command,
        end=_end(found.end),
        seconds=_seconds(found.seconds),
        samples=found.samples,
        drives=tuple(map(_drive, found.drives)),
        others=tuple(OtherData(one.name, one.least, one.most, _figure(one.mean)) for one in found.others),
        events=tuple(map(_event, found.events)),
        notes=found.notes,
        unread=tuple(map(_missing, found.missing)),
    )


def logs(found: Sequence[tuple[str, Head, End | None, float]], folder: str) -> LogsData:
    """The form of `soak --list`."""
    return LogsData(
        folder=folder,
        logs=tuple(
            LogData(
                log=path,
                started_at=head.started_at,
                machine=head.machine,
                command=head.command,
                drives=len(head.drives),
                seconds=_seconds(seconds),
                end=_end(end),
            )
            for path, head, end, seconds in found
        ),
    )


# --- Parts -----------------------------------------------------------------------------------------------------


def _seconds(value: float) -> float:
    return round(value, 3)


def _figure(value: float) -> float:
    return round(value, 2)


def _figure_or_none(value: float | None) -> float | None:
    return None if value is None else _figure(value)


def _seconds_or_none(value: float | None) -> float | None:
    return None if value is None else _seconds(value)


def _end(end: End | None) -> EndData | None:
    return None if end is None else EndData(_seconds(end.seconds), end.reason, end.status)


def _event(event: Event) -> EventData:
    return EventData(_seconds(event.seconds), event.kind, event.drive, event.words)


def _rate(link: Rate | tuple[int, int] | None) -> RateData | None:
    """A link rate; null for a generation that there is not."""
    if link is None:
        return None
    speed, width = link if isinstance(link, tuple) else (link.speed, link.width)
    return RateData(GTPS[speed], width) if speed in GTPS else None


def _evidence(evidence: Sequence[Evidence]) -> tuple[EvidenceData, ...]:
    return tuple(EvidenceData(one.source, one.read, one.expected) for one in evidence)


def _step(step: Step) -> StepData:
    return StepData(step.action, step.text, step.cautions, step.gain_mbps, step.verify)


def _span(span: Span) -> SpanData:
    return SpanData(_seconds(span.start), _seconds_or_none(span.end))


def _missing(one: Missing) -> MissingData:
    spans = [_span(span) for span in one.spans]
    if one.to_the_end:
        spans[-1] = SpanData(spans[-1].start, None)
    return MissingData(
        what=one.what,
        name=one.name,
        why=one.why,
        needs_root=one.needs_root,
        weighs=one.weighs,
        spans=tuple(spans),
    )


def _drive(drive: DriveAnalysis) -> SoakDriveData:
    head = drive.head
    return SoakDriveData(
        name=head.name,
        address=head.address,
        model=head.model,
        firmware=head.firmware,
        link_at_start=_rate(head.link),
        expected_mbps=None if head.expected is None else (round(head.expected[0], 1), round(head.expected[1], 1)),
        limit=None if drive.limit is None else LimitData(_figure(drive.limit.celsius), drive.limit.kind),
        samples=drive.samples,
        temperatures=None if drive.temperatures is None else _temperatures(drive.temperatures),
        load=None if drive.load is None else _load(drive.load),
        throttling=_throttling(drive.throttling),
        falls=tuple(map(_fall, drive.falls)),
        link_changes=tuple(map(_change, drive.link_changes)),
        error_bursts=tuple(map(_burst, drive.error_bursts)),
        errors=drive.errors,
        phases=tuple(map(_phase, drive.phases)),
        forecast=_forecast(drive.forecast),
        cooling=_cooling(drive.cooling),
        gaps=tuple(map(_span, drive.gaps)),
        lost=tuple(map(_span, drive.lost)),
        notes=drive.notes,
        unread=tuple(map(_missing, drive.missing)),
    )


def _temperatures(seen: Temperatures) -> TemperaturesData:
    return TemperaturesData(
        least=_figure(seen.least),
        most=_figure(seen.most),
        most_at=_seconds(seen.most_at),
        mean=_figure(seen.mean),
        hottest=_figure_or_none(seen.hottest),
        known_seconds=_seconds(seen.known_seconds),
        above_warning_seconds=_seconds_or_none(seen.above_warning),
        above_critical_seconds=_seconds_or_none(seen.above_critical),
        near_seconds=_seconds_or_none(seen.near),
    )


def _rates(rates: Rates | None) -> RatesData | None:
    if rates is None:
        return None
    return RatesData(
        _figure(rates.median),
        _figure(rates.low_quarter),
        _figure(rates.high_quarter),
        _figure(rates.most),
        _seconds(rates.seconds),
    )


def _load(load: Load) -> LoadData:
    return LoadData(
        read=_rates(load.read),
        write=_rates(load.write),
        either=_rates(load.either),
        read_bytes=round(load.read_bytes),
        written_bytes=round(load.written_bytes),
        seconds=_seconds(load.seconds),
        known_seconds=_seconds(load.known_seconds),
        busy=None if load.busy is None else round(load.busy, 4),
    )


def _throttling(seen: Throttling) -> ThrottlingData:
    return ThrottlingData(seen.kind, seen.words, _evidence(seen.evidence), tuple(map(_span, seen.spans)))


def _fall(fall: Fall) -> FallData:
    return FallData(
        kind=fall.kind,
        start=_seconds(fall.start),
        end=_seconds_or_none(fall.end),
        before_mbps=_figure(fall.before_mbps),
        during_mbps=_figure(fall.during_mbps),
        celsius=_figure_or_none(fall.celsius),
        celsius_then=_figure_or_none(fall.celsius_then),
        written_bytes=round(fall.written_bytes),
        recovered=fall.recovered,
        words=fall.words,
        times=fall.times,
    )


def _change(change: LinkChange) -> LinkChangeData:
    return LinkChangeData(
        seconds=_seconds(change.seconds),
        before=_rate(change.before),
        after=_rate(change.after),
        before_mbps=_figure_or_none(change.before_mbps),
        after_mbps=_figure_or_none(change.after_mbps),
        severity=change.severity.value,
        words=change.words,
    )


def _burst(burst: ErrorBurst) -> ErrorBurstData:
    return ErrorBurstData(
        start=_seconds(burst.start),
        end=_seconds(burst.end),
        count=burst.count,
        before_mbps=_figure_or_none(burst.before_mbps),
        during_mbps=_figure_or_none(burst.during_mbps),
        severity=burst.severity.value,
        words=burst.words,
    )


def _forecast(forecast: Forecast) -> ForecastData:
    after = forecast.after_seconds
    return ForecastData(
        kind=forecast.kind,
        words=forecast.words,
        settled=_figure_or_none(forecast.settled),
        error=_figure_or_none(forecast.error),
        margin=_figure_or_none(forecast.margin),
        after_seconds=None if after is None else (_seconds(after[0]), _seconds(after[1])),
    )


def _phase(phase: Phase) -> PhaseData:
    return PhaseData(
        start=_seconds(phase.start),
        end=_seconds(phase.end),
        loaded=phase.loaded,
        read_mbps=_figure(phase.read_mbps),
        write_mbps=_figure(phase.write_mbps),
        first_celsius=_figure_or_none(phase.first_celsius),
        last_celsius=_figure_or_none(phase.last_celsius),
        fit=None if phase.fit is None else _fit(phase.fit, phase.fit_start),
        forecast=_forecast(phase.forecast),
    )


def _fit(fit: Fit, start: float) -> FitData:
    return FitData(
        from_seconds=_seconds(start),
        start=_figure(fit.start),
        rise=_figure(fit.rise),
        tau=_figure(fit.tau),
        settled=_figure(fit.settled),
        settled_error=_figure(fit.settled_error),
        points=fit.points,
        quality=round(fit.quality, 3),
        seconds=_seconds(fit.seconds),
    )


def _cooling(cooling: Cooling) -> CoolingData:
    return CoolingData(cooling.kind, cooling.words, _evidence(cooling.evidence), tuple(map(_step, cooling.steps)))
