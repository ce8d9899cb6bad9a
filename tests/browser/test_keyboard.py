"""A job by the keys alone: no mouse, no focus by script (WCAG 2.2: 2.1.1, 2.1.2, 2.4.3, 2.4.7, 2.4.11)."""

import io
import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import DESK, PHONE
from tests.browser.desk import ServedDesk
from tests.browser.keys import Keys
from webui.findings import place_statuses
from webui.job import Job
from webui.store import Store

_WORK_MS = 90_000
_PAGES = ("", "/setup", "/ridge", "/plan", "/record", "/history", "/photos/lap_1.jpg")
_RIM_PX = 6
# Controls that a person can see; of a group of radio buttons Tab leads to one, arrows to the others.
_CONTROLS = """() => {
    const all = document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex]");
    const open = [...all].filter((part) => part.checkVisibility({ visibilityProperty: true })
        && !part.matches(":disabled, [type=hidden], [type=radio]:not(:checked), [tabindex='-1']"));
    return open.map((part) => [Number(part.dataset.stop || 0), part.outerHTML.slice(0, 160)]);
}"""
# What has the focus, or its label where it is cut away itself.
_BOX = """() => {
    const here = document.activeElement;
    const isCutAway = getComputedStyle(here).clipPath !== "none";
    const box = (isCutAway ? here.labels[0] : here).getBoundingClientRect();
    return [box.left, box.top, box.right, box.bottom];
}"""


@pytest.fixture
def own_desk(tmp_path: Path, measured_folder: Path) -> Iterator[ServedDesk]:
    """A server with a measured job of this test alone."""
    shutil.copytree(measured_folder, tmp_path / "data")
    served = ServedDesk(tmp_path / "data")
    yield served
    served.close()


def test_job_by_the_keys_alone(
    own_desk: ServedDesk, open_page: Callable[..., Page], sample_images: Path, job: Job
) -> None:
    page = open_page(own_desk.url)
    keys = Keys(page)
    _create_job(page, keys)
    _skip_to_the_content(page, keys)
    _add_photo(page, keys, sample_images / "run_1.jpg")
    _open_measured_job(page, keys, job)
    _pick_end(page, keys, sample_images)
    _go_along_the_strip(page, keys, job)
    _correct_rivet(page, keys)
    _overrule(page, keys)
    _sign_off(page, keys)
    with Store(own_desk.folder) as store:
        after = store.job(job.id)
    assert [(each.action, each.who) for each in after.decisions] == [
        ("overrule", "R. Vane"),
        ("sign off", "R. Vane"),
    ]


def _create_job(page: Page, keys: Keys) -> None:
    keys.go_to(page.get_by_role("textbox", name="Name", exact=True))
    keys.type_over("Mill Lane 4")
    keys.use(page.get_by_role("button", name="Create the job"))
    # The dialog takes the focus, and keeps it while it is open.
    dialog = page.get_by_role("dialog")
    expect(dialog.get_by_role("textbox")).to_be_focused()
    assert len(list(keys.stops())) == 3
    keys.go_to(dialog.get_by_role("textbox"))
    keys.type_over("R. Vane")
    keys.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Mill Lane 4")


def _skip_to_the_content(page: Page, keys: Keys) -> None:
    page.wait_for_load_state("domcontentloaded")
    keys.press("Tab")
    expect(page.get_by_role("link", name="To the content")).to_be_focused()
    expect(page.get_by_role("link", name="To the content")).to_be_in_viewport()
    keys.press("Enter")
    expect(page.get_by_role("main")).to_be_focused()
    keys.press("Tab")
    assert page.evaluate("document.getElementById('main').contains(document.activeElement)")


def _add_photo(page: Page, keys: Keys, photo: Path) -> None:
    """Choosing is the system's own dialog, which no browser without a screen has."""
    keys.go_to(page.locator("#files"))
    page.locator("#files").set_input_files(photo)
    expect(page.locator("#photos .card")).to_have_count(1)


def _open_measured_job(page: Page, keys: Keys, job: Job) -> None:
    keys.use(page.get_by_role("link", name="ridgewitness"))
    keys.use(page.get_by_role("link", name=job.name))
    expect(page.get_by_role("heading", level=1)).to_have_text(job.name)


def _go(page: Page, keys: Keys, name: str) -> None:
    keys.go_to(page.get_by_role("navigation", name="This job").get_by_role("link", name=name, exact=True))
    with page.expect_event("domcontentloaded"):
        keys.press("Enter")


def _wait_for_photo(page: Page) -> None:
    expect(page.locator("#pane")).to_have_attribute("data-scale", re.compile(r"\d"))


def _pick_end(page: Page, keys: Keys, samples: Path) -> None:
    """Take end A away, pick it again nearby, and move it to its pixel."""
    x, y = json.loads((samples / "shoot.json").read_text(encoding="utf-8"))["photos"]["house_1.jpg"]["a"]
    _go(page, keys, "Length")
    _wait_for_photo(page)
    end, pane = page.locator("#pane .mark[data-id=a]"), page.locator("#pane")
    keys.go_to(page.get_by_label("Snap to corners"))
    keys.press("Space")
    keys.go_to(end)
    keys.press("Delete")
    expect(page.locator("#picks")).to_contain_text("End A: not picked")
    expect(pane).to_be_focused()
    keys.go_to(page.get_by_role("radio", name="Look"), "Shift+Tab")
    keys.press("ArrowRight")
    expect(page.get_by_role("radio", name="Pick A")).to_be_checked()
    keys.go_to(pane)
    expect(page.locator(".loupe")).to_be_visible()
    keys.press(*["ArrowLeft"] * 5, "+", "+", "Enter")
    expect(end).to_be_focused()
    _move(keys, end, x, y)
    expect(page.locator("#picks")).to_contain_text(f"End A: x {x:.1f}, y {y:.1f} px")
    expect(page.locator(".loupe")).to_be_visible()
    expect(page.get_by_role("link", name=re.compile(r"house_1\.jpg"))).to_contain_text("A and B picked")


def _move(keys: Keys, end: Locator, x: float, y: float) -> None:
    """Move a mark by tens of pixels, by single ones and by tenths, as its name tells where it is."""
    for step, held in ((10.0, "Shift+"), (1.0, ""), (0.1, "Alt+")):
        label = end.get_attribute("aria-label")
        assert label is not None
        here = [float(each) for each in re.findall(r"[\d.]+", label)]
        ways = ("ArrowRight", "ArrowLeft"), ("ArrowDown", "ArrowUp")
        for now, wanted, (more, less) in zip(here, (x, y), ways, strict=True):
            steps = int(abs(wanted - now) / step + 1e-6)
            keys.press(*[held + (more if wanted > now else less)] * steps)


def _go_along_the_strip(page: Page, keys: Keys, job: Job) -> None:
    """Tab leads along the ridge from gable end A to gable end B."""
    _go(page, keys, "Ridge")
    places = page.locator(".wide-only .place")
    keys.go_to(places.first)
    names = []
    for _ in range(places.count()):
        names.append(page.locator(":focus").get_attribute("data-place"))
        keys.press("Tab")
    statuses = place_statuses(job)
    assert names == [str(each.span.place) for each in statuses]
    keys.go_to(page.locator(".wide-only [data-place='run 1 left']"), "Shift+Tab")
    with page.expect_event("domcontentloaded"):
        keys.press("Enter")
    expect(page.get_by_role("heading", name="Run 1 left")).to_be_focused()


def _correct_rivet(page: Page, keys: Keys) -> None:
    keys.go_to(page.locator("#place").get_by_role("link", name="run_1.jpg"))
    with page.expect_event("domcontentloaded"):
        keys.press("Enter")
    _wait_for_photo(page)
    rivets = page.locator("#pane .mark")
    expect(rivets).to_have_count(4)
    keys.go_to(rivets.first)
    labels = []
    for _ in range(4):
        labels.append(page.locator(":focus").get_attribute("aria-label"))
        keys.press("Tab")
    assert labels == [f"rivet {number}, run" for number in (1, 2, 3, 4)]
    keys.go_to(page.get_by_role("button", name="rivet 1, run"), "Shift+Tab")
    keys.press("ArrowRight", "ArrowLeft", "ArrowRight")
    expect(page.locator("#trial-told")).to_contain_text("1 mark changed. Measured again", timeout=_WORK_MS)
    expect(page.locator("#trial-table")).to_contain_text("rivet spacing")
    keys.press("Delete")
    expect(rivets).to_have_count(3)
    keys.press("Control+z")
    expect(rivets).to_have_count(4)
    expect(page.locator("#trial-told")).to_contain_text("1 mark changed. Measured again", timeout=_WORK_MS)
    keys.use(page.get_by_role("button", name="Keep them"))
    expect(page.locator("#changes")).to_contain_text("marks: none", timeout=_WORK_MS)
    expect(page.locator("#pane .mark[aria-label*='by hand']")).to_have_count(1, timeout=_WORK_MS)
    expect(page.locator("#pane")).to_be_focused()


def _overrule(page: Page, keys: Keys) -> None:
    finding = page.locator(".finding", has_text="rivet spacing").first
    summary = finding.get_by_label(re.compile("^Overrule"))
    keys.use(summary)
    keys.press("Tab")
    expect(finding.get_by_label("What holds instead")).to_be_focused()
    keys.press("d")
    expect(finding.get_by_label("What holds instead")).to_have_value("does not meet")
    keys.use(finding.get_by_role("button", name="Overrule", exact=True))
    # Without a reason the browser leads to where it is missing.
    expect(finding.get_by_label("Why")).to_be_focused()
    page.keyboard.type("The head is loose; seen from the ladder.")
    keys.use(finding.get_by_role("button", name="Overrule", exact=True))
    expect(page.locator("#findings")).to_contain_text("Overruled by R. Vane")
    expect(summary).to_be_focused()


def _sign_off(page: Page, keys: Keys) -> None:
    _go(page, keys, "Record")
    keys.go_to(page.get_by_label("Remark"))
    page.keyboard.type("First visit.")
    keys.use(page.get_by_role("button", name="Sign off"))
    expect(page.get_by_text("Signed off by R. Vane")).to_be_visible()
    expect(page.get_by_role("heading", name="Sign-off")).to_be_focused()


@pytest.mark.parametrize(
    ("address", "viewport"),
    [
        *((each, DESK) for each in ("/", *_PAGES)),
        *((each, PHONE) for each in ("", "/setup", "/photos/lap_1.jpg")),
    ],
)
def test_tab_leads_to_every_control_in_its_order_and_shows_where_it_is(
    measured_desk: ServedDesk,
    job: Job,
    open_page: Callable[..., Page],
    address: str,
    viewport: dict[str, int],
) -> None:
    page_address = address if address == "/" else f"/jobs/{job.id}{address}"
    page = open_page(measured_desk.url + page_address, viewport=viewport)
    page.wait_for_load_state("networkidle")
    keys = Keys(page)
    unseen = [stop.html for stop in keys.stops() if not _shows_focus(page)]
    assert unseen == []
    numbers, words = zip(*page.evaluate(_CONTROLS), strict=True)
    assert numbers == tuple(range(1, len(numbers) + 1)), words


def _shows_focus(page: Page) -> bool:
    """Return whether the picture shows the focus: as much changes as a line of 1 px round half of it."""
    left, top, right, bottom = page.evaluate(_BOX)
    size = page.viewport_size
    assert size is not None
    x, y = max(left - _RIM_PX, 0.0), max(top - _RIM_PX, 0.0)
    clip = {
        "x": x,
        "y": y,
        "width": min(right + _RIM_PX, size["width"]) - x,
        "height": min(bottom + _RIM_PX, size["height"]) - y,
    }
    with_focus = _grey(page.screenshot(clip=clip))
    page.evaluate("document.activeElement.blur()")
    without = _grey(page.screenshot(clip=clip))
    changed = np.count_nonzero(np.abs(with_focus - without) > 40)
    return bool(changed >= min(right - left, size["width"]) + min(bottom - top, size["height"]))


def _grey(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"), dtype=np.int16)
