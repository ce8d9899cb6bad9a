"""A whole job in a real browser: photos in, ends picked, a rivet corrected, overruled, handed over."""

import json
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser.desk import ServedDesk

_WORK_MS = 90_000
_CLOSE_UPS = ("run_1.jpg", "lap_1.jpg")
_WHOLE = ("house_1.jpg", "house_2.jpg")


def test_job_walked_from_photos_to_evidence(
    desk: ServedDesk, open_page: Callable[..., Page], sample_images: Path, tmp_path: Path
) -> None:
    page = open_page(desk.url)
    _create_job(page)
    _set_up(page, sample_images)
    _add_photos(page, sample_images)
    _pick_ends(page, sample_images)
    _lay_out(page)
    _file_and_check(page)
    _correct_rivet(page)
    _overrule(page)
    _sign_off_and_export(page, tmp_path)


def _create_job(page: Page) -> None:
    page.get_by_role("textbox", name="Name", exact=True).fill("Alder Street 12")
    page.get_by_role("button", name="Create the job").click()
    # Whoever changes something first is asked for a name, once.
    page.get_by_role("dialog").get_by_role("textbox").fill("R. Vane")
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Alder Street 12")
    expect(page.get_by_role("button", name="R. Vane")).to_be_visible()


def _go(page: Page, name: str) -> None:
    """Go to a page of the job by its link, and wait until its modules have run."""
    with page.expect_event("domcontentloaded"):
        page.get_by_role("navigation", name="This job").get_by_role("link", name=name, exact=True).click()


def _set_up(page: Page, samples: Path) -> None:
    _go(page, "Set-up")
    for name, use in (("panel", "the ridge"), ("card", "close-ups")):
        page.get_by_label("Add the target file").set_input_files(samples / f"{name}.json")
        page.get_by_label("use it for").select_option(use)
        page.get_by_role("button", name="Keep the set-up").click()
        expect(page.get_by_text("Kept.", exact=True)).to_be_visible()
    expect(page.get_by_label("panel for the ridge")).to_be_checked()
    expect(page.get_by_label("card for close-ups")).to_be_checked()
    expect(page.get_by_label("card for the ridge")).not_to_be_checked()


def _add_photos(page: Page, samples: Path) -> None:
    _go(page, "Ridge")
    page.get_by_label("the whole ridge").check()
    page.locator("#files").set_input_files([samples / name for name in _WHOLE])
    expect(page.locator("#photos .card")).to_have_count(2)
    page.get_by_label("the finished cap, close up").check()
    # The first comes a second time: it is kept once, and said so.
    page.locator("#files").set_input_files([samples / name for name in (*_CLOSE_UPS, _CLOSE_UPS[0])])
    expect(page.locator("#photos .card")).to_have_count(4)
    expect(page.locator("#uploads")).to_contain_text("kept once")


def _pick_ends(page: Page, samples: Path) -> None:
    picks = json.loads((samples / "shoot.json").read_text(encoding="utf-8"))["photos"]
    _go(page, "Length")
    for name in _WHOLE:
        page.get_by_role("link", name=re.compile(name)).click()
        expect(page.get_by_label(f"Photo {name}")).to_be_visible()
        page.get_by_label("Snap to corners").uncheck()
        for end in ("a", "b"):
            page.get_by_role("radio", name=f"Pick {end.upper()}").check()
            _click_photo(page, picks[name][end])
        expect(page.get_by_role("link", name=re.compile(name))).to_contain_text("A and B picked")
    expect(page.locator("#length .big")).to_be_visible(timeout=_WORK_MS)
    # The sample house's ridge length stands in truth.json; clicks are good to 1 px.
    metric = page.locator("#length").get_by_text(re.compile(r"^\d+\.\d mm ±")).inner_text()
    length_mm, u95_mm = (float(each) for each in re.findall(r"([\d.]+) mm", metric))
    truth_mm = json.loads((samples / "truth.json").read_text(encoding="utf-8"))["ridge_mm"]
    assert abs(length_mm - truth_mm) < 2.0 * u95_mm
    expect(page.locator("#length .bar-part").first).to_be_visible()


def _click_photo(page: Page, px: list[float]) -> None:
    """Come near with the wheel, then click: farther away a click is good to four pixels only."""
    # The pane stands before its photo does: the scale is told once both are there.
    expect(page.locator("#pane")).to_have_attribute("data-scale", re.compile(r"\d"))
    page.get_by_role("button", name="Whole photo").click()
    page.locator("#pane").scroll_into_view_if_needed()
    _move_to(page, px)
    page.mouse.wheel(0, -1200)
    expect(page.locator("#pane")).to_have_attribute("data-scale", re.compile(r"^[1-9]"))
    _move_to(page, px)
    page.mouse.down()
    page.mouse.up()


def _move_to(page: Page, px: list[float]) -> None:
    box = page.locator("#pane").bounding_box()
    assert box is not None
    x, y = page.evaluate("px => document.getElementById('pane').viewer.toScreen(px)", px)
    page.mouse.move(box["x"] + x, box["y"] + y)


def _lay_out(page: Page) -> None:
    _go(page, "Plan")
    page.get_by_label("witness mark to the lower piece's end").fill('8"')
    page.get_by_role("button", name="Keep the plan").click()
    expect(page.get_by_text("Kept.", exact=True)).to_be_visible()
    # Modules have run by then.
    page.wait_for_load_state("domcontentloaded")
    page.get_by_role("button", name=re.compile("Bring up to date|Measure now")).click()
    expect(page.get_by_role("heading", name="Cut list")).to_be_visible(timeout=_WORK_MS)
    holds = page.get_by_text("Holds for every length within")
    expect(holds.or_(page.get_by_text("does not hold"))).to_be_visible()


def _file_and_check(page: Page) -> None:
    _go(page, "Ridge")
    for name, place in zip(_CLOSE_UPS, ("run 1 left", "lap 1 left"), strict=True):
        page.get_by_label(f"Place of {name}").select_option(place)
        expect(page.locator(f".wide-only [data-place='{place}']")).to_have_attribute(
            "aria-label", f"{place}: documented, 1 photo"
        )
    page.get_by_role("button", name="Bring up to date").click()
    expect(page.locator(".wide-only [data-place='run 1 left']")).to_have_attribute(
        "aria-label", re.compile("meets|cannot tell"), timeout=_WORK_MS
    )


def _correct_rivet(page: Page) -> None:
    page.locator(".wide-only [data-place='run 1 left']").click()
    page.locator("#place").get_by_role("link", name="run_1.jpg").click()
    rivets = page.locator("#pane .mark")
    expect(rivets.first).to_be_visible()
    before = rivets.count()
    rivets.first.focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#trial-told")).to_contain_text("1 mark changed")
    expect(page.locator("#trial-table")).to_contain_text("rivet spacing")
    assert int(page.locator(".stage").get_attribute("data-measured-in") or "9999") < 1500
    page.keyboard.press("Delete")
    expect(rivets).to_have_count(before - 1)
    page.keyboard.press("Control+z")
    expect(rivets).to_have_count(before)
    page.get_by_role("button", name="Keep them").click()
    expect(page.locator("#changes")).to_contain_text("marks: none", timeout=_WORK_MS)
    expect(page.locator("#pane .mark[aria-label*='by hand']")).to_have_count(1, timeout=_WORK_MS)


def _overrule(page: Page) -> None:
    finding = page.locator(".finding", has_text="rivet spacing").first
    finding.get_by_label(re.compile("^Overrule")).click()
    finding.get_by_label("What holds instead").select_option("does not meet")
    finding.get_by_role("button", name="Overrule", exact=True).click()
    assert finding.get_by_label("Why").evaluate("field => !field.validity.valid")
    finding.get_by_label("Why").fill("The head is loose; seen from the ladder.")
    finding.get_by_role("button", name="Overrule", exact=True).click()
    expect(page.locator("#findings")).to_contain_text("Overruled by R. Vane")
    expect(page.locator("#findings")).to_contain_text("The head is loose")


def _sign_off_and_export(page: Page, tmp_path: Path) -> None:
    _go(page, "Record")
    expect(page.locator(".coverage")).to_contain_text("does not meet")
    page.get_by_label("Remark").fill("First visit.")
    page.get_by_role("button", name="Sign off").click()
    expect(page.get_by_text("Signed off by R. Vane")).to_be_visible()
    for paper, first in (("report", b"%PDF-"), ("evidence", b"PK\x03\x04")):
        box = page.locator(f"[data-paper={paper}]")
        box.get_by_role("button").click()
        expect(box.get_by_role("link", name="Download")).to_be_visible(timeout=_WORK_MS)
        with page.expect_download() as download:
            box.get_by_role("link", name="Download").click()
        path = tmp_path / paper
        download.value.save_as(path)
        assert path.read_bytes().startswith(first)
    with zipfile.ZipFile(tmp_path / "evidence") as package:
        assert any(name.endswith("job.json") for name in package.namelist())
