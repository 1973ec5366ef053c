"""Takes out of a document for forums what names one machine: its name, and the serial numbers of its drives.

Tokens stand in their places, the same as in a redacted capture. Decides nothing.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from probes.redact_text import host_name, serial_number
from probes.search import SecretSearch
from probes.tokens import Known

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.sheets.sheet import Sheet
    from probes.facts import Facts

SHORTEST: Final = 4  # letters and digits of a serial number: less is a size or a count as well


def without_name(facts: Facts) -> Facts:
    """The facts with a token as the machine's name, so that nothing that is made of them tells it."""
    host = facts.host
    name = host_name(host.name.strip(), Known()) if isinstance(host.name, str) and host.name.strip() else host.name
    return replace(facts, host=replace(host, name=name))


def without_serials(document: str, serials: Iterable[object]) -> str:
    """The document with tokens for these serial numbers; what is none, as it was not read, is passed over."""
    known = Known()
    tokens = {
        serial.strip(): serial_number(serial.strip(), known)
        for serial in serials
        if isinstance(serial, str) and len(serial.strip()) >= SHORTEST
    }
    found = SecretSearch(known).in_texts([document])[0]
    for serial, token in tokens.items():  # those too plain to be looked for anywhere are words of their own here
        found = re.sub(rf"(?<![0-9A-Za-z]){re.escape(serial)}(?![0-9A-Za-z])", token, found, flags=re.IGNORECASE)
    return found


def for_forums(document: str, machines: Iterable[Facts], sheet: Sheet | None) -> str:
    """A document without the serial numbers of the drives of some machines, and of those on a sheet."""
    fitted = [drive.serial for facts in machines for drive in facts.drives]
    planned = [spec.serial for spec in sheet.drives] if sheet is not None else []
    return without_serials(document, [*fitted, *planned])
