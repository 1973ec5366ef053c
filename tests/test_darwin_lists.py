"""Property lists that are not as they should be: cut, odd, hostile, too large, or another program's.

Sources: IOKitTools (ioreg.tproj/ioreg.c) for what the printer writes; plistlib for whole lists.
"""

from __future__ import annotations

import plistlib
from typing import Final

import pytest

from probes import collect
from probes.answers import CUT, REGISTRY_LIMIT, failed
from probes.darwin import lists as darwin_lists
from probes.redact_registry import hide_answer
from probes.tokens import Known
from probes.unread import Unread
from tests.plists import (
    ASKED,
    BRIDGE,
    ROOT_PORT,
    block,
    controller,
    drive,
    express,
    facts,
    function,
    hanging,
    media,
    printed,
    reads,
    root,
)

# --- Rule 9: damaged lists ---


def why(answer: object) -> str:
    """Why there is nothing in an answer for the functions."""
    found = darwin_lists.ask(reads(pci=answer), "pci")
    assert isinstance(found, Unread)
    assert found.what == "registry pci"
    assert isinstance(collect(reads(pci=answer)).functions, tuple)
    return found.why


@pytest.mark.parametrize("answer", ["", " \n", b"", "\t"])
def test_nothing_is_no_entry_and_no_failure(answer: str | bytes) -> None:
    """The printer writes no byte where nothing matches: a machine without such entries."""
    assert darwin_lists.ask(reads(pci=answer), "pci") == {}


WHOLE: Final = printed([drive()])


@pytest.mark.parametrize("share", [0.1, 0.4, 0.7, 0.9, 0.99])
def test_a_list_that_is_cut_short_is_unread(share: float) -> None:
    """A list without its end gives nothing, and says that it is not whole."""
    assert why(WHOLE[: int(len(WHOLE) * share)]) == darwin_lists.DAMAGED


@pytest.mark.parametrize(
    "answer",
    [
        plistlib.dumps([drive()], fmt=plistlib.FMT_BINARY),
        b"bplist00",
        "bplist00 and more",
    ],
)
def test_a_binary_list_is_not_read(answer: object) -> None:
    """The printer writes XML alone; a binary list is refused by name."""
    assert why(answer) == darwin_lists.BINARY


@pytest.mark.parametrize("answer", ["+-o Root  <class IORegistryEntry, retain 10>\n", "usage: printer [-a]", b"\0\1"])
def test_the_text_of_an_older_printer_is_named(answer: object) -> None:
    """Printers of old releases print trees for people: that is said, and nothing is guessed from it."""
    assert why(answer) == darwin_lists.OLD


@pytest.mark.parametrize("value", ["text", 7, 1.5, True, b"data"])
def test_a_list_of_the_wrong_shape_is_unread(value: str | bytes | float) -> None:
    """A list that holds one plain value holds no entries."""
    assert why(printed(value)) == darwin_lists.SHAPELESS


@pytest.mark.parametrize("value", [[], {}, [1, "two", [3]], [[{}]], {"IORegistryEntryChildren": "none"}])
def test_odd_lists_have_no_functions(value: object) -> None:
    """Arrays of values that are no entries, and empty ones, give no function."""
    assert facts(host=root("16.7.0"), drives=value).drives == ()
    assert collect(reads(pci=value)).functions == ()


def test_a_dictionary_stands_for_the_entry_that_it_is() -> None:
    """Without an option, or with ancestors, a tree is a dictionary: it is taken for one entry, at the top and below."""
    port = function(0x201, (0, 1, 0), BRIDGE, more=express(ROOT_PORT)) | {"IORegistryEntryChildren": drive()}
    expected = facts(function(0x201, (0, 1, 0), BRIDGE, drive(), more=express(ROOT_PORT))).functions
    assert expected == collect(reads(pci=port)).functions


ODD_NAMES: Final = {
    "a control character": "\x01",
    "a zero character": "\0",
    "no character at all": "\uffff",
    "a reference to a control character": "&#1;",
    "a reference past all characters": "&#x7fffffff;",
}


@pytest.mark.parametrize("odd", ODD_NAMES.values(), ids=ODD_NAMES)
@pytest.mark.parametrize("key", ["model", "IOName"])
def test_one_odd_character_does_not_lose_the_list(odd: str, key: str) -> None:
    """What XML cannot hold (XML 1.0, production 2) becomes a mark; all else of the list is as it was."""
    answer = printed([drive(more={key: "Frescade@12&amp;"}), drive((2, 0, 0), 0x211)]).replace("@", odd)
    plain, found = (collect(reads(pci=text)).functions for text in (answer.replace(odd, "\ufffd"), answer))
    assert [one.address for one in found] == ["01:00.0", "02:00.0"]
    assert plain == found
    assert found[0].model_name == ("Frescade\ufffd12&amp;" if key == "model" else None)


def test_bytes_that_are_no_text_in_one_name_do_not_lose_the_list() -> None:
    """A name in another code costs its own letters alone."""
    answer = printed([drive(more={"model": "Frescade@12"}), drive((2, 0, 0), 0x211)]).encode().replace(b"@", b"\xe4")
    assert [one.model_name for one in collect(reads(pci=answer)).functions] == ["Frescade\ufffd12", None]


def test_of_a_list_that_was_cut_the_whole_trees_are_read() -> None:
    """What lies beyond the limit is lost and said to be; a port whose card is cut off is lost with it, not alone."""
    port = function(0x201, (0, 1, 0), BRIDGE, drive((9, 0, 0), 0x220), more=express(ROOT_PORT))
    whole = printed([drive(), drive((2, 0, 0), 0x211), port])
    cut = whole[: whole.rindex("</data>") + len("</data>")] + CUT
    found = collect(reads(pci=cut))
    assert found.functions == collect(reads(pci=[drive(), drive((2, 0, 0), 0x211)])).functions
    (gap,) = (gap for gap in found.gaps if gap.of == "functions")
    assert gap.why.what == ASKED["pci"]
    assert gap.why.why == "the list is larger than it may be: what comes after its first 2 trees is lost"
    assert gap.why.vital


def test_a_list_that_was_cut_in_its_first_tree_is_unread() -> None:
    """Half a tree is no machine."""
    assert why(WHOLE[: WHOLE.rindex("</data>")] + CUT) == failed("registry pci", "EFBIG").why


def test_a_list_that_was_cut_is_the_same_in_a_redacted_capture() -> None:
    """The mark at its end, and with it what is lost, outlives redaction."""
    whole = printed([drive(), drive((2, 0, 0), 0x211)])
    known = Known()
    hidden = hide_answer(whole[: whole.rindex("</data>")] + CUT, known)
    assert len(collect(reads(pci=hidden)).functions) == 1
    assert [gap.of for gap in collect(reads(pci=hidden)).gaps if gap.why.what == ASKED["pci"]] == ["functions"]


ENTITIES: Final = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE plist [<!ENTITY a "lanes"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">
<!ENTITY d "&c;&c;&c;&c;&c;&c;&c;&c;"><!ENTITY e "&d;&d;&d;&d;&d;&d;&d;&d;"><!ENTITY f "&e;&e;&e;&e;&e;&e;&e;&e;">]>
<plist version="1.0"><array><dict><key>model</key><string>&f;</string></dict></array></plist>"""
OUTSIDE_ENTITY: Final = """<!DOCTYPE plist [<!ENTITY a SYSTEM "file:///etc/hostname">]>
<plist version="1.0"><array><dict><key>model</key><string>&a;</string></dict></array></plist>"""


@pytest.mark.parametrize("answer", [ENTITIES, OUTSIDE_ENTITY, ENTITIES.encode()])
def test_entities_are_refused(answer: object) -> None:
    """Entities that grow without end, or that name a file, are expanded by nobody."""
    assert why(answer) == darwin_lists.DAMAGED


LONG: Final = "lane " * 50_000


@pytest.mark.parametrize(
    "element",
    [
        f"<{'lane' * 50_000}/>",
        f"<!--{LONG}-->",
        f"<!-- {'>' * 200_000} -->",
        f"<?{LONG}?>",
        f'<dict lanes="{LONG}"/>',
        f'<dict lanes="{">" * 200_000}"/>',
        f"<dict{' ' * 200_000}/>",
        f"<![CDATA[{LONG}]]>",
        "<",
    ],
)
def test_a_tag_of_a_whole_lists_length_is_refused(element: str) -> None:
    """No entry needs a tag or a comment of many thousand letters, which parsers take very long to read."""
    assert why(f'<plist version="1.0"><array>{element}</array></plist>') == darwin_lists.DAMAGED
    head = f'<!DOCTYPE plist PUBLIC "{">" * 200_000}" ""><plist><array/></plist>'
    assert why(head) == darwin_lists.DAMAGED


def test_what_any_writer_of_lists_may_write_is_parsed() -> None:
    """Comments, attributes and spaces in tags are left to the parser, a mark at the beginning of the text as well."""
    inner = WHOLE.partition("<array>")[2].partition("</array>")[0]
    odd = (
        f'\ufeff<?xml version="1.0"?>\n<!-- a list -->\n<plist version="1.0" >\n<array ID="0" >{inner}</array ></plist>'
    )
    assert [made.address for made in collect(reads(pci=odd)).functions] == ["01:00.0"]


@pytest.mark.parametrize("levels", [1_000, 100_000])
@pytest.mark.parametrize("element", ["array", "dict"])
def test_depth_does_not_matter(levels: int, element: str) -> None:
    """Thousands of levels are walked through without recursion."""
    begin = "<array>" if element == "array" else "<dict><key>k</key>"
    answer = f"<plist>{begin * levels}<array/>{f'</{element}>' * levels}</plist>"
    assert len(answer) < REGISTRY_LIMIT
    assert collect(reads(pci=answer)).functions == ()


def test_a_deep_tree_of_entries_is_walked() -> None:
    """Entries below entries, 20,000 levels deep, end with a function that has no function above it."""
    levels = 20_000
    begin = "<dict><key>IORegistryEntryID</key><integer>{}</integer><key>IORegistryEntryChildren</key><array>"
    fitted = printed(drive()).partition('<plist version="1.0">')[2].removesuffix("</plist>\n")
    middle = "".join(begin.format(0x1000 + level) for level in range(levels))
    answer = f"<plist><array>{middle}{fitted}{'</array></dict>' * levels}</array></plist>"
    (found,) = collect(reads(pci=answer)).functions
    assert (found.address, found.parent) == ("01:00.0", None)


@pytest.mark.parametrize("kind", [str, bytes])
def test_a_list_past_the_limit_is_unread(kind: type) -> None:
    """No more is parsed than the printer may write."""
    padded = f"{WHOLE}{' ' * (REGISTRY_LIMIT - len(WHOLE))}"
    assert len(collect(reads(pci=padded)).functions) == 1
    longer = f"{padded} "
    assert why(longer if kind is str else longer.encode()) == failed("registry pci", "EFBIG").why


@pytest.mark.parametrize("name", ASKED)
def test_a_question_without_an_answer_is_told_once_and_the_rest_is_read(name: str) -> None:
    """One answer that failed costs what it would have told, and no more."""
    lost = failed(f"registry {name}", "ETIMEDOUT")
    told = {"pci": [hanging()], "drives": [block(0x400, media("disk2"))], "controllers": [controller(0x300)]}
    found = collect(reads(**{**told, name: lost}))
    assert [one.what for one in found.unread if one.why == lost.why] == [ASKED[name]]
    assert len(found.functions) == (name != "pci")
    assert len(found.drives) == 1
