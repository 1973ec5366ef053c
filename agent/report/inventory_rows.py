"""The inventory as one table for other programs and for people: CSV (RFC 4180) and Markdown.

A row for each slot, port and drive, then one for each reading that failed. Text of devices is harmless: no cell of the
CSV begins a formula, and none of the Markdown marks anything up. Decides nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Verdict
from agent.model.serving import serving_words
from agent.model.throughput import link_mbps
from agent.report import link_names, words
from agent.report.marks import escaped, heading, table
from agent.report.plain import NOT_READ, block_sizes, describe_link
from agent.report.tree_text import places, unmatched, vacant, without_link
from knowledge.phrasing import cell, plain
from knowledge.rates import GTPS
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.findings import Rate
    from agent.report.tree_text import Place
    from probes.facts import BoardSlot

Value = str | int | float | None
Row = dict[str, Value]

# Column: what it holds, with its unit. A cell of what could not be read says so; one of what is not there is empty.
COLUMNS: Final = {
    "place": "slot, port of a split slot or of a card, or address; as a check calls it",
    "behind": "place of the card that it is on; empty where it begins at the processor",
    "state": "fitted, free, card detected, not known, not matched to a port, or not read",
    "what": "card or drive, in words; of a reading that failed, what was asked for",
    "address": "PCI address of the card, or of the port where nothing answers",
    "drive": "name of the drive in the system",
    "model": "model of the drive",
    "firmware": "firmware version of the drive",
    "serial": "serial number of the drive",
    "bytes": "size of the drive, bytes",
    "celsius": "temperature of the drive, degrees Celsius",
    "now_gtps": "speed of the link now, GT/s",
    "now_lanes": "lanes of the link now",
    "now_mbps": "link rate now, MB/s (10^6 bytes per second, one direction, after line coding)",
    "best_gtps": "highest speed that both ends of the link can do, GT/s",
    "best_lanes": "most lanes that both ends of the link can do",
    "verdict": "verdict on the link",
    "connector_lanes": "length of the slot's connector, lanes",
    "slot_lanes": "lanes wired to the slot, by the firmware",
    "slot_gtps": "speed of the slot by the firmware, GT/s",
    "note": "why something is not known, and what keeps a drive from serving",
    "port_gtps": "highest speed that the port can do, GT/s",
    "port_lanes": "most lanes that the port can do",
}
STATES: Final = {Verdict.EMPTY: "free", Verdict.DARK: "card detected", Verdict.UNKNOWN: "not known"}
SHOWN: Final = {
    "place": "Place",
    "behind": "Behind",
    "state": "State",
    "what": "What",
    "drive": "Drive",
    "firmware": "Firmware",
    "serial": "Serial number",
    "celsius": "Degrees C",
    "now_gtps": "GT/s",
    "now_lanes": "Lanes",
    "now_mbps": "Link MB/s",
    "port_lanes": "Port lanes",
    "verdict": "Verdict",
    "note": "Note",
}


def csv_rows(audit: Audit) -> Iterator[str]:
    """The table, a line a row with its end; the first names the columns."""
    from knowledge.csv_lines import csv_lines

    values = ([row.get(name) for name in COLUMNS] for row in rows(audit))
    return csv_lines(COLUMNS, ([cell(value) if isinstance(value, str) else value for value in row] for row in values))


def markdown(audit: Audit, source: str, *, serials: bool) -> str:
    """The whole document: the machine, and the columns that a person reads, with `serials` those of the drives too."""
    name, product = words.title(audit, source)
    title = f"{name} ({product})" if product else name
    columns = [column for column in SHOWN if serials or column != "serial"]
    shown = ([escaped(_text(row.get(column))) for column in columns] for row in rows(audit))
    return (
        f"{heading(1, f'Inventory of {escaped(title)}')}{escaped(words.origin(audit, source))}\n\n"
        f"{table([SHOWN[column] for column in columns], shown)}"
    )


def _text(value: Value) -> str:
    return "" if value is None else f"{value:,.1f}".removesuffix(".0") if isinstance(value, float) else str(value)


def rows(audit: Audit) -> Iterator[Row]:
    """Slots and ports with what is in them, slots that no port leads to, other drives, and what could not be read."""
    at: dict[str, list[DriveSeen]] = {}
    for seen in audit.drives:
        if isinstance(seen.drive.address, str):
            at.setdefault(seen.drive.address, []).append(seen)
    above: list[str] = []
    named = link_names.names(audit)
    for place in places(audit):
        name = named[place.judged.link.key]
        del above[place.depth :]
        row = _place(place, audit, name, above[-1] if above else None)
        above.append(name)
        drives = [
            seen
            for function in place.judged.link.functions
            for seen in at.get(function.address, ())
            if seen.drive.kind == "nvme" and not place.judged.link.integrated
        ]
        yield from (_with_drive(row, seen) for seen in drives) if drives else (row,)
    for slot in unmatched(audit):
        name, state = plain(slot.designation), "not matched to a port"
        yield {"place": name, "state": state, **_slot(slot), "note": f"firmware: {slot.usage}"}
    for seen, holder in without_link(audit):
        yield _with_drive({"place": holder, "state": "fitted", "what": "drive"}, seen)
    for silence in audit.unread:
        yield {"state": "not read", "what": silence.asked, "note": silence.why}


def _place(place: Place, audit: Audit, name: str, behind: str | None) -> Row:
    judged = place.judged
    there = judged.link.device is not None
    state = "fitted" if there else STATES.get(judged.verdict, "not known")
    virtual = judged.verdict is Verdict.VIRTUAL  # its figures say nothing of lanes
    now = None if virtual else judged.now
    note = None if there or judged.verdict is Verdict.EMPTY else vacant(judged)
    return {
        "place": name,
        "behind": behind,
        "state": state,
        "what": describe_link(judged.link, audit) if there else None,
        "address": judged.subject,
        **_rate("now", now),
        "now_mbps": None if now is None else round(link_mbps(now.speed, now.width), 1),
        **_rate("best", None if virtual else judged.best),
        **_rate("port", None if virtual else judged.port_can),
        "verdict": judged.verdict.value,
        **(_slot(judged.link.board) if judged.link.board is not None else {}),
        "note": judged.why if there and judged.verdict is Verdict.UNKNOWN else note,
    }


def _rate(name: str, rate: Rate | None) -> Row:
    return {} if rate is None else {f"{name}_gtps": GTPS[rate.speed], f"{name}_lanes": rate.width}


def _slot(board: BoardSlot) -> Row:
    return {
        "connector_lanes": board.connector_lanes or None,
        "slot_lanes": board.wired_lanes or None,
        "slot_gtps": GTPS.get(board.generation),
    }


def _drive(seen: DriveSeen) -> Row:
    drive = seen.drive
    sizes, whole = block_sizes(drive)
    return {
        "drive": drive.name,
        "model": _read(drive.model),
        "firmware": _read(drive.firmware),
        "serial": _read(drive.serial),
        "bytes": sum(sizes) if whole and sizes else None if whole else NOT_READ,
        "celsius": _celsius(seen),
    }


def _with_drive(row: Row, seen: DriveSeen) -> Row:
    """The row of a place with the drive that is there; that it serves nothing is said beside all else."""
    notes = (row.get("note"), serving_words(seen.drive))
    return {**row, **_drive(seen), "note": "; ".join(str(note) for note in notes if note) or None}


def _celsius(seen: DriveSeen) -> Value:
    """The temperature; that it could not be read, where a drive has one."""
    if isinstance(seen.celsius, Unread) or (seen.celsius is None and seen.celsius_lost is not None):
        return NOT_READ
    return seen.celsius


def _read(value: str | Unread | None) -> str | None:
    return NOT_READ if isinstance(value, Unread) else value
