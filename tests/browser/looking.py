"""A browser for tests: a page of a report is opened in it, and all that it asks for or complains of is kept.

Needs Debian's chromium; without it the tests are skipped, and fail with LANEWRIGHT_LAB=require. Test help only.
"""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final, Literal

import pytest
from playwright.sync_api import sync_playwright

from tests.lab.need import cannot

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

ARGUMENTS: Final = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)
AXE: Final = "LANEWRIGHT_AXE"  # the environment variable that holds the path of axe.min.js
PHONE: Final = 360
TABLET: Final = 800
DESK: Final = 1280
WIDTHS: Final = (PHONE, TABLET, DESK)
Scheme = Literal["light", "dark"]


class Look:
    """A page that is open, with all that it asked for, said to the console, or threw."""

    def __init__(self, page: Page, address: str) -> None:
        """Listens from now on."""
        self.page = page
        self.address = address
        self.complaints: list[str] = []
        self.requests: list[str] = []
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("dialog", lambda dialog: self.complaints.append(f"dialog {dialog.message}"))
        page.on("request", lambda request: self.requests.append(request.url))

    def ask(self, script: str, given: Any = None) -> Any:  # noqa: ANN401 - whatever the script gives
        """What a script that the test brings along gives."""
        return self.page.evaluate(script, given)


@contextmanager
def browser() -> Iterator[Browser]:
    """A browser without a window."""
    program = shutil.which("chromium")
    if program is None:
        cannot("Debian's chromium is not installed")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=program, args=list(ARGUMENTS))
        try:
            yield running
        finally:
            running.close()


@contextmanager
def opened(
    running: Browser, text: str, folder: Path, *, width: int = DESK, scheme: Scheme = "light", height: int = 900
) -> Iterator[Look]:
    """A page of this text, `width` CSS pixels wide."""
    place = folder / "report.html"
    place.write_text(text, encoding="utf-8")
    page = running.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
    try:
        look = Look(page, place.as_uri())
        page.goto(look.address)
        yield look
    finally:
        page.close()


def axe() -> str:
    """The checker of accessibility (axe-core, from npm) as text; skips the test where it could not be had."""
    place = os.environ.get(AXE)
    if place is None:
        pytest.skip(f"{AXE} does not name the file of axe-core")
    if not os.path.isfile(place):
        cannot(f"{AXE} names {place}, which is not there")
    with open(place, encoding="utf-8") as file:
        return file.read()
