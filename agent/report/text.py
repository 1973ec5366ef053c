"""The form for terminals: plain words, worst first, one line a healthy link. Every colour is doubled by a word.

Fits 80 columns and grows with the terminal. All device text passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.text import Text

from agent.findings import Severity, Verdict
from agent.report.plain import describe, describe_link, mbps, mbps_range, place, plain, size, told
from agent.verdicts import rate_text
from knowledge.rates import describe as describe_speed
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit, DriveSeen
    from agent.findings import Finding, Step
    from agent.verdicts import Judged

STYLES: Final = {
    Severity.FAULT: "bold red",
    Severity.LIMIT: "yellow",
    Severity.NOTE: "cyan",
    Severity.UNKNOWN: "magenta",
    Severity.OK: "green",
}
HEADING: Final = "bold"
QUIET: Final = "dim"
INDENT: Final = 7


class Page:
    """Lines that are being put together for one width (columns)."""

    def __init__(self, width: int) -> None:
        """`width` is the widest a line may be."""
        self.width = max(width, 40)
        self.lines: list[Text] = []
        self._measure = Console(width=self.width, file=io.StringIO())

    def add(self, text: str | Text = "", *, indent: int = 0, hang: int | None = None, style: str = "") -> None:
        """A paragraph; its first line is indented by `indent`, the others by `hang` (default: the same)."""
        hang = indent if hang is None else hang
        whole = text if isinstance(text, Text) else Text(text, style)
        if not whole.plain:
            self.lines.append(Text(""))
            return
        for number, line in enumerate(whole.wrap(self._measure, self.width - max(indent, hang), tab_size=1)):
            line.rstrip()
            self.lines.append(Text(" " * (hang if number else indent)) + line)

    def heading(self, text: str) -> None:
        """A heading, with an empty line above it."""
        if self.lines:
            self.lines.append(Text(""))
        self.lines.append(Text(text, HEADING))

    def columns(self, rows: Sequence[Sequence[str]], styles: Sequence[str] = (), indent: int = 2) -> None:
        """Rows under each other; the last cell takes what is left of the width and is continued below itself."""
        if not rows:
            return
        last = len(rows[0]) - 1
        widths = [max(Text(row[column]).cell_len for row in rows) for column in range(last)]
        offset = indent + sum(widths) + 2 * last
        if self.width - offset < 16:  # noqa: PLR2004 - too little for words: put the last cell on a line of its own
            offset = indent + 4
        for number, row in enumerate(rows):
            head = Text(" " * indent)
            for column in range(last):
                cell = Text(row[column], styles[number] if styles and column == 0 else "")
                head.append_text(cell).append(" " * (widths[column] - cell.cell_len + 2))
            parts = Text(row[last]).wrap(self._measure, self.width - offset, tab_size=1) if row[last] else [Text("")]
            if offset < head.cell_len:
                head.rstrip()
                self.lines.append(head)
                self.lines.extend(Text(" " * offset) + part for part in parts)
                continue
            parts[0].rstrip()
            head.append_text(parts[0])
            head.rstrip()
            self.lines.append(head)
            for part in parts[1:]:
                part.rstrip()
                self.lines.append(Text(" " * offset) + part)


def show(page: Page, console: Console) -> None:
    """Print a page as it is: no second wrapping, no markup, no links."""
    console.print(Text("\n").join(page.lines), soft_wrap=True, markup=False, highlight=False, emoji=False)


def check(audit: Audit, width: int, source: str) -> Page:
    """The page of `check`; `source` says where the readings come from ("this machine", a capture's name)."""
    page = Page(width)
    _head(page, audit, source)
    page.add(_summary(audit))
    findings = [finding for finding in audit.findings if finding.severity is not Severity.OK and finding.rule != "needs-root"]
    for group in _by_subject(findings):
        _findings(page, group, audit)
    _links(page, audit)
    _drives(page, audit)
    if not audit.links:
        _functions(page, audit, "What was seen")
    _firmware(page, audit)
    _unread(page, audit)
    return page


def inventory(audit: Audit, width: int, source: str) -> Page:
    """The page of `inventory`."""
    page = Page(width)
    _head(page, audit, source)
    _machine(page, audit)
    _slots(page, audit)
    _drives(page, audit, rates=False)
    _functions(page, audit, "All functions")
    _unread(page, audit)
    return page


# --- Head and summary ------------------------------------------------------------------------------------------


def _head(page: Page, audit: Audit, source: str) -> None:
    host = audit.facts.host
    product = " ".join(told(part, "") for part in (host.maker, host.product) if part)
    name = told(host.name, "this machine")
    title = Text(name, HEADING)
    if product:
        title.append(f" ({product})", "")
    page.add(title)
    when = f", read {plain(audit.facts.taken_at)}" if audit.facts.taken_at else ""
    page.add(f"{plain(source)}{when}", style=QUIET)
    page.add()


def _summary(audit: Audit) -> Text:
    """The first sentence: what there is to do."""
    judged = [one for one in audit.links if one.link.device is not None]
    if not judged:
        seen = len(audit.facts.functions)
        where = " It runs under a hypervisor, which hides them." if audit.facts.host.virtual is True else ""
        count = "no PCI function was seen either" if not seen else f"{seen} PCI functions were seen, listed below"
        return Text(f"No PCI Express link with a card is visible on this machine; {count}.{where}")
    counts: dict[Severity, int] = {}
    for finding in audit.findings:
        if finding.severity is not Severity.OK and finding.rule != "needs-root":
            counts[finding.severity] = counts.get(finding.severity, 0) + 1
    total = f"{len(judged)} link{_s(len(judged))}, {len(audit.drives)} drive{_s(len(audit.drives))}"
    if not counts:
        full = sum(one.verdict is Verdict.FULL for one in judged)
        if full == len(judged):
            return Text(f"Nothing to do: every link runs at the best its card can do ({total}).", STYLES[Severity.OK])
        return Text(f"Nothing to do ({total}).", STYLES[Severity.OK])
    words = {
        Severity.FAULT: ("fault", "faults", "to act on"),
        Severity.LIMIT: ("limit", "limits", "that could be better"),
        Severity.NOTE: ("note", "notes", "worth knowing"),
        Severity.UNKNOWN: ("open question", "open questions", "that could not be told"),
    }
    text = Text()
    for severity in Severity:
        if severity in counts:
            one, many, rest = words[severity]
            text.append(", " if text.plain else "")
            text.append(f"{counts[severity]} {one if counts[severity] == 1 else many} {rest}", STYLES[severity])
    return text.append(f"; {total}.")


def _s(count: int) -> str:
    return "" if count == 1 else "s"


# --- Findings --------------------------------------------------------------------------------------------------


def _by_subject(findings: Sequence[Finding]) -> list[list[Finding]]:
    """Findings of one subject together, in the order of the worst of each."""
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.subject, []).append(finding)
    return list(groups.values())


def _findings(page: Page, group: Sequence[Finding], audit: Audit) -> None:
    page.add()
    for finding in group:
        word = finding.severity.value.upper()
        line = Text(f"{word:<{INDENT}} ", STYLES[finding.severity])
        line.append(f"{_subject(finding.subject, audit)} ", HEADING)
        line.append(plain(finding.headline, 400))
        page.add(line, hang=INDENT + 1)
        for one in finding.evidence:
            reading = f"{plain(one.source)}: {plain(one.read)}; expected {plain(one.expected)}"
            page.add(reading, indent=INDENT + 1, hang=INDENT + 3, style=QUIET)
    steps = list({step.text: step for finding in group for step in finding.steps}.values())
    if steps:
        page.add("What to do, least invasive first:", indent=INDENT + 1)
    _steps(page, steps)


def _subject(subject: str, audit: Audit) -> str:
    """A subject for people: its slot or name, then its address."""
    for judged in audit.links:
        if subject in {judged.device_address, judged.port_address} and subject:
            what = describe_link(judged.link, audit)
            where = place(judged.link)
            named = f"{where}, {plain(subject)}" if where != subject else plain(subject)
            return f"{named}, {what}:" if judged.link.device is not None else f"{named}:"
    for drive in audit.facts.drives:
        if drive.name == subject:
            return f"{plain(subject)}, {told(drive.model, 'drive')}:"
    return f"{plain(subject)}:"


def _steps(page: Page, steps: Sequence[Step]) -> None:
    """Numbered steps; cautions stand before the first step they belong to, and again where others join."""
    number = 0
    for cautions, together in _runs(steps):
        if cautions:
            last = number + len(together)
            which = f"step {number + 1}" if len(together) == 1 else f"steps {number + 1} to {last}"
            page.add(f"Before {which}:", indent=INDENT + 1, style="bold")
            for caution in cautions:
                page.add(f"! {caution}", indent=INDENT + 3, hang=INDENT + 5)
        for step in together:
            number += 1
            brings = f" Should bring up to {mbps(step.gain_mbps)} more." if step.gain_mbps else ""
            page.add(f"{number}. {plain(step.text, 600)}{brings}", indent=INDENT + 1, hang=INDENT + 4)
            page.add(f"Then: {plain(step.verify, 400)}", indent=INDENT + 4, style=QUIET)


def _runs(steps: Sequence[Step]) -> list[tuple[tuple[str, ...], list[Step]]]:
    """Neighbouring steps under one list of cautions: all that any of them needs."""
    runs: list[tuple[tuple[str, ...], list[Step]]] = []
    for step in steps:
        if runs and bool(runs[-1][0]) == bool(step.cautions) and set(runs[-1][0]) & set(step.cautions or ("",)):
            merged = tuple(dict.fromkeys((*runs[-1][0], *step.cautions)))
            runs[-1] = (merged, [*runs[-1][1], step])
        elif runs and not runs[-1][0] and not step.cautions:
            runs[-1][1].append(step)
        else:
            runs.append((step.cautions, [step]))
    return runs


# --- Links and drives ------------------------------------------------------------------------------------------


def _links(page: Page, audit: Audit) -> None:
    if not audit.links:
        return
    page.heading("Links, worst first")
    ranked = sorted(audit.links, key=lambda one: (one.verdict.severity.rank, list(Verdict).index(one.verdict)))
    fitted = [one for one in ranked if one.link.device is not None or one.verdict is Verdict.DARK]
    rows = [(one.verdict.value, place(one.link), _rates(one), _leads_to(one, audit)) for one in fitted]
    page.columns(rows, [STYLES[one.verdict.severity] for one in fitted])
    for verdict, words in ((Verdict.UNKNOWN, "nothing answers, presence not known"), (Verdict.EMPTY, "nothing fitted")):
        alike = [one for one in ranked if one.verdict is verdict and one.link.device is None]
        if alike:
            names = ", ".join(place(one.link) for one in alike)
            page.columns([(verdict.value, f"{len(alike)} port{_s(len(alike))}: {words}: {names}")], [STYLES[verdict.severity]])


def _rates(judged: Judged) -> str:
    """The rate now, and what it could be where that is more."""
    if judged.verdict is Verdict.VIRTUAL:
        return "not wires"
    if judged.now is None:
        return "no link" if judged.verdict is Verdict.DARK else "not known"
    now = rate_text(judged.now)
    could = judged.device_can if judged.verdict is Verdict.SLOT_LIMITED else judged.best
    if could is None or could == judged.now:
        return now
    if could.speed == judged.now.speed:
        return f"{now} of x{could.width}"
    if could.width == judged.now.width:
        return f"{now} of {describe_speed(could.speed)}"
    return f"{now} of {rate_text(could)}"


def _leads_to(judged: Judged, audit: Audit) -> str:
    what = describe_link(judged.link, audit) if judged.link.device is not None else "card detected, no link"
    ends = " to ".join(address for address in (judged.port_address, judged.device_address) if address is not None)
    return f"{what}, {ends}" if place(judged.link) != ends else what


def _drives(page: Page, audit: Audit, *, rates: bool = True) -> None:
    if not audit.drives:
        return
    page.heading("Drives, and what each should reach when read" if rates else "Drives")
    for seen in audit.drives:
        drive = seen.drive
        words = [told(drive.model, "model not known"), size(drive)]
        if not rates:
            words.append(f"firmware {told(drive.firmware)}")
            words.append(f"serial {told(drive.serial)}")
        words.append(_temperature(seen))
        line = Text(f"  {plain(drive.name)}", HEADING).append("  " + ", ".join(word for word in words if word), "")
        page.add(line, hang=4)
        if rates:
            page.add(_expected(seen), indent=4, hang=6)
        page.add(_path(seen, audit), indent=4, hang=6, style=QUIET)


def _temperature(seen: DriveSeen) -> str:
    if isinstance(seen.celsius, Unread):
        return f"temperature not known ({plain(seen.celsius.why)})"
    if seen.celsius is None:
        return "no temperature offered"
    if seen.warning_celsius is not None:
        return f"{seen.celsius:.1f} C (warning at {seen.warning_celsius:.1f} C)"
    if seen.critical_celsius is not None:
        return f"{seen.celsius:.1f} C (critical at {seen.critical_celsius:.1f} C)"
    return f"{seen.celsius:.1f} C (no limit told)"


def _expected(seen: DriveSeen) -> str:
    if seen.alone is None or seen.together is None:
        return "no rate can be told: its path has no link, or one whose rate is not known"
    alone, together = mbps_range(seen.alone), mbps_range(seen.together)
    return f"alone {alone}" if alone == together else f"alone {alone}; all drives at once {together}"


def _path(seen: DriveSeen, audit: Audit) -> str:
    """The way from the drive to the processor with the narrowest hop pointed out."""
    if not seen.path:
        where = plain(seen.drive.address) if seen.drive.address else "a place that is not shown"
        return f"no link on the way: it hangs on {where}"
    links = {judged.link.key: judged for judged in audit.links}
    parts = ["drive"]
    for key in seen.path:
        judged = links[key]
        hop = "link that is not wires" if judged.mbps is None else rate_text(judged.now) if judged.now else "link"
        narrowest = " <- narrowest" if key == seen.narrowest and len(seen.path) > 1 else ""
        parts.append(f"{hop} ({place(judged.link)}){narrowest}")
    parts.append("processor")
    return " > ".join(parts)


# --- The rest --------------------------------------------------------------------------------------------------


def _firmware(page: Page, audit: Audit) -> None:
    listed = next((finding for finding in audit.findings if finding.rule == "firmware-listed"), None)
    if listed is not None:
        page.heading("Firmware on record")
        for one in listed.evidence:
            page.add(f"{plain(one.source)}: {plain(one.read)}", indent=2, hang=4)


def _machine(page: Page, audit: Audit) -> None:
    host = audit.facts.host
    memory = f"{host.memory_bytes / 2**30:.1f} GiB" if isinstance(host.memory_bytes, int) else "not known"
    rows = [
        ("board", " ".join(told(part, "") for part in (host.board_maker, host.board) if part) or "not known"),
        ("firmware", _host_firmware(audit)),
        ("kernel", told(host.kernel)),
        ("processors", str(host.processors) if isinstance(host.processors, int) else "not known"),
        ("memory", memory),
    ]
    page.columns(rows)


def _host_firmware(audit: Audit) -> str:
    host = audit.facts.host
    if host.firmware_version is None:
        return "not known"
    dated = f" of {plain(host.firmware_date)}" if host.firmware_date else ""
    return f"{told(host.firmware_maker, '')} {plain(host.firmware_version)}{dated}".strip()


def _slots(page: Page, audit: Audit) -> None:
    from agent.report.data import inventory as inventory_data

    slots = inventory_data(audit).slots
    if not slots:
        return
    page.heading("Slots")
    what = {judged.device_address: describe_link(judged.link, audit) for judged in audit.links if judged.device_address}
    rows = []
    for slot in slots:
        built = [
            f"x{slot.connector_lanes} connector" if slot.connector_lanes else "",
            f"{slot.wired_lanes} lanes" if slot.wired_lanes else "",
            describe_speed(slot.generation) if slot.generation else "",
            "can be split" if slot.can_split else "",
        ]
        content = f"{what[slot.device]}, {slot.device}" if slot.device in what else "empty" if slot.port else "not matched to a port"
        rows.append((plain(slot.name, 40), content, f"{', '.join(part for part in built if part)} [{slot.named_by}]".strip()))
    page.columns(rows)


def _functions(page: Page, audit: Audit, title: str) -> None:
    if not audit.facts.functions:
        return
    page.heading(title)
    virtual: dict[str, int] = {}
    rows = []
    for function in audit.facts.functions:
        if function.physical_function is not None:
            virtual[function.physical_function] = virtual.get(function.physical_function, 0) + 1
    for function in audit.facts.functions:
        if function.physical_function is not None:
            continue
        words = [describe(function, audit)]
        if function.driver:
            words.append(f"driver {plain(function.driver, 40)}")
        if function.address in virtual:
            words.append(f"{virtual[function.address]} virtual functions")
        if function.power_state not in {"D0", "unknown"} and isinstance(function.power_state, str):
            words.append(f"asleep in {plain(function.power_state, 20)}")
        rows.append((function.address, ", ".join(words)))
    page.columns(rows)


def _unread(page: Page, audit: Audit) -> None:
    lines = list(_unread_lines(audit))
    if lines:
        page.heading("Not read")
        for line in lines:
            page.add(line, indent=2, hang=4)
    root = next((finding for finding in audit.findings if finding.rule == "needs-root"), None)
    if root is not None:
        page.heading("What root would add")
        for one in root.evidence:
            page.add(plain(one.source, 300), indent=2, hang=4)


def _unread_lines(audit: Audit) -> Iterator[str]:
    for one in audit.unread:
        if not one.needs_root:
            yield f"{plain(one.what)}: {plain(one.why)}"
