"""How figures, names and lists are said, and foreign text is made harmless: one way for every page, form and screen.

Imports nothing of ours. What is said of parts of the model is said where they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

LONGEST: Final = 200
MOST_MARKS: Final = 2  # accents on one letter; more of them would run over the lines around
TENTH_BELOW: Final = 10.0  # a rate of which the tenth still tells something
# Letters and marks that nobody sees, beside those that are not printable anyway, and a blank of Braille.
# Source: Unicode Character Database, DerivedCoreProperties, Default_Ignorable_Code_Point; U+2800 BRAILLE PATTERN BLANK.
_UNSEEN: Final = frozenset(
    "\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u2800\u3164\uffa0"
    + "".join(map(chr, (*range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0))))
)
_MARKS: Final = frozenset({"Mn", "Me"})  # what stands over a letter takes no place of its own: general categories
_LONGEST_CELL: Final = 30_000  # characters; spreadsheets take some 32,000
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")  # what spreadsheets take for a formula or command


# --- Sentences and lists ---------------------------------------------------------------------------------------


def begun(words: str) -> str:
    """The words with a capital at their beginning."""
    return f"{words[:1].upper()}{words[1:]}"


def sentence(words: str) -> str:
    """The words with a capital and one full stop, or the question mark that ends them."""
    return begun(words) if words.endswith("?") else f"{begun(words).rstrip('.')}."


def listed(names: Iterable[str], last: str = "and", *, most: int | None = None) -> str:
    """Names in a sentence: "a", "a and b", "a, b and c"; "" for none; more than `most` as `some` has them."""
    found = list(names)
    if most is not None and len(found) > most:
        return some(found, most, last)
    *first, final = found or [""]
    return f"{', '.join(first)} {last} {final}" if first else final


def some(names: Iterable[str], most: int = 6, last: str = "and") -> str:
    """Names in a row; of very many the first ones, and how many more there are: "a, b and 3 more"."""
    found = list(names)
    more = f" {last} {len(found) - most} more" if len(found) > most else ""
    return f"{', '.join(found[:most])}{more}"


# --- Counts and figures ----------------------------------------------------------------------------------------


def quantity(count: int, word: str, many: str = "") -> str:
    """A count with its word: "1 machine", "2,000 machines"."""
    return f"{count:,} {word if count == 1 else many or f'{word}s'}"


def counted(count: int, word: str, many: str = "") -> str:
    """A small count in the middle of a sentence: "one drive", "3 drives"."""
    return f"one {word}" if count == 1 else f"{count} {many or f'{word}s'}"


def mbps(rate: float) -> str:
    """A rate: "3,938 MB/s"."""
    return f"{rate:,.0f} MB/s"


def mbps_fine(rate: float) -> str:
    """A rate that may be a small one: "2,954 MB/s", "9.6 MB/s"."""
    return f"{rate:,.1f} MB/s" if rate < TENTH_BELOW else mbps(rate)


def span(rates: tuple[float, float]) -> str:
    """A range without its unit, for tables that name it; one figure where both ends are the same."""
    low, high = (f"{rate:,.0f}" for rate in rates)
    return high if low == high else f"{low} to {high}"


def mbps_range(rates: tuple[float, float]) -> str:
    """A range of rates: "2,954 to 3,601 MB/s"."""
    return f"{span(rates)} MB/s"


def celsius_text(degrees: float) -> str:
    """A temperature, in tenths with halves up, as kelvin readings end in 0.85: "69.9 C" for 69.85."""
    tenths = int(degrees * 10 + (0.5 if degrees >= 0 else -0.5) + (1e-9 if degrees >= 0 else -1e-9))
    return f"{tenths / 10:.1f} C"


def bytes_text(total: int) -> str:
    """The size of something, in GB or TB of 10^9 and 10^12 bytes; "" for none."""
    if not total:
        return ""
    return f"{total / 1e12:,.1f} TB" if total >= 1e12 else f"{total / 1e9:.0f} GB"  # noqa: PLR2004


def request_size(block: int) -> str:
    """The bytes of a request, in the powers of two that they come in: "4 KiB", "16 MiB"."""
    return f"{block / 1024:,.4g} KiB" if block < 1024 * 1024 else f"{block / 1024 / 1024:,.4g} MiB"


def slot_words(label: str) -> str:
    """A slot in a sentence: "slot 3", "slot J1"; a label that is a name by itself ("PCIE1", "M2_1") stays as it is."""
    is_name = sum(map(str.isalpha, label)) > 1 or "_" in label
    return label if is_name else f"slot {label}"


# --- Foreign text ----------------------------------------------------------------------------------------------


def plain(text: str, limit: int = LONGEST) -> str:
    r"""`text` with every character that is not printable shown as an escape, and cut at `limit` characters.

    Control characters, terminal escapes, heaps of accents and marks that turn the writing direction come out as "\x1b"
    and the like; they never act. Whoever shows device text, in whatever form, calls this.
    """
    if len(text) > limit:
        text = text[: limit - 3] + "..."
    if text.isascii() and text.isprintable():
        return text
    return "".join(letter if shown else _escape(letter) for letter, shown in _letters(text))


def _letters(text: str) -> Iterator[tuple[str, bool]]:
    """Each character, and whether it can be shown as it is: it is seen, acts on nothing and is no heap of marks."""
    from unicodedata import category

    marks = 0
    for letter in text:
        marks = marks + 1 if category(letter) in _MARKS else 0
        yield letter, letter.isprintable() and marks <= MOST_MARKS and letter not in _UNSEEN


def _escape(character: str) -> str:
    code = ord(character)
    if code < 0x100:  # noqa: PLR2004 - one byte
        return f"\\x{code:02x}"
    return f"\\u{code:04x}"


def printable(text: str, limit: int = 160) -> str:
    r"""The text with every control, invisible or broken character spelt out as an escape, cut to `limit` characters.

    For messages about what the user named: a line end comes out as "\n", as one would type it.
    """
    if len(text) > limit:
        text = f"{text[: limit - 3]}..."
    if text.isascii() and text.isprintable():
        return text
    spelt = "".join(
        letter if shown else letter.encode("unicode_escape").decode("ascii") for letter, shown in _letters(text)
    )
    return spelt if len(spelt) <= limit else f"{spelt[: limit - 3]}..."


def quoted(name: str) -> str:
    """A name of the user's, for a message."""
    return f'"{printable(name)}"'


def no_formula(text: str) -> str:
    """The text of a cell, which no spreadsheet takes for a formula; some take its signs in wide and small forms too.

    Source of those forms: Unicode Standard Annex 15, compatibility decomposition (NFKC).
    """
    begin = text.lstrip()[:1]
    if not begin.isascii():
        from unicodedata import normalize

        begin = normalize("NFKC", begin)
    return f"'{text}" if begin.startswith(_FORMULA) or text.startswith(_FORMULA) else text


def cell(text: str) -> str:
    """Foreign text as a cell of a table for other programs: acts on no terminal and is no formula."""
    return no_formula(printable(text, _LONGEST_CELL))


def encodable(text: str) -> str:
    r"""The text with what UTF-8 cannot hold spelt out: bytes of a name that are no UTF-8 come out as "\udcff"."""
    return text.encode("utf-8", "backslashreplace").decode()
