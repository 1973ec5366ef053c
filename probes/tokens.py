"""Tokens: what stands for a secret in a capture, and the list of secrets met so far. No reading, no places.

A token is made with SHA-256 from the secret and a fixed prefix: the same for the same secret in every capture.
It is known by its form, so that no token is ever made of a token:

    a word     "~" and hexadecimal digits; as long as the secret, in text at least 8 characters
    a number   7Eh, then digest bytes, then two bytes that check those before; as long as the secret
"""

from __future__ import annotations

from typing import Final

PREFIX: Final = b"lanewright capture token 1\0"
MARK: Final = "~"
NUMBER_MARK: Final = 0x7E  # of a MAC address: one device, locally administered (IEEE 802)
SHORTEST_TEXT_TOKEN: Final = 8
SHORTEST_NUMBER: Final = 6
# From how many characters, and how many different ones, a secret is told from an accident and looked for everywhere.
SHORTEST_SECRET: Final = 6
FEWEST_CHARACTERS: Final = 3
# Names of people and machines from so many letters on are looked for as words of their own, unless many have them.
SHORTEST_NAME: Final = 3
COMMON_NAMES: Final = frozenset(
    {
        *("admin", "ata", "box", "card", "cpu", "disk", "drive", "eth", "gpu", "guest", "home", "host", "imac", "in"),
        *("linux", "mac", "nvme", "pci", "pcie", "root", "sata", "scsi", "slot", "ssd", "temp", "usb", "user"),
    }
)
FEWEST_BYTES: Final = 4

_HEX: Final = frozenset("0123456789abcdef")
_SPELT: Final = (12, 16, 32)  # digits of a MAC address, an EUI-64 or world-wide name, a UUID
# What makers and systems leave in place of a serial number or a name: common practice.
PLACEHOLDERS: Final = frozenset(
    {
        "(none)",
        "01234567",
        "0123456789",
        "123456789",
        "1234567890",
        "asset tag",
        "base board serial number",
        "board serial number",
        "chassis asset tag",
        "chassis serial number",
        "default",
        "default string",
        "empty",
        "invalid",
        "localhost",
        "localhost.localdomain",
        "n/a",
        "no asset information",
        "no asset tag",
        "none",
        "not applicable",
        "not available",
        "not present",
        "not specified",
        "null",
        "oem",
        "o.e.m",
        "serial number",
        "system serial number",
        "unknown",
    }
)
PLACEHOLDER_WORDS: Final = ("to be filled", "filled by", "default string")
# The UUID that many boards share because nobody set one: common practice.
SHARED_UUID: Final = bytes.fromhex("03000200040005000006000700080009")


def is_placeholder(text: str) -> bool:
    """Whether this names nothing: a phrase of those above, or one character over and over."""
    folded = " ".join(text.lower().split()).rstrip(".")
    if folded in PLACEHOLDERS or folded.startswith(PLACEHOLDER_WORDS):
        return True
    return len(set(folded.removeprefix("0x")) - set(" -:._")) <= 1


def is_word_token(text: str) -> bool:
    """Whether this is a token already."""
    return text.startswith(MARK) and _HEX.issuperset(text[1:])


def is_number_token(raw: bytes) -> bool:
    """Whether this is a token already."""
    return len(raw) >= SHORTEST_NUMBER and raw[0] == NUMBER_MARK and raw[-2:] == _digest("check", raw[:-2])[:2]


def is_network_address(text: str) -> bool:
    """Whether this is an address of the Internet Protocol that names one machine in some network."""
    if text.count(".") != 3 and "::" not in text and text.count(":") != 7:  # noqa: PLR2004 - signs of either version
        return False
    from ipaddress import ip_address

    try:
        address = ip_address(text)
    except ValueError:
        return False
    return not (address.is_loopback or address.is_unspecified)


def fold(text: str) -> str:
    """The same text with the letters A to Z made small."""
    return text.encode("utf-8", "surrogatepass").lower().decode("utf-8", "surrogatepass")


def swap_uuid(raw: bytes) -> bytes:
    """A UUID between its written order and that of SMBIOS, whose first three parts are little-endian (RFC 9562)."""
    return raw[3::-1] + raw[5:3:-1] + raw[7:5:-1] + raw[8:]


class Known:
    """The secrets met so far: `words` maps a word as it was met to its token, `numbers` the same for bytes.

    `short` holds names that are too short to be told from an accident where they are no word of their own.
    """

    def __init__(self) -> None:
        """Begin with none."""
        self.words: dict[str, str] = {}
        self.numbers: dict[bytes, bytes] = {}
        self.short: dict[str, str] = {}

    def word(self, secret: str, *, remember: bool = True) -> str:
        """The token of a secret made of characters; a placeholder or a token stays what it is."""
        if is_placeholder(secret) or is_word_token(secret):
            return secret
        folded = fold(secret)
        digits = _digest("word", folded.encode("utf-8", "surrogatepass")).hex()
        length = max(len(secret), SHORTEST_TEXT_TOKEN) - 1
        token = MARK + (digits * (length // len(digits) + 1))[:length]
        if remember and len(folded) >= SHORTEST_SECRET and len(set(folded)) >= FEWEST_CHARACTERS:
            self.words[secret] = token
            digits = folded.removeprefix("0x")
            if len(digits) in _SPELT and _HEX.issuperset(digits):
                self.number(bytes.fromhex(digits))  # a number that was written as a word: its bytes are a secret too
        return token

    def name(self, secret: str) -> str:
        """The token of the name of a person or a machine; as a word, but short ones are remembered too."""
        token = self.word(secret)
        short = SHORTEST_NAME <= len(secret) < SHORTEST_SECRET and any(letter.isalpha() for letter in secret)
        if short and token != secret and fold(secret) not in COMMON_NAMES:
            self.short[secret] = token
        return token

    def number(self, secret: bytes) -> bytes:
        """The token of a secret made of bytes, in the order in which it is written; as above."""
        if len(secret) < SHORTEST_NUMBER or len(set(secret)) <= 1 or secret == SHARED_UUID or is_number_token(secret):
            return secret
        digest = _digest("number", secret)
        head = bytes([NUMBER_MARK]) + (digest * (len(secret) // len(digest) + 1))[: len(secret) - 3]
        token = head + _digest("check", head)[:2]
        if len(set(secret)) >= FEWEST_BYTES:
            self.numbers[secret] = token
        return token


def _digest(kind: str, data: bytes) -> bytes:
    import hashlib

    return hashlib.sha256(PREFIX + kind.encode() + b"\0" + data).digest()
