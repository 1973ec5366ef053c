"""The token of a capture: what a note names one's own evidence by, so that it is found again and tells nothing else.

It is "~" and sixteen hexadecimal digits of a SHA-256 digest over the platform, the time and every answer of a capture,
in the order of the questions. So the same capture has the same token wherever it lies, under whatever name, packed or
not; no serial number and no name of a machine can be had from it. A capture in which serial numbers were kept is
another one than that of the same machine without, and has another token.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.unread import Unread

if TYPE_CHECKING:
    from probes.capture import Capture

DIGITS: Final = 16
_PREFIX: Final = b"lanewright note evidence 1\0"
# What counts of a failure; its code came later, and tokens that are written down stay what they are.
_OF_FAILURES: Final = ("what", "why", "needs_root", "absent", "vital", "small")


def token(capture: Capture) -> str:
    """The token of a capture."""
    import hashlib

    import msgspec

    digest = hashlib.sha256(_PREFIX)
    digest.update(msgspec.json.encode((capture.platform, capture.taken_at)))
    for question in sorted(capture.reads):
        answer = capture.reads[question]
        told = {name: getattr(answer, name) for name in _OF_FAILURES} if isinstance(answer, Unread) else answer
        digest.update(msgspec.json.encode((question, told)))
    return f"~{digest.hexdigest()[:DIGITS]}"
