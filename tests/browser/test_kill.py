"""The server killed in the middle of an upload from the page: it goes on; the photo is kept once, whole."""

import hashlib
import re
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Page, Request, expect

from tests.browser.conftest import say_who
from tests.browser.desk import ServedDesk
from webui.change_log import check_chain
from webui.store import Store

# What the connection carries: the upload takes some seconds, so that the server dies in the middle of it.
_BYTES_PER_S = 6 * 2**20
_UPLOAD_MS = 60_000


@pytest.fixture
def large_photo(tmp_path: Path) -> Path:
    """A photo of 24 million bytes: noise, which cannot be compressed."""
    noise = np.random.default_rng(9).integers(0, 256, (2000, 4000, 3), dtype=np.uint8)
    path = tmp_path / "ridge.png"
    path.write_bytes(cv2.imencode(".png", noise)[1].tobytes())
    return path


def test_upload_goes_on_by_itself_when_the_server_is_back(
    desk: ServedDesk, open_page: Callable[..., Page], large_photo: Path
) -> None:
    page, taken = _job_page(desk, open_page), []
    page.on("requestfinished", lambda request: taken.extend(_piece_taken(request)))
    _slow_down(page)
    page.locator("#files").set_input_files(large_photo)
    for part in (0.2, 0.6):
        _wait_until_sent(page, part)
        desk.kill()
        expect(page.locator("#uploads-list")).to_contain_text("no connection; trying again")
        desk.start()
    expect(page.locator("#uploads-list")).to_contain_text("here", timeout=_UPLOAD_MS)
    expect(page.locator("#photos .card")).to_have_count(1)
    # What was acknowledged is not sent again.
    assert len(taken) > 10
    assert taken == sorted(set(taken))
    _assert_kept_once(desk, large_photo)


def test_upload_of_a_closed_page_goes_on_when_the_photo_is_chosen_again(
    desk: ServedDesk, open_page: Callable[..., Page], large_photo: Path
) -> None:
    page, taken = _job_page(desk, open_page), []
    _slow_down(page)
    page.locator("#files").set_input_files(large_photo)
    _wait_until_sent(page, 0.4)
    desk.kill()
    address = page.url
    page.context.close()
    desk.start()
    page = open_page(address)
    page.on("requestfinished", lambda request: taken.extend(_piece_taken(request)))
    say_who(page)
    page.locator("#files").set_input_files(large_photo)
    expect(page.locator("#photos .card")).to_have_count(1, timeout=_UPLOAD_MS)
    assert taken[0] >= 0.4 * large_photo.stat().st_size
    _assert_kept_once(desk, large_photo)


def _job_page(desk: ServedDesk, open_page: Callable[..., Page]) -> Page:
    """Create a job and return its page."""
    page = open_page(desk.url)
    say_who(page)
    page.get_by_role("textbox", name="Name", exact=True).fill("Alder Street 12")
    page.get_by_role("button", name="Create the job").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Alder Street 12")
    return page


def _slow_down(page: Page) -> None:
    """Let the page's connection carry no more than a radio would."""
    speed = {"offline": False, "latency": 1, "downloadThroughput": -1, "uploadThroughput": _BYTES_PER_S}
    page.context.new_cdp_session(page).send("Network.emulateNetworkConditions", speed)


def _wait_until_sent(page: Page, part: float) -> None:
    """Wait until this part of the photo is acknowledged."""
    bar = "document.getElementById('uploads-bar')"
    page.wait_for_function(f"part => {bar}.value / {bar}.max > part", arg=part)


def _piece_taken(request: Request) -> list[int]:
    """Return where a piece began that the server acknowledged."""
    answer = request.response() if re.search(r"/uploads/\w+$", request.url) else None
    if request.method != "PATCH" or answer is None or not answer.ok:
        return []
    return [int(request.headers["upload-offset"])]


def _assert_kept_once(desk: ServedDesk, photo: Path) -> None:
    desk.kill()
    with Store(desk.folder) as store:
        job = store.job(store.jobs()[0].id)
        kept = [store.originals.path(each.sha256).read_bytes() for each in job.photos]
    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    assert [each.sha256 for each in job.photos] == [digest]
    assert [hashlib.sha256(each).hexdigest() for each in kept] == [digest]
    assert [entry.what for entry in job.log] == ["job created", "photo added"]
    assert check_chain(job.log, job.id, job.log_entries, job.log_head) == ()
    assert list((desk.folder / "uploads").iterdir()) == []
    files = [path for path in (desk.folder / "originals").rglob("*") if path.is_file()]
    assert [path.name for path in files] == [digest]
