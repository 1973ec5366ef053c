"""The page of a report in a real browser: it shows all, asks for nothing, and serves keyboard, dark and print."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final

import pytest

from agent.report.page import page
from agent.report.words import findings
from tests import plans
from tests.browser.looking import DESK, PHONE, TABLET, WIDTHS, axe, browser, opened
from tests.machines import hall_server
from tests.pages import FOLDERS, MADE_AT, audited, hostile_page, page_of, whole_page
from tests.test_machines import replayed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

    from tests.browser.looking import Look, Scheme

pytestmark = pytest.mark.browser


@cache
def hall_page() -> str:
    """The page of a machine with 2,000 functions."""
    return page([("hall.json (capture)", replayed(hall_server(2000).capture()))], [], None, MADE_AT)


PAGES: Final[dict[str, Callable[[], str]]] = {
    "whole": whole_page,
    "hostile": hostile_page,
    "worn riser": lambda: page_of("bench-2-worn-riser"),
    "ordinary user": lambda: page_of("bench-1-ordinary-user"),
    "guest": lambda: page_of("guest-plain"),
    "hall": hall_page,
    "plan": plans.plan_page,
    "large plan": plans.large_page,
    "hostile plan": plans.hostile_page,
}
# A page without a drawing is held to all but what drawings are held to.
ALL: Final[dict[str, Callable[[], str]]] = {**PAGES, "kinds": plans.kinds_page}
every_page = pytest.mark.parametrize("name", ALL)
every_drawing = pytest.mark.parametrize("name", PAGES)
every_width = pytest.mark.parametrize("width", WIDTHS)
both_schemes = pytest.mark.parametrize("scheme", ["light", "dark"])
DRAWINGS: Final = (
    "() => [...document.querySelectorAll('svg[role=img]')].map(one => one.getBoundingClientRect().toJSON())"
)
# What is wider than the window and not inside something that scrolls by itself.
TOO_WIDE: Final = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
A4: Final = (595.0, 842.0)  # points: ISO 216, 210 mm by 297 mm
MANY_FINDINGS: Final = 4
MANY_SHEETS: Final = 8
READABLE: Final = 11.0  # CSS pixels


@pytest.fixture(scope="module")
def running() -> Iterator[Browser]:
    """A browser for all tests of this file."""
    with browser() as found:
        yield found


# --- Nothing runs, nothing leaves ------------------------------------------------------------------------------


@every_page
def test_a_page_asks_for_nothing_and_complains_of_nothing(running: Browser, tmp_path: Path, name: str) -> None:
    """Opening and scrolling a page makes no request but for the file itself, and no message, error or dialog."""
    with opened(running, ALL[name](), tmp_path) as look:
        look.page.mouse.wheel(0, 20_000)
        look.page.wait_for_timeout(50)
        assert [look.address] == look.requests
        assert [] == look.complaints


def test_the_listeners_hear_what_a_page_does(running: Browser, tmp_path: Path) -> None:
    """A page that breaks its policy, loads a file or throws is heard, so that silence means something."""
    policy = "<meta http-equiv='Content-Security-Policy' content=\"default-src 'none'\">"
    broken = f"<!DOCTYPE html>{policy}<title>x</title><script>1</script><img src='missing.png' alt=''>"
    with opened(running, broken, tmp_path) as look:
        assert [one for one in look.complaints if "Content Security Policy" in one]
    loud = "<!DOCTYPE html><title>x</title><img src='missing.png' alt=''><script>throw new Error('loud')</script>"
    with opened(running, loud, tmp_path) as look:
        assert [one for one in look.requests if one.endswith("missing.png")]
        assert [one for one in look.complaints if "loud" in one]


@every_width
@pytest.mark.parametrize("name", ["hostile", "hostile plan"])
def test_hostile_texts_do_nothing(running: Browser, tmp_path: Path, name: str, width: int) -> None:
    """Texts that try to break out run nothing, add no element, and push nothing out of the window."""
    with opened(running, PAGES[name](), tmp_path, width=width) as look:
        assert "owned" != look.page.title()
        assert 0 == look.ask("() => document.querySelectorAll('script, img, iframe, link, base, form').length")
        assert 0 == look.ask("() => [...document.querySelectorAll('svg')].filter(one => one.onload).length")
        assert 0 >= look.ask(TOO_WIDE)
        assert [look.address] == look.requests
        assert [] == look.complaints


# --- What is seen ----------------------------------------------------------------------------------------------


@every_drawing
@every_width
def test_drawings_are_seen_and_nothing_is_too_wide(running: Browser, tmp_path: Path, name: str, width: int) -> None:
    """Of each drawing one form is seen and lies inside the window; the page never scrolls sideways."""
    with opened(running, PAGES[name](), tmp_path, width=width) as look:
        boxes = look.ask(DRAWINGS)
        seen = [box for box in boxes if box["width"] > 0 and box["height"] > 0]
        assert len(boxes) == 2 * len(seen)
        assert bool(boxes) == (name != "guest")  # a virtual machine without links has no map
        assert [] == [box for box in seen if box["width"] < min(width * 0.5, 280) or box["height"] < 50]
        assert [] == [box for box in seen if box["left"] < 0 or box["right"] > width]
        assert 0 >= look.ask(TOO_WIDE)


@every_width
def test_kinds_side_by_side_are_not_too_wide(running: Browser, tmp_path: Path, width: int) -> None:
    """The table of kinds of cards fits into the window; nothing of it scrolls sideways or is cut."""
    with opened(running, plans.kinds_page(), tmp_path, width=width) as look:
        tables = look.ask("() => [...document.querySelectorAll('table')].map(one => one.getBoundingClientRect().right)")
        assert tables
        assert [] == [right for right in tables if right > width]
        assert 0 >= look.ask(TOO_WIDE)


@every_width
@pytest.mark.parametrize("name", ["whole", "plan", "large plan"])
def test_the_words_of_a_map_stay_inside_it(running: Browser, tmp_path: Path, name: str, width: int) -> None:
    """No word of a drawing runs out of it, and words in it are large enough to be read."""
    script = """() => [...document.querySelectorAll('svg[role=img]')].filter(one => one.clientWidth).flatMap(one => {
        const box = one.getBoundingClientRect();
        return [...one.querySelectorAll('text')].map(text => ({
            words: text.textContent, size: text.getBoundingClientRect().height,
            over: text.getBoundingClientRect().right - box.right}))})"""
    with opened(running, PAGES[name](), tmp_path, width=width) as look:
        found = look.ask(script)
        assert found
        assert [] == [one for one in found if one["over"] > 1.0]
        assert [] == [one for one in found if one["size"] < 9.0]


@pytest.mark.parametrize("width", [TABLET, DESK])
@pytest.mark.parametrize("name", [*FOLDERS, "hostile", "plan", "large plan"])
def test_the_words_of_maps_are_large_enough(running: Browser, tmp_path: Path, name: str, width: int) -> None:
    """On a screen of 800 pixels and on wider ones the letters of all maps are 11 pixels or more, as they are shown."""
    script = """() => [...document.querySelectorAll('.map svg:not(.plot)')].filter(one => one.clientWidth).flatMap(
        one => [...one.querySelectorAll('text')].map(text => parseFloat(getComputedStyle(text).fontSize)
            * one.getBoundingClientRect().width / one.viewBox.baseVal.width))"""
    made = PAGES[name]() if name in PAGES else page_of(name)
    with opened(running, made, tmp_path, width=width) as look:
        sizes = look.ask(script)
        assert bool(sizes) == ('class="map' in made)
        assert [] == [size for size in sizes if size < READABLE]


@pytest.mark.parametrize("width", [PHONE, DESK])
@pytest.mark.parametrize("name", [*FOLDERS, "hostile", "plan", "large plan", "hostile plan"])
def test_words_of_maps_stay_in_their_boxes(running: Browser, tmp_path: Path, name: str, width: int) -> None:
    """No word of any machine's map, however long its names, runs out of its box or out of the drawing."""
    script = """() => [...document.querySelectorAll('.map svg:not(.plot)')].filter(one => one.clientWidth).flatMap(
        one => [...one.querySelectorAll('text:not(.trunk)')].map(text => {
            const own = text.getBBox(), middle = own.y + own.height / 2
            const around = [...one.querySelectorAll('rect.box')].map(box => box.getBBox()).find(box =>
                box.x < own.x && own.x < box.x + box.width && box.y <= middle && middle <= box.y + box.height)
            const end = around ? around.x + around.width : one.viewBox.baseVal.width
            return [text.textContent, own.x + own.width - end]})).filter(one => one[1] > 0.5)"""
    made = PAGES[name]() if name in PAGES else page_of(name)
    with opened(running, made, tmp_path, width=width) as look:
        assert [] == look.ask(script)


def test_a_line_is_broader_with_more_lanes(running: Browser, tmp_path: Path) -> None:
    """On the screen a line of sixteen lanes is broader than one of eight, and that broader than one of four."""
    script = """() => [...document.querySelectorAll('.only-wide line.link')].map(one =>
        ({left: one.x1.baseVal.value, broad: parseFloat(getComputedStyle(one).strokeWidth)}))"""
    with opened(running, page_of("bench-1-stripe-set"), tmp_path) as look:
        lines = look.ask(script)
        first = min(one["left"] for one in lines)
        bays = [one["broad"] for one in lines if one["left"] > first]
        eight, sixteen, four = [one["broad"] for one in lines if one["left"] == first]
        assert [four] * 4 == bays
        assert sixteen > eight > four


@pytest.mark.parametrize("name", FOLDERS)
def test_lines_of_maps_are_as_broad_as_drawn(running: Browser, tmp_path: Path, name: str) -> None:
    """On the screen each line of a map, also of a link that is held back, is as broad as its drawing says."""
    script = """() => [...document.querySelectorAll('.map line.lane')].map(one =>
        [one.getAttribute('class'), parseFloat(one.getAttribute('stroke-width')),
         parseFloat(getComputedStyle(one).strokeWidth)])"""
    with opened(running, page_of(name), tmp_path) as look:
        assert [] == [one for one in look.ask(script) if one[1] != one[2]]


def test_a_map_of_a_large_machine_is_short(running: Browser, tmp_path: Path) -> None:
    """The map of a machine with 2,000 functions fits on one screen and still names its drives."""
    with opened(running, hall_page(), tmp_path) as look:
        box = look.page.locator(".only-wide svg").bounding_box()
        assert box is not None
        assert 900 > box["height"]
        assert "nvme0" in (look.page.locator(".only-wide svg").text_content() or "")


def test_a_drawing_says_what_it_is(running: Browser, tmp_path: Path) -> None:
    """To a screen reader each drawing is an image with a name, and its words come with it."""
    with opened(running, whole_page(), tmp_path) as look:
        names = [one.get_attribute("aria-labelledby") or "" for one in look.page.get_by_role("img").all()]
        assert names
        assert [] == [name for name in names if len(name.split()) != 2]
        assert look.page.get_by_role("img", name="Map of bench-1").count() == 2
        assert look.page.get_by_role("img", name="Temperatures and rates of the soak of bench-1").count() == 1
    with opened(running, plans.plan_page(), tmp_path) as look:
        assert look.page.get_by_role("img", name="The slots of bench-1, before and after").count() == 1


# --- Keyboard --------------------------------------------------------------------------------------------------


def focused(look: Look) -> dict[str, str]:
    """Where the keyboard is now."""
    found: dict[str, str] = look.ask(
        """() => { const one = document.activeElement, style = getComputedStyle(one);
        return {href: one.getAttribute('href') || '', id: one.id, outline: style.outlineStyle,
                width: style.outlineWidth, left: String(one.getBoundingClientRect().left)} }"""
    )
    return found


def test_the_first_key_offers_to_skip_to_the_report(running: Browser, tmp_path: Path) -> None:
    """The first press of Tab shows a link that leads past the contents."""
    with opened(running, page_of("bench-2-worn-riser"), tmp_path) as look:
        look.page.keyboard.press("Tab")
        first = focused(look)
        assert "#report" == first["href"]
        assert 0 <= float(first["left"])
        look.page.keyboard.press("Enter")
        assert "report" == focused(look)["id"]


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_every_finding_is_reached_by_keyboard(running: Browser, tmp_path: Path, width: int) -> None:
    """Tab goes through a link to each finding, with its place plain to see; Enter brings the reader to the finding."""
    name = "bench-2-failing-drives"
    with opened(running, page_of(name), tmp_path, width=width) as look:
        wanted = {f"#machine-1-finding-{number}" for number in range(1, len(findings(audited(name))) + 1)}
        assert wanted
        seen = set()
        for _ in range(len(wanted) + 40):
            look.page.keyboard.press("Tab")
            now = focused(look)
            if now["href"] in wanted:
                seen.add(now["href"])
                assert ("solid", "3px") == (now["outline"], now["width"])
        assert wanted == seen
        look.page.locator(f'a[href="{max(wanted)}"]').first.focus()
        look.page.keyboard.press("Enter")
        assert max(wanted)[1:] == focused(look)["id"]
        top = look.ask("() => document.activeElement.getBoundingClientRect().top")
        assert 0 <= top < 900


# --- Dark and print --------------------------------------------------------------------------------------------


def test_dark_is_dark(running: Browser, tmp_path: Path) -> None:
    """In the dark the ground is dark and the words are light; in the light it is the other way round."""
    script = """() => ['backgroundColor', 'color'].map(name => getComputedStyle(document.documentElement)[name]
        .match(/[0-9]+/g).slice(0, 3).reduce((sum, part) => sum + Number(part), 0) / 3)"""
    for scheme in ("light", "dark"):
        with opened(running, page_of("bench-2-worn-riser"), tmp_path, scheme=scheme) as look:
            ground, ink = look.ask(script)
            assert (ground > 200 and ink < 60) if scheme == "light" else (ground < 60 and ink > 200)


@both_schemes
def test_print_is_black_on_white_and_whole(running: Browser, tmp_path: Path, scheme: Scheme) -> None:
    """On paper the ground is white whatever the screen is, and every finding, caution, step and drawing is there."""
    with opened(running, whole_page(), tmp_path, scheme=scheme, width=700) as look:
        look.page.emulate_media(media="print", color_scheme=scheme)
        assert "rgb(255, 255, 255)" == look.ask("() => getComputedStyle(document.documentElement).backgroundColor")
        hidden = look.ask(
            """() => [...document.querySelectorAll(
                '.finding, .cautions, .cautions li, .steps li, .badge, .answer, .only-wide svg')].filter(one =>
                !one.closest('.not-printed') && (
                one.getClientRects().length === 0 || getComputedStyle(one).visibility !== 'visible')).length"""
        )
        assert 0 == hidden
        assert 0 >= look.ask(TOO_WIDE)
        assert 0 == look.ask("() => document.querySelector('nav').getClientRects().length")


@pytest.mark.parametrize("name", FOLDERS)
def test_a_page_prints_to_few_sheets_of_a4(running: Browser, tmp_path: Path, name: str) -> None:
    """Printed to PDF the sheets are A4; a machine without a finding takes two, one with a fault four at most.

    What could not be read, and what root would add, may take a third.
    """
    found = findings(audited(name))
    few = 3 if audited(name).unread else 2
    most = few if not found else 4 if len(found) < MANY_FINDINGS else MANY_SHEETS
    with opened(running, page_of(name), tmp_path) as look:
        sheets = look.page.pdf(prefer_css_page_size=True)
    boxes = re.findall(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", sheets)
    assert 1 <= len(boxes) <= most
    for wide, tall in boxes:
        assert pytest.approx(A4, abs=1) == (float(wide), float(tall))


def test_there_are_machines_with_few_findings_and_with_many() -> None:
    """The bounds of sheets are put to machines without findings, with a few and with many."""
    counts = [len(findings(audited(name))) for name in FOLDERS]
    assert 0 in counts
    assert {1, 2} <= set(counts)
    assert [count for count in counts if count >= MANY_FINDINGS]


@pytest.mark.parametrize(("made", "most"), [(plans.small_page, 2), (plans.plan_page, 3)])
def test_a_plan_prints_to_few_sheets(running: Browser, tmp_path: Path, made: Callable[[], str], most: int) -> None:
    """A small plan prints to two sheets, one of six slots and nine steps to three, with every caution and drawing."""
    with opened(running, made(), tmp_path, width=700) as look:
        assert most >= len(re.findall(rb"/MediaBox ", look.page.pdf(prefer_css_page_size=True)))
        look.page.emulate_media(media="print")
        shown = look.ask(
            """() => [...document.querySelectorAll(
                '.cautions li, .steps li, .badge, .answer, .only-wide svg')].map(one => one.getClientRects().length)"""
        )
        assert shown
        assert 0 not in shown


# --- For everybody ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "width"), [(name, width) for name in ALL for width in (PHONE, DESK) if name != "hall" or width == DESK]
)
@both_schemes
def test_axe_finds_no_barrier(running: Browser, tmp_path: Path, name: str, scheme: Scheme, width: int) -> None:
    """The checker of accessibility finds nothing on any page, light or dark, narrow or wide."""
    checker = axe()
    with opened(running, ALL[name](), tmp_path, scheme=scheme, width=width) as look:
        look.ask(checker)
        found = look.ask(
            """async () => (await axe.run(document)).violations.map(
                one => `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map(node => node.html.slice(0, 200))}`)"""
        )
        assert [] == found


def test_axe_finds_barriers_where_there_are_some(running: Browser, tmp_path: Path) -> None:
    """The checker finds pale words and a picture without words, so that its silence means something."""
    checker = axe()
    poor = "<!DOCTYPE html><html lang=en><title>x</title><main><h1>x</h1><p style='color:#ccc'>pale</p><img></main>"
    with opened(running, poor, tmp_path) as look:
        look.ask(checker)
        found = look.ask("async () => (await axe.run(document)).violations.map(one => one.id)")
        assert {"color-contrast", "image-alt"} <= set(found)
