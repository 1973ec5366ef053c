"""Looks for all secrets at once, in every form in which one may stand in text or bytes. No reading, no places.

Not the forms of each secret are looked for, but the secrets in each view of the content: as it stands, with its bytes
swapped, as two bytes a character, as hexadecimal digits or base64 decoded. So the work grows with the content and not
with the number of secrets (`_Grams`). A view has a way back, so that a token stands in the form of what it replaces, in
as many bytes.

One by one, 60,000 secrets in 1.3 MB took 100 s of processor; this takes 3. A regular expression of all of them was
turned down, as it tries one after another at each place. Think again if the standard library gets a matcher of many.
"""

from __future__ import annotations

import re
from binascii import a2b_base64, b2a_base64
from math import lcm
from struct import calcsize
from sys import byteorder
from typing import TYPE_CHECKING, Final, Literal

from probes.tokens import MARK, SHARED_UUID, SHORTEST_SECRET, fold, is_network_address, swap_uuid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from probes.tokens import Known

    Change = Callable[[bytes], bytes]
    Found = list[tuple[int, int, bytes]]

_LONG: Final = 11  # bytes, from which on a secret is told by eight of them
_DEPTH: Final = 2  # encodings within each other
_LETTERS: Final = frozenset(b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")
_LONGEST_TOKEN: Final = 4096
_BATCH: Final = 1 << 20
_WINDOW: Final = 1 << 12  # places that are looked at together
_LONG_ZEROS: Final = re.compile(rb"(?<=\0\0\0\0)\0{32,}(?=\0\0\0\0)")
_SWAPPED: Final = (2, 4)  # bytes that may stand in the other order

_ADDRESS_LIKE: Final = re.compile(r"(?=.*[:.])[0-9a-fx:.]+")
# A word with what must not stand beside a short secret; and readable text among bytes.
_SHORT: Final = re.compile(rb"(?<![0-9A-Za-z_~\x80-\xff-])[0-9A-Za-z\x80-\xff-]{3,}(?![0-9A-Za-z_~\x80-\xff-])")
_PRINTABLE: Final = re.compile(rb"[ -~]{6,}")
_BETWEEN_CONTENTS: Final = b"\n" * 4  # begins and ends every form, also where four bytes are swapped


class Word:
    """A secret of characters: its token, whether letters may stand beside it, whether it is one where kinds are named.

    A word of letters or digits alone is one only where it stands alone.
    """

    __slots__ = ("alone", "hard", "token")

    def __init__(self, word: str, token: str) -> None:
        """Tell by the word which it is."""
        self.token = token.encode()
        self.hard = any(letter.isdigit() for letter in word)
        self.alone = not (self.hard and any(letter.isalpha() for letter in word))


class _Grams:
    """Where secrets of some length or more may stand: where some bytes of one do, and then its first ones.

    Only every few places are looked at, so far apart that no secret is stepped over.
    """

    __slots__ = ("_format", "_grams", "_known", "_least", "_size", "_starts", "_step")

    def __init__(self, secrets: Sequence[bytes], code: Literal["I", "Q"], least: int) -> None:
        """Take the secrets, of `least` bytes or more; the `code` of a whole number says how many bytes are taken."""
        self._format: Literal["I", "Q"] = code
        self._size = size = calcsize(code)
        self._least = least
        self._step = step = least + 1 - size
        self._grams: dict[int, int] = {}
        self._starts: dict[bytes, tuple[int, ...]] = {}
        grams, starts = self._grams, self._starts
        for secret in secrets:
            lengths = starts.get(secret[:least], ())
            if len(secret) not in lengths:
                starts[secret[:least]] = (*lengths, len(secret))
            for place in range(step):
                gram = int.from_bytes(secret[place : place + size], byteorder)
                grams[gram] = grams.get(gram, 0) | 1 << place
        self._known = frozenset(grams)  # looked into more quickly than a mapping

    def places(self, folded: bytes) -> Iterator[tuple[int, int]]:
        """From where to where a secret may stand."""
        if not self._grams:
            return
        grams, starts, known = self._grams, self._starts, self._known
        apart = lcm(self._size, self._step)
        seen = set()
        for first in range(0, apart, self._step):
            whole = max(0, len(folded) - first) // self._size * self._size
            every = memoryview(folded)[first : first + whole].cast(self._format)[:: apart // self._size]
            for begin in range(0, len(every), _WINDOW):
                numbers = every[begin : begin + _WINDOW].tolist()
                if known.isdisjoint(numbers):
                    continue
                hits = [(place, grams[gram]) for place, gram in enumerate(numbers, begin) if gram in grams]
                for start in self._begins(hits, first, apart):
                    lengths = () if start in seen else starts.get(folded[start : start + self._least], ())
                    if lengths:
                        seen.add(start)
                        yield from ((start, start + length) for length in lengths)

    def _begins(self, hits: Iterable[tuple[int, int]], first: int, apart: int) -> Iterator[int]:
        """Where a secret may begin of which the bytes at a place are a part."""
        for place, back in hits:
            for shift in range(self._step):
                start = first + place * apart - shift
                if back >> shift & 1 and start >= 0:
                    yield start


def _spellings(word: str) -> set[str]:
    """A word in all the ways in which it may be spelt, as the views of text know the letters of ASCII alone.

    Source: Unicode Standard Annex 15, Normalization Forms: file systems may take letters apart from their marks.
    """
    if word.isascii():
        return {word}
    from unicodedata import normalize

    cases = (word, fold(word), word.lower(), word.upper())
    return {*cases, *(normalize(form, case) for form in ("NFC", "NFD") for case in cases)}


class SecretSearch:
    """Replaces the secrets in any contents."""

    def __init__(self, known: Known) -> None:
        """Take all secrets that are known now."""
        self._words: dict[bytes, Word] = {}
        self._reversed: dict[bytes, Word] = {}
        self._numbers: dict[bytes, bytes] = {}
        self._short = {
            fold(spelt).encode(): token.encode() for word, token in known.short.items() for spelt in _spellings(word)
        }
        for word, token in known.words.items():
            self._take_word(word, token)
        for number, stands in known.numbers.items():
            self._take_number(number, stands)
        secrets = {*self._words, *self._reversed, *(number.lower() for number in self._numbers)}
        self._grams = (
            _Grams([secret for secret in secrets if len(secret) < _LONG], "I", SHORTEST_SECRET),
            _Grams([secret for secret in secrets if len(secret) >= _LONG], "Q", _LONG),
        )

    def __bool__(self) -> bool:
        """Whether there is anything to look for."""
        return bool(self._words or self._numbers or self._short)

    def _take_word(self, word: str, token: str) -> None:
        folded = fold(word)
        if _ADDRESS_LIKE.fullmatch(folded) and not is_network_address(folded):
            return
        found = Word(word, token)
        raw = folded.encode("utf-8", "surrogatepass")
        if raw.isascii():
            self._words[raw] = found
            self._reversed[raw[::-1]] = found
            return
        for spelt in _spellings(word):
            self._words[fold(spelt).encode("utf-8", "surrogatepass")] = found
            for coding in ("utf-16-le", "utf-16-be"):
                wide = spelt.encode(coding, "surrogatepass")
                units = len(wide) // 2
                self._numbers[wide] = token[:units].ljust(units, "0").encode(coding)

    def _take_number(self, number: bytes, token: bytes) -> None:
        self._numbers[number] = token
        self._numbers.setdefault(number[::-1], token[::-1])
        if len(number) == len(SHARED_UUID):
            other, stands = swap_uuid(number), swap_uuid(token)
            self._numbers.setdefault(other, stands)
            self._numbers.setdefault(other[::-1], stands[::-1])

    # --- One view --------------------------------------------------------------------------------------------------

    def _found(self, data: bytes, *, named: bool, numbers: bool) -> Found:
        """Where secrets stand in these bytes, and the token of each; of those that overlap the first and longest."""
        folded = data.lower()
        found: Found = []
        for span in (span for grams in self._grams for span in grams.places(folded)):
            token = self._token(data, folded, span, named=named, numbers=numbers)
            if token is not None:
                found.append((*span, token))
        found.sort(key=_first_and_longest)
        kept: Found = []
        for one in found:
            if not kept or one[0] >= kept[-1][1]:
                kept.append(one)
        return kept

    def _token(self, data: bytes, folded: bytes, span: tuple[int, int], *, named: bool, numbers: bool) -> bytes | None:
        """The token of what stands there, None where that is no secret."""
        start, end = span
        piece = folded[start:end]
        if len(piece) < end - start:
            return None
        word = self._words.get(piece)
        back = word is None
        if word is None:
            word = self._reversed.get(piece)
        if word is not None and (word.hard or not named):
            fits = not word.alone or _stands_alone(data, start, end)
            if fits and not _in_token(folded, start, end):
                return word.token[end - start - 1 :: -1] if back else word.token
        return self._numbers.get(data[start:end]) if numbers else None

    def _direct(self, data: bytes, *, named: bool, numbers: bool) -> bytes:
        """The same number of bytes without the secrets that stand there as they are."""
        found = self._found(data, named=named, numbers=numbers)
        if not found:
            return data
        cut = [(start, end, token[: end - start].ljust(end - start, b"0")) for start, end, token in found]
        return _replaced(data, cut)

    def _short_words(self, data: bytes) -> Found:
        """Where short secrets stand as words of their own."""
        found: Found = []
        for word in _SHORT.finditer(data) if self._short else ():
            start = word.start()
            for part in (word[0],) if word[0].lower() in self._short else word[0].split(b"-"):
                token = self._short.get(part.lower())
                if token is not None:
                    found.append((start, start + len(part), token))
                start += len(part) + 1
        return found

    # --- All views -------------------------------------------------------------------------------------------------

    def in_texts(self, texts: Sequence[str], *, named: bool = False) -> list[str]:
        """The texts without the secrets: whole tokens where they stand as they are, cut ones in other forms."""
        contents = [text.encode("utf-8", "surrogatepass") for text in texts]
        return [text for batch in _batches(contents) for text in self._in_texts(batch, named=named)]

    def _in_texts(self, texts: Sequence[bytes], *, named: bool) -> list[str]:
        data, ends = _joined(texts)
        found = self._found(data, named=named, numbers=False)
        data, ends = _replaced(data, found), _moved(ends, found)
        found = [] if named else self._short_words(data)
        data, ends = _replaced(data, found), _moved(ends, found)
        data = self._in_views(data, _DEPTH, named=named, numbers=False)
        return [_as_text(part) for part in _parts(data, ends)]

    def in_bytes(self, contents: Sequence[bytes], *, named: bool = False) -> list[bytes]:
        """The same numbers of bytes without the secrets."""
        pieces = [list(_beside_zeros(content)) for content in contents]
        changed = iter(
            [
                new
                for batch in _batches([piece for parts in pieces for piece in parts[::2]])
                for new in self._in_bytes(batch, named=named)
            ]
        )
        return [b"".join(part if place % 2 else next(changed) for place, part in enumerate(parts)) for parts in pieces]

    def _in_bytes(self, contents: Sequence[bytes], *, named: bool) -> list[bytes]:
        data, ends = _joined(contents)
        if not named:
            data = _PRINTABLE.sub(self._in_printable, data) if self._short else data
        return _parts(self._in_views(data, _DEPTH, named=named, numbers=True), ends)

    def _in_printable(self, run: re.Match[bytes]) -> bytes:
        data = run[0]
        return _replaced(data, [(start, end, token[: end - start]) for start, end, token in self._short_words(data)])

    def _in_views(self, data: bytes, depth: int, *, named: bool, numbers: bool) -> bytes:
        """The same number of bytes without the secrets in any form."""
        data = self._direct(data, named=named, numbers=numbers)
        for size in _SWAPPED:
            for phase in range(size):
                view = swapped(data, size, phase)
                new = self._direct(view, named=named, numbers=numbers)
                if new is not view:
                    data = swapped(new, size, phase)
        if not depth:
            return data

        def deeper(view: bytes) -> bytes:
            return self._in_views(view, depth - 1, named=named, numbers=True)

        for coding in _CODINGS:
            data = coding.changed(data, deeper)
        return data


def _first_and_longest(found: tuple[int, int, bytes]) -> tuple[int, int]:
    return found[0], -found[1]


def _stands_alone(data: bytes, start: int, end: int) -> bool:
    """Whether no letter and no digit stands beside this."""
    return (start == 0 or data[start - 1] not in _LETTERS) and (end == len(data) or data[end] not in _LETTERS)


def _in_token(folded: bytes, start: int, end: int) -> bool:
    """Whether this is a part of a token."""
    mark = folded.rfind(MARK.encode(), max(0, start - _LONGEST_TOKEN), start + 1)
    return mark >= 0 and not folded[mark + 1 : end].translate(None, b"0123456789abcdef")


def _as_text(data: bytes) -> str:
    """Text again; where a token broke a letter of several bytes, without that letter."""
    try:
        return data.decode("utf-8", "surrogatepass")
    except UnicodeDecodeError:
        return data.decode("utf-8", "replace")


# --- Many contents as one ------------------------------------------------------------------------------------------


def _batches(contents: Iterable[bytes]) -> Iterator[list[bytes]]:
    """The contents in lists of about a mebibyte: what is found in a view is kept until all of it is looked through."""
    batch: list[bytes] = []
    size = 0
    for content in contents:
        batch.append(content)
        size += len(content)
        if size >= _BATCH:
            yield batch
            batch, size = [], 0
    yield batch


def _beside_zeros(data: bytes) -> Iterator[bytes]:
    """What is no zeros, and between two of these long runs of zeros; four of them stay with what is beside them."""
    place = 0
    for run in _LONG_ZEROS.finditer(data):
        yield data[place : run.start()]
        yield run[0]
        place = run.end()
    yield data[place:]


def _joined(contents: Iterable[bytes]) -> tuple[bytes, list[int]]:
    """All contents as one, and where each ends in it."""
    ends = []
    place = -len(_BETWEEN_CONTENTS)
    parts = list(contents)
    for part in parts:
        place += len(_BETWEEN_CONTENTS) + len(part)
        ends.append(place)
    return _BETWEEN_CONTENTS.join(parts), ends


def _parts(data: bytes, ends: Iterable[int]) -> list[bytes]:
    """The contents again."""
    parts = []
    start = 0
    for end in ends:
        parts.append(data[start:end])
        start = end + len(_BETWEEN_CONTENTS)
    return parts


def _replaced(data: bytes, found: Found) -> bytes:
    """The content with tokens in their places."""
    if not found:
        return data
    parts = []
    place = 0
    for start, end, token in found:
        parts += [data[place:start], token]
        place = end
    return b"".join((*parts, data[place:]))


def _moved(ends: list[int], found: Found) -> list[int]:
    """Where the contents end after that."""
    moved = []
    shift = 0
    rest = iter((*found, (1 << 62, 1 << 62, b"")))
    start, stop, token = next(rest)
    for end in ends:
        while start < end:
            shift += len(token) - (stop - start)
            start, stop, token = next(rest)
        moved.append(end + shift)
    return moved


# --- Views ---------------------------------------------------------------------------------------------------------


def swapped(data: bytes, size: int, phase: int) -> bytes:
    """The bytes with each `size` of them in the other order, from the place `phase` on; twice is what it was."""
    end = phase + max(0, len(data) - phase) // size * size
    new = bytearray(data)
    for place in range(size):
        new[phase + place : end : size] = data[phase + size - 1 - place : end : size]
    return bytes(new)


class _Coding:
    """A way to write bytes: where such writing may stand, and the way there and back for each place it may begin at."""

    def __init__(
        self,
        pattern: bytes,
        phases: int,
        decode: Callable[[bytes, int], bytes],
        encode: Callable[[bytes, int, bytes], bytes],
    ) -> None:
        self._pattern = re.compile(pattern)
        self._phases = range(phases)
        self._decode = decode
        self._encode = encode

    def changed(self, data: bytes, change: Change) -> bytes:
        """The content with what it encodes changed; what is found is decoded and changed together."""
        whole: bytearray | None = None
        for runs in self._runs(data):
            before = [self._decode(run, phase) for _, run, phase in runs]
            view, ends = _joined(before)
            after = change(view)
            if after == view:
                continue
            whole = bytearray(data) if whole is None else whole
            for (start, run, phase), old, new in zip(runs, before, _parts(after, ends), strict=True):
                if new != old:
                    for place, letter in enumerate(self._encode(run, phase, new), start):
                        if letter != data[place]:
                            whole[place] = letter
        return data if whole is None else bytes(whole)

    def _runs(self, data: bytes) -> Iterator[list[tuple[int, bytes, int]]]:
        """Where such writing stands, what it is, and where it may begin: in lists that are not too long to be kept."""
        runs: list[tuple[int, bytes, int]] = []
        size = 0
        for found in self._pattern.finditer(data):
            for phase in self._phases:
                runs.append((found.start(), found[0], phase))
                size += len(found[0])
                if size >= _BATCH:
                    yield runs
                    runs, size = [], 0
        if runs:
            yield runs


def _from_wide(run: bytes, phase: int) -> bytes:
    return run[phase::2]


def _to_wide(run: bytes, phase: int, new: bytes) -> bytes:
    wide = bytearray(run)
    wide[phase::2] = new
    return bytes(wide)


def _digits(run: bytes, phase: int) -> tuple[bytes, int, int]:
    """The digits of a run, and from where to where they are those of whole bytes."""
    digits = run.translate(None, _SIGNS)
    return digits, phase, phase + (len(digits) - phase) // 2 * 2


def _from_digits(run: bytes, phase: int) -> bytes:
    digits, start, end = _digits(run, phase)
    return bytes.fromhex(digits[start:end].decode())


def _to_digits(run: bytes, phase: int, new: bytes) -> bytes:
    """The digits in capital letters where the run has no small ones; signs between them stay."""
    digits, start, end = _digits(run, phase)
    written = (new.hex().upper() if run.isupper() else new.hex()).encode()
    fresh = iter(digits[:start] + written + digits[end:])
    return bytes(letter if letter in _SIGNS else _like(letter, next(fresh)) for letter in run)


def _like(before: int, after: int) -> int:
    """A digit as it was where its value is the same, else the new one."""
    return before if before | _SMALL == after | _SMALL else after


def _group_end(run: bytes, phase: int) -> tuple[int, bytes]:
    """Where the groups of four end, and what makes a whole one of what is left; one character alone holds no byte."""
    left = max(0, len(run) - phase) % 4
    return (len(run), b"A" * (4 - left)) if left >= 2 else (len(run) - left, b"")  # noqa: PLR2004


def _from_base64(run: bytes, phase: int) -> bytes:
    end, pad = _group_end(run, phase)
    return a2b_base64((run[phase:end] + pad).translate(_PLAIN_64))


def _to_base64(run: bytes, phase: int, new: bytes) -> bytes:
    end, _ = _group_end(run, phase)
    digits = b2a_base64(new, newline=False)[: end - phase]
    if b"-" in run or b"_" in run:
        digits = digits.translate(_SAFE_64)
    return run[:phase] + digits + run[end:]


_SMALL: Final = 0x20  # the bit of small letters in ASCII; digits have it
_SIGNS: Final = b"-:. _"
_PLAIN_64: Final = bytes.maketrans(b"-_", b"+/")
_SAFE_64: Final = bytes.maketrans(b"+/", b"-_")
_CODINGS: Final = (
    _Coding(rb"(?:[\t-~]\0){3,}", 1, _from_wide, _to_wide),  # UTF-16, the low byte first
    _Coding(rb"(?:\0[\t-~]){3,}", 1, lambda run, _: run[1::2], lambda run, _, new: _to_wide(run, 1, new)),
    # Digits of at least six bytes, with signs between them as in a MAC address or a UUID.
    _Coding(rb"[0-9A-Fa-f][-0-9A-Fa-f:. _]{10,}[0-9A-Fa-f]", 2, _from_digits, _to_digits),
    _Coding(rb"[0-9A-Za-z+/_-]{8,}", 4, _from_base64, _to_base64),
)
