"""The capture file: what was read from one machine, kept for replay. Strict schema, limits, versions.

A capture is untrusted input: it is decoded into the fixed shape below, holds no code, and asks nothing of
the host. Every failure is a `BadInput` of one sentence. A file is UTF-8 JSON, packed with gzip or not (told
by its first bytes). Where a file names a key twice, the last one counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from knowledge.phrasing import printable, quoted
from knowledge.problems import BadInput
from probes.answers import NAMES_LIMIT, NOTHING_GIVEN, failed
from probes.files import check_place, read_standard_input, read_whole, write_whole
from probes.reads import Recorded
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from probes.reads import Answer

    Samples = Sequence[tuple[float, Mapping[str, Answer]]]

FORMAT: Final = "lanewright-capture"
VERSION: Final = 1

MEBIBYTE: Final = 1024 * 1024
PACKED_LIMIT: Final = 8 * MEBIBYTE  # a gzip file; that of a server of 2,000 functions has some 2 MiB
JSON_LIMIT: Final = 96 * MEBIBYTE  # unpacked; that of a server of 2,000 functions has some 30 MiB
READS_LIMIT: Final = 250_000  # in the first look and in all later ones together
SAMPLES_LIMIT: Final = 10_000
SENTENCE_LIMIT: Final = 200
ERRNO_NAME_LIMIT: Final = 16
MOST_LEFT_OUT: Final = 64

# What decoding may take, bytes. Only a file past SMALL is weighed: a smaller one cannot take so much.
MEMORY_LIMIT: Final = 200_000_000
SMALL: Final = 2 * MEBIBYTE
STRING_COST: Final = 72  # a short str and its place in a tuple
OBJECT_COST: Final = 170  # an entry or a mapping, and its place in a mapping that grows
WIDEST_CHARACTER: Final = 4  # bytes for each character of a str that holds one past U+FFFF

TOLD_BY_PROGRAM: Final = "registry "  # without it no list of functions and drives is whole: see `probes/registry.py`

GZIP_MAGIC: Final = b"\x1f\x8b"
_GZIP_WINDOW: Final = 31  # zlib's number for a gzip header and the largest window
_PIECE: Final = 256 * 1024
_AGAIN: Final = "make a new one with lanewright capture FILE"


# --- The schema ------------------------------------------------------------------------------------------------

_Name = Annotated[str, Meta(max_length=4096)]
_Word = Annotated[str, Meta(max_length=64)]


class Entry(Struct, frozen=True, gc=False, forbid_unknown_fields=True):
    """One answer, in exactly one of these forms.

    `hex` holds bytes, `names` ("list" in the file) the names in a directory, `error` an errno name such as
    "EACCES" or a sentence that says why there is no answer.
    """

    text: Annotated[str, Meta(max_length=4 * MEBIBYTE)] | UnsetType = UNSET
    hex: Annotated[str, Meta(max_length=8 * MEBIBYTE)] | UnsetType = UNSET
    names: Annotated[tuple[_Name, ...], Meta(max_length=NAMES_LIMIT)] | UnsetType = msgspec.field(
        default=UNSET, name="list"
    )
    link: _Name | UnsetType = UNSET
    error: _Name | UnsetType = UNSET


_Entries = dict[_Name, Annotated[Entry, Meta(extra_json_schema={"minProperties": 1, "maxProperties": 1})]]


class Sample(Struct, frozen=True, forbid_unknown_fields=True):
    """Some of the questions asked again, `offset` seconds after the first time."""

    offset: Annotated[float, Meta(ge=0, le=1e9)]
    reads: _Entries


class CaptureFile(Struct, frozen=True, forbid_unknown_fields=True):
    """A capture file of version 1. `reads` maps a question (see `probes/reads.py`) to its answer.

    `left_out` says of a redacted one where its answers hold nothing in place of what nobody reads.
    """

    format: Literal["lanewright-capture"]
    version: Literal[1]
    platform: _Word
    taken_at: _Word
    agent: _Word
    redacted: bool
    reads: _Entries
    samples: Annotated[list[Sample], Meta(max_length=SAMPLES_LIMIT)]
    left_out: Annotated[dict[_Name, _Name], Meta(max_length=MOST_LEFT_OUT)] | UnsetType = UNSET


class _Head(Struct):
    """As much of any version as tells that it is one."""

    format: str
    version: int


class _Called(Struct):
    """What a file of any form calls itself."""

    format: str = ""


class Capture(Struct, frozen=True):
    """A capture as it was read: the answers, and the later looks with their offsets in seconds, in order of time."""

    platform: str
    taken_at: str
    agent: str
    redacted: bool
    reads: Mapping[str, Answer]
    samples: tuple[tuple[float, Mapping[str, Answer]], ...]


# --- Reading ---------------------------------------------------------------------------------------------------


def load_file(path: str) -> Capture:
    """Read a capture; "-" is standard input. Raises BadInput, whatever is wrong."""
    if path == "-":
        return parse(read_standard_input(JSON_LIMIT), "standard input")
    return parse(read_whole(path, JSON_LIMIT), quoted(path))


def is_other_json(path: str) -> bool:
    """Whether a file that cannot be used is JSON of another form, so that nobody takes it for a damaged capture."""
    try:
        data: bytes | bytearray = read_whole(path, JSON_LIMIT)
        data = _unpack(data, path) if data.startswith(GZIP_MAGIC) else data
        return msgspec.json.decode(data, type=_Called).format != FORMAT
    except msgspec.ValidationError:
        return True
    except (BadInput, ValueError, RecursionError, MemoryError):
        return False


def parse(data: bytes | bytearray, name: str) -> Capture:
    """Decode a capture; `name` says in messages what it was read from. Raises BadInput, whatever is wrong."""
    if data.startswith(GZIP_MAGIC):
        data = _unpack(data, name)
    if not data:
        raise BadInput(f"{name} is empty; {_AGAIN}")
    if _is_too_large(data):
        raise _too_large(name)
    file = _decode(data, name)
    del data  # a large file is not held beside what was made of it
    if not _is_moment(file.taken_at):
        raise _unusable(name, f"taken_at: {quoted(file.taken_at)} is not a date and time with its offset from UTC")
    if len(file.reads) + sum(len(sample.reads) for sample in file.samples) > READS_LIMIT:
        raise _too_large(name)
    later = sorted(file.samples, key=_offset)
    return Capture(
        platform=file.platform,
        taken_at=file.taken_at,
        agent=file.agent,
        redacted=file.redacted,
        reads=_answers(file.reads, name),
        samples=tuple((sample.offset, _answers(sample.reads, name)) for sample in later),
    )


def recorded(capture: Capture) -> tuple[Recorded, tuple[tuple[float, Recorded], ...]]:
    """What answers from a capture: for the first look, and for each later one with its offset in seconds."""
    first = Recorded(capture.reads, capture.platform)
    return first, tuple((offset, Recorded(found, capture.platform, first)) for offset, found in capture.samples)


def _offset(sample: Sample) -> float:
    return sample.offset


def _decode(data: bytes | bytearray, name: str) -> CaptureFile:
    try:
        return msgspec.json.decode(data, type=CaptureFile)
    except (ValueError, RecursionError, MemoryError):
        if _version(data) > VERSION:
            raise BadInput(f"{name} is of a newer version than this lanewright reads; update lanewright") from None
        from knowledge.misfit import told

        raise _unusable(name, told(data, CaptureFile)) from None


def _version(data: bytes | bytearray) -> int:
    """The version of what could not be decoded, 0 where it is no capture at all."""
    try:
        head = msgspec.json.decode(data, type=_Head)
    except (ValueError, RecursionError, MemoryError):
        return 0
    return head.version if head.format == FORMAT else 0


def _is_moment(text: str) -> bool:
    """Whether this is a date and time with its offset from UTC (RFC 3339)."""
    from datetime import datetime

    try:
        msgspec.convert(text, Annotated[datetime, Meta(tz=True)])
    except msgspec.ValidationError:
        return False
    return True


def _answers(entries: dict[str, Entry], name: str) -> dict[str, Answer]:
    """Replace each entry by its answer, in place: a large capture is never held in both forms."""
    answers: dict[str, Any] = entries
    for key, entry in entries.items():
        text, digits, names, link, error = entry.text, entry.hex, entry.names, entry.link, entry.error
        if (text is UNSET) + (digits is UNSET) + (names is UNSET) + (link is UNSET) + (error is UNSET) != _OTHER_FORMS:
            raise _unusable(name, f"{quoted(key)} needs exactly one answer: text, hex, list, link or error")
        if text is not UNSET:
            answers[key] = text
        elif not isinstance(digits, UnsetType):
            answers[key] = _bytes(digits, key, name)
        elif not isinstance(error, UnsetType):
            answers[key] = failed(key, error) if _is_errno_name(error) else _told(key, error)
        else:
            answers[key] = link if names is UNSET else names
    return answers


_OTHER_FORMS: Final = 4


def _told(key: str, sentence: str) -> Unread:
    """A failure that is told in a sentence: a question put to a program is told so, and was tried."""
    return Unread(key, _sentence(sentence), vital=key.startswith(TOLD_BY_PROGRAM) or sentence == NOTHING_GIVEN)


def _bytes(digits: str, key: str, name: str) -> bytes:
    from binascii import unhexlify

    try:
        return unhexlify(digits)
    except ValueError:
        raise _unusable(name, f"the hex of {quoted(key)} is not pairs of hexadecimal digits") from None


def _is_too_large(data: bytes | bytearray, reads: int = 0) -> bool:
    """Whether JSON with so many answers is past the limits, which are the same for reading and for writing."""
    return len(data) > JSON_LIMIT or reads > READS_LIMIT or (len(data) > SMALL and _weighs_too_much(data))


def _weighs_too_much(data: bytes | bytearray) -> bool:
    """Whether decoding could take more memory than it may, the file itself included, from what can be counted in it.

    Counting escapes is slow, so it is left to files that would be too heavy if every character were a wide one.
    """
    rest = len(data) + data.count(b'"') // 2 * STRING_COST + data.count(b"{") * OBJECT_COST
    if rest + len(data) * WIDEST_CHARACTER <= MEMORY_LIMIT:
        return False
    narrow = data.isascii() and data.count(b"\\u") == data.count(b"\\u00")
    return not narrow or rest + len(data) > MEMORY_LIMIT


def _unpack(data: bytes | bytearray, name: str) -> bytearray:
    """The content of a gzip file of one member. Stops past the limit, however much would follow."""
    import zlib

    if len(data) > PACKED_LIMIT:
        raise _too_large(name)
    unpacker = zlib.decompressobj(_GZIP_WINDOW)
    found = bytearray()
    end = 0
    try:
        while end < len(data) and not unpacker.eof:
            piece = bytes(data[end : end + _PIECE])
            end += len(piece)
            # An empty piece at the end fetches what the unpacker still holds.
            more = True
            while more and not unpacker.eof:
                part = unpacker.decompress(piece, _PIECE)
                found += part
                if len(found) > JSON_LIMIT:
                    raise _too_large(name)
                piece = unpacker.unconsumed_tail
                more = bool(piece or (part and end >= len(data)))
    except zlib.error:
        raise _damaged(name, "it does not unpack") from None
    if not unpacker.eof:
        raise _damaged(name, "it ends too early")
    if unpacker.unused_data or end < len(data):
        raise _damaged(name, "more follows after its end")
    return found


def _too_large(name: str) -> BadInput:
    return BadInput(f"{name} is larger than any machine's capture; check that it is one")


def _damaged(name: str, how: str) -> BadInput:
    return BadInput(f"{name} is damaged ({how}); copy it again from where it was made")


def _unusable(name: str, why: str) -> BadInput:
    return BadInput(f"{name} is not a usable capture: {why}; {_AGAIN}")


# --- Writing ---------------------------------------------------------------------------------------------------


def encode(
    *,
    platform: str,
    taken_at: str,
    agent: str,
    answers: Mapping[str, Answer],
    samples: Samples,
    keep_serials: bool,
) -> bytes:
    """A capture as JSON, one answer a line; serial numbers and their like are replaced unless `keep_serials`."""
    missing: dict[str, dict[str, str]] = {}
    if not keep_serials:
        from probes.redact import left_out, redact

        answers, samples = redact(answers, samples)
        places = left_out((answers, *(found for _, found in samples)))
        missing = {"left_out": places} if places else {}
    head = {
        "format": FORMAT,
        "version": VERSION,
        "platform": platform,
        "taken_at": taken_at,
        "agent": agent,
        "redacted": not keep_serials,
        **missing,
    }
    later = (
        b'{"offset":%b,"reads":{%b}}' % (msgspec.json.encode(float(offset)), _lines(found)) for offset, found in samples
    )
    data = b'%b,\n"reads":{%b},\n"samples":[%b]}\n' % (
        msgspec.json.encode(head)[:-1],
        _lines(answers),
        b",\n".join(later),
    )
    looks = (answers, *(found for _, found in samples))
    names = (len(answer) for found in looks for answer in found.values() if isinstance(answer, tuple))
    if _is_too_large(data, sum(map(len, looks))) or len(samples) > SAMPLES_LIMIT or max(names, default=0) > NAMES_LIMIT:
        raise _too_much()
    return data


def write_file(  # noqa: PLR0913 - the keys of the file, and how to write it
    path: str,
    *,
    platform: str,
    taken_at: str,
    agent: str,
    answers: Mapping[str, Answer],
    samples: Samples,
    keep_serials: bool,
    force: bool,
) -> None:
    """Write a capture, whole or not at all; packed with gzip where the name ends in ".gz". Raises BadInput.

    A file that exists is replaced only with `force`. One that keeps serial numbers is its owner's alone to read.
    """
    check_place(path, force=force)
    data = encode(
        platform=platform,
        taken_at=taken_at,
        agent=agent,
        answers=answers,
        samples=samples,
        keep_serials=keep_serials,
    )
    if path.endswith(".gz"):
        data = _pack(data)
        if len(data) > PACKED_LIMIT:
            raise _too_much()
    write_whole(path, data, force=force, private=keep_serials)


def _too_much() -> BadInput:
    """For what could be written and not be read again."""
    return BadInput("this machine has more to read than a capture can hold; run lanewright check on it directly")


def _pack(data: bytes) -> bytes:
    """The same bytes at any time and place: zlib's own gzip header holds no name and no time."""
    import zlib

    packer = zlib.compressobj(wbits=_GZIP_WINDOW)
    return packer.compress(data) + packer.flush()


def _lines(answers: Mapping[str, Answer]) -> bytes:
    """A line of JSON for each answer, in the order of the keys."""
    encode_json = msgspec.json.Encoder().encode
    lines = b",\n".join(encode_json(key) + b":" + encode_json(_entry(key, answers[key])) for key in sorted(answers))
    return b"\n%b\n" % lines if lines else b""


def _entry(key: str, answer: Answer) -> dict[str, str | tuple[str, ...]]:
    if isinstance(answer, str):
        return {"link" if key.startswith("link ") else "text": answer}
    if isinstance(answer, bytes):
        return {"hex": answer.hex()}
    if isinstance(answer, tuple):
        return {"list": answer}
    return {"error": _error(key, answer)}


def _error(key: str, answer: Unread) -> str:
    """The errno name where that alone brings the same answer back, else the sentence."""
    code = answer.code
    return code if _is_errno_name(code) and failed(key, code) == answer else _sentence(answer.why)


def _sentence(why: str) -> str:
    return printable(why, SENTENCE_LIMIT)


def _is_errno_name(text: str) -> bool:
    return (
        text.startswith("E") and len(text) <= ERRNO_NAME_LIMIT and text.isascii() and text.isalnum() and text.isupper()
    )
