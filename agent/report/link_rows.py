"""The links of a machine as a table for terminals, worst first, with the drives behind them; the free slots below.

Rates are by their generation here, to be compared at a glance; everywhere else they are said in GT/s too.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from agent.model.findings import Verdict
from agent.model.serving import not_serving
from agent.report import drive_words, words
from agent.report.link_names import address_of, in_one_segment, names, short_place
from agent.report.paper import QUIET, STYLES, Page
from agent.report.plain import place
from agent.report.sections import in_short
from knowledge.phrasing import celsius_text, plain, quantity
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.findings import Rate
    from agent.model.judged import Judged

HEAD: Final = ("", "slot", "card", "runs at", "could", "with", "MB/s", "all at\nonce", "temp")
FIGURES: Final = frozenset({6, 7, 8})
MOST_PORTS: Final = 8  # that are named in one line


def add(page: Page, audit: Audit, *, full: bool = False, most: int | None = None) -> None:
    """The table; `full` has addresses and rates in GT/s as well, `most` is how many rows there may be."""
    if not audit.links:
        if not full:
            in_short(page, audit)
        return
    page.heading("Links, worst first" if full else "Links, worst first (MB/s: the most a drive reads)")
    fitted = [judged for judged in words.ranked(audit) if words.is_fitted(judged)]
    shown = fitted if most is None or full else fitted[:most]
    places, drives = names(audit), {seen.drive.address: seen for seen in audit.drives}
    short = in_one_segment(audit)
    styles = [STYLES[judged.verdict.severity] for judged in shown]

    def rows(*, models: bool) -> list[tuple[str, ...]]:
        by_address = drives.get
        return [
            _row(judged, audit, places, by_address(judged.device_address or "-"), full=full, models=models, short=short)
            for judged in shown
        ]

    before = len(page.lines)
    page.table(HEAD, rows(models=True), styles, right=FIGURES)
    if not full and len(page.lines) - before > len(shown) + 1:  # a row wraps: what a drive is stands elsewhere too
        del page.lines[before:]
        page.table(HEAD, rows(models=False), styles, right=FIGURES)
    rest = Counter(judged.verdict.value for judged in fitted[len(shown) :])
    if rest:
        told = ", ".join(f"{count} {verdict}" for verdict, count in rest.items())
        page.add(f"and {told}: --full shows all", indent=2, style=QUIET)
    for line in (*_vacant(audit, full=full), *words.asides(audit)):
        page.add(line, indent=2, hang=4)
    if not full:
        in_short(page, audit)


def _row(
    judged: Judged,
    audit: Audit,
    places: Mapping[str, str],
    seen: DriveSeen | None,
    *,
    full: bool,
    models: bool,
    short: bool,
) -> tuple[str, ...]:
    could = words.could(judged)
    now = words.rate_now(judged)
    if judged.now is not None and judged.verdict is not Verdict.VIRTUAL:
        now = by_generation(judged.now)
    alone, together, warm = _of_drive(seen)
    return (
        judged.verdict.value,
        places[judged.link.key],
        address_of(judged.device_address or "", short=short) if full else "",
        now,
        by_generation(could) if could is not None else "",
        plain(seen.drive.name) if seen and not models else words.leads_to(judged, audit).replace(", ", " ", 1),
        alone,
        together if full else "",
        warm,
    )


def by_generation(rate: Rate) -> str:
    """A rate by its generation: "Gen 3 x4"."""
    return f"Gen {rate.speed} x{rate.width}"


def _of_drive(seen: DriveSeen | None) -> tuple[str, str, str]:
    """The most that a drive reads alone, and with all others where that is less, and how warm it is."""
    if seen is None:
        return "", "", ""
    warm = celsius_text(seen.celsius) if isinstance(seen.celsius, float | int) else ""
    warm = "not read" if seen.celsius_lost is not None or isinstance(seen.celsius, Unread) else warm
    if not_serving(seen.drive):
        return "not serving", "", warm
    if seen.alone is None or seen.together is None or drive_words.without_rates(seen):
        return "not known", "", warm
    alone, together = (f"{high:,.0f}" for _, high in (seen.alone, seen.together))
    return alone, "" if together == alone else together, warm


def _vacant(audit: Audit, *, full: bool) -> Iterator[str]:
    """Ports below which nothing answers: what free slots offer, and what there is to say of the others."""
    free = [judged for judged in words.ranked(audit) if judged.verdict is Verdict.EMPTY]
    slots: dict[str, list[Judged]] = {}
    for judged in free:
        if judged.link.slot is not None or judged.link.on_card:
            slots.setdefault(short_place(judged), []).append(judged)
    places = names(audit)
    told = [
        _free(name if len(alike) > 1 else places.get(alike[0].link.key, name), alike)
        for name, alike in [*slots.items()][: None if full else MOST_PORTS]
    ]
    if len(slots) > len(told):
        told.append(f"{len(slots) - len(told)} more slots")
    bare = [judged for judged in free if judged.link.slot is None and not judged.link.on_card]
    if bare:
        listed = f" ({', '.join(place(judged.link) for judged in bare)})" if full else ""
        told.append(f"{quantity(len(bare), 'port')} without a slot{listed}")
    if told:
        yield f"free: {'; '.join(told)}"
    for verdict, alike in words.without(audit, None if full else MOST_PORTS):
        if verdict is not Verdict.EMPTY:
            yield f"{verdict.value}: {alike}"


def _free(name: str, alike: Sequence[Judged]) -> str:
    """A free slot, or the free parts of a split one, with what it offers."""
    told = ", ".join(filter(None, (f"{len(alike)} of its parts" if len(alike) > 1 else "", words.offers(alike[0]))))
    return f"{name} ({told})" if told else name
