"""A browser for all tests, a page for each; skipped where none is installed, failed where CI misses one."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.browser.desk import BROWSERS, ServedDesk, find_browser
from tests.webui.measured_job import measured_job
from webui.job import Job
from webui.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

# A phone as they were for years, in CSS pixels; the smallest that the pages are made for.
PHONE = {"width": 360, "height": 740}
DESK = {"width": 1280, "height": 800}
_WAIT_MS = 20_000


def _missing(reason: str) -> None:
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def say_who(page: "Page") -> None:
    """Give a name to a desk without accounts, and wait until the page is there again under it."""
    from playwright.sync_api import expect

    page.get_by_role("button", name="Who are you?").click()
    page.get_by_role("dialog").get_by_role("textbox").fill("R. Vane")
    page.get_by_role("button", name="Go on").click()
    # A form acts once its modules have run.
    expect(page.locator("[data-ready] [data-ask-who=known]")).to_contain_text("You are R. Vane")


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """The installed browser."""
    program = find_browser()
    if program is None:
        _missing(f"no browser is installed (looked for {', '.join(BROWSERS)}); apt-get install chromium")
    try:
        from playwright.sync_api import expect, sync_playwright
    except ImportError:
        _missing("playwright is not installed; pip install -e '.[test]'")
    # The browser refuses to sandbox itself for root, as which containers run.
    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    expect.set_options(timeout=_WAIT_MS)
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=program, args=options)
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def measured_folder(tmp_path_factory: pytest.TempPathFactory, sample_images: Path) -> Path:
    """A data folder with a measured job; copied before it is changed."""
    folder = tmp_path_factory.mktemp("measured") / "data"
    with Store(folder) as store:
        measured_job(store, sample_images)
    return folder


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[ServedDesk]:
    """A server with an empty data folder."""
    served = ServedDesk(tmp_path / "data")
    yield served
    served.close()


@pytest.fixture(scope="module")
def measured_desk(tmp_path_factory: pytest.TempPathFactory, measured_folder: Path) -> Iterator[ServedDesk]:
    """A server with the measured job, of this module alone."""
    folder = tmp_path_factory.mktemp("desk") / "data"
    shutil.copytree(measured_folder, folder)
    served = ServedDesk(folder)
    yield served
    served.close()


@pytest.fixture(scope="module")
def job(measured_desk: ServedDesk) -> Job:
    """The measured job as it stood at the beginning."""
    with Store(measured_desk.folder) as store:
        return store.job(store.jobs()[0].id)


@pytest.fixture
def open_page(browser: "Browser") -> "Iterator[Callable[..., Page]]":
    """Open a page at an address; what the browser itself complains of fails the test."""
    contexts, complaints = [], []

    def note(message: Any) -> None:
        # A refused request is told by the page in its own words.
        if message.type == "error" and "Failed to load resource" not in message.text:
            complaints.append(message.text)

    def opened(address: str, **options: Any) -> "Page":
        context = browser.new_context(**{"viewport": DESK, "reduced_motion": "reduce", **options})
        context.set_default_timeout(_WAIT_MS)
        contexts.append(context)
        page = context.new_page()
        page.on("console", note)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []
