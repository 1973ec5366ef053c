"""Takes out of a document for forums what names one machine: its name, and the serial numbers of its drives.

Tokens stand in their places, the same as in a redacted capture. Decides nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from probes.redact_text import host_name, serial_number
from probes.search import SecretSearch
from probes.tokens import Known

if TYPE_CHECKING:
    from collections.abc import Iterable

    from probes.facts import Facts


def without_name(facts: Facts) -> Facts:
    """The facts with a token as the machine's name, so that nothing that is made of them tells it."""
    host = facts.host
    name = host_name(host.name.strip(), Known()) if isinstance(host.name, str) and host.name.strip() else host.name
    return replace(facts, host=replace(host, name=name))


def without_serials(document: str, serials: Iterable[object]) -> str:
    """The document with tokens for these serial numbers; what is none, as it was not read, is passed over."""
    known = Known()
    for serial in serials:
        if isinstance(serial, str) and serial.strip():
            serial_number(serial.strip(), known)
    return SecretSearch(known).in_texts([document])[0]
