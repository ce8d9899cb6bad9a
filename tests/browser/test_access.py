"""No violation of WCAG 2.2 A and AA that axe-core finds, light or dark, wide or narrow."""

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from tests.browser.conftest import DESK, PHONE
from tests.browser.desk import ServedDesk
from webui.job import Job

_PAGES = ("", "/setup", "/ridge", "/plan", "/record", "/history")
_RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def _addresses(job: Job) -> list[str]:
    close_up = next(photo for photo in job.photos if photo.kind == "close-up")
    pages = [f"/jobs/{job.id}{page}" for page in _PAGES]
    return ["/", *pages, f"/jobs/{job.id}/photos/{close_up.name}", "/no-such-page"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_no_page_has_a_violation(
    measured_desk: ServedDesk, job: Job, open_page: Callable[..., Page], scheme: str, viewport: dict[str, int]
) -> None:
    page = open_page(measured_desk.url, color_scheme=scheme, viewport=viewport)
    found = {}
    for address in _addresses(job):
        page.goto(measured_desk.url + address)
        page.wait_for_load_state("networkidle")
        violations = Axe().run(page, options=_RULES).response["violations"]
        if violations:
            found[address] = [(each["id"], [node["html"] for node in each["nodes"]]) for each in violations]
    assert found == {}


def test_no_page_is_wider_than_a_phone(
    measured_desk: ServedDesk, job: Job, open_page: Callable[..., Page]
) -> None:
    page = open_page(measured_desk.url, viewport=PHONE)
    for address in _addresses(job):
        page.goto(measured_desk.url + address)
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= PHONE["width"], address
