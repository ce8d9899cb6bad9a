"""No violation of WCAG 2.2 A and AA that axe-core finds, light or dark, wide or narrow, logged in or not."""

import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESK, PHONE, say_who
from tests.browser.desk import ServedDesk
from webui.accounts import Accounts
from webui.findings import findings_of
from webui.job import Job
from webui.store import Store

_PAGES = ("", "/setup", "/ridge", "/plan", "/record", "/history")
_ROLES = ("reader", "crew", "supervisor")
_PASSWORD = "four quiet lead flashings"  # noqa: S105
# What changes nothing: the search, and the tools of a photo.
_HARMLESS = "[role=search] *, .tools *"
_RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def _addresses(job: Job) -> list[str]:
    close_up = next(photo for photo in job.photos if photo.kind == "close-up")
    pages = [f"/jobs/{job.id}{page}" for page in _PAGES]
    return ["/", *pages, f"/jobs/{job.id}/photos/{close_up.name}", "/no-such-page"]


@pytest.fixture(scope="module")
def guarded_desk(tmp_path_factory: pytest.TempPathFactory, measured_folder: Path) -> Iterator[ServedDesk]:
    """A server with the measured job, where people log in."""
    folder = tmp_path_factory.mktemp("guarded") / "data"
    shutil.copytree(measured_folder, folder)
    with Store(folder) as store:
        for role in _ROLES:
            Accounts(store.engine).add(f"A. {role.title()}", role, _PASSWORD)
    served = ServedDesk(folder)
    yield served
    served.close()


def _violations(page: Page) -> list[tuple[str, list[str]]]:
    page.wait_for_load_state("networkidle")
    found = Axe().run(page, options=_RULES).response["violations"]
    return [(each["id"], [node["html"] for node in each["nodes"]]) for each in found]


def _log_in(page: Page, role: str, password: str = _PASSWORD) -> None:
    page.get_by_label("Name").fill(f"A. {role.title()}")
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Log in").click()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_no_page_has_a_violation(
    measured_desk: ServedDesk, job: Job, open_page: Callable[..., Page], scheme: str, viewport: dict[str, int]
) -> None:
    page = open_page(measured_desk.url, color_scheme=scheme, viewport=viewport)
    found = {}
    for address in _addresses(job):
        page.goto(measured_desk.url + address)
        found[address] = _violations(page)
    assert {address: each for address, each in found.items() if each} == {}


def test_tables_fit_where_they_are_read(
    measured_desk: ServedDesk, job: Job, open_page: Callable[..., Page]
) -> None:
    page = open_page(f"{measured_desk.url}/jobs/{job.id}/record")
    table = page.locator(".coverage")
    rules = len(table.locator("thead th").all()) - 3
    assert rules == len({finding.rule for finding in findings_of(job)})
    # Two rules more than the job has, as wide as the widest of its own.
    table.evaluate(
        "table => [1, 2].forEach(() => table.querySelectorAll('tr').forEach((row) => "
        "row.append(row.children[3].cloneNode(true))))"
    )
    room, width = table.evaluate("table => [table.parentElement.clientWidth, table.scrollWidth]")
    assert width <= room
    page = open_page(f"{measured_desk.url}/jobs/{job.id}/setup", viewport=PHONE)
    for control in page.locator(".targets input").all():
        expect(control).to_be_in_viewport(ratio=1.0)


def test_spacings_are_listed_along_the_ridge(
    measured_desk: ServedDesk, job: Job, open_page: Callable[..., Page]
) -> None:
    page = open_page(f"{measured_desk.url}/jobs/{job.id}/photos/run_1.jpg")
    between = page.locator(".finding", has_text="rivet spacing").locator(".finding-head .soft")
    expect(between).to_have_text(["rivets 1 and 2", "rivets 2 and 3", "rivets 3 and 4"])
    # Measured again, they are listed alike.
    say_who(page)
    expect(page.locator("#pane")).to_have_attribute("data-scale", re.compile(r"\d"))
    page.get_by_role("button", name="rivet 2, run").focus()
    page.keyboard.press("ArrowRight")
    rows = page.locator("#trial-table").get_by_role("rowheader", name="rivet spacing")
    expect(rows).to_have_text(
        ["rivet spacing 1–2", "rivet spacing 2–3", "rivet spacing 3–4"],
        timeout=90_000,
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_no_page_has_a_violation_where_people_log_in(
    guarded_desk: ServedDesk, job: Job, open_page: Callable[..., Page], scheme: str, viewport: dict[str, int]
) -> None:
    page = open_page(guarded_desk.url, color_scheme=scheme, viewport=viewport)
    found = {"log-in": _violations(page)}
    _log_in(page, "reader", "not the password")
    expect(page.get_by_role("alert")).to_be_visible()
    found["wrong password"] = _violations(page)
    _log_in(page, "reader")
    expect(page.get_by_role("heading", name="Jobs")).to_be_visible()
    for address in _addresses(job):
        page.goto(guarded_desk.url + address)
        found[address] = _violations(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"], address
    assert {address: each for address, each in found.items() if each} == {}


def test_log_in_leads_on_to_where_one_was_going_and_out_again(
    guarded_desk: ServedDesk, job: Job, open_page: Callable[..., Page]
) -> None:
    page = open_page(f"{guarded_desk.url}/jobs/{job.id}/record")
    expect(page).to_have_title(re.compile("^Log in"))
    _log_in(page, "crew", "not the password")
    expect(page.get_by_role("alert")).to_contain_text("do not go together")
    expect(page.get_by_label("Password")).to_have_value("")
    _log_in(page, "crew")
    expect(page).to_have_url(f"{guarded_desk.url}/jobs/{job.id}/record")
    expect(page.get_by_role("banner")).to_contain_text("A. Crew crew")
    page.get_by_role("button", name="Log out").click()
    expect(page).to_have_title(re.compile("^Log in"))
    page.goto(f"{guarded_desk.url}/jobs/{job.id}")
    expect(page).to_have_title(re.compile("^Log in"))


def test_reader_sees_everything_and_no_control_to_change_it(
    guarded_desk: ServedDesk, job: Job, open_page: Callable[..., Page]
) -> None:
    page = open_page(guarded_desk.url)
    _log_in(page, "reader")
    expect(page.get_by_role("heading", name="Jobs")).to_be_visible()
    for address in _addresses(job):
        page.goto(guarded_desk.url + address)
        page.wait_for_load_state("networkidle")
        controls = page.locator("main :is(button, input, select, textarea, [draggable])")
        changing = controls.and_(page.locator(f":not({_HARMLESS})"))
        assert changing.evaluate_all("all => all.map(each => each.outerHTML)") == [], address
    page.goto(f"{guarded_desk.url}/jobs/{job.id}/photos/run_1.jpg")
    rivet = page.get_by_role("button", name="rivet 1, run")
    rivet.focus()
    before = rivet.get_attribute("transform")
    for key in ("ArrowRight", "Delete"):
        page.keyboard.press(key)
    expect(rivet).to_have_attribute("transform", before or "")


def test_crew_may_mark_but_not_decide(
    guarded_desk: ServedDesk, job: Job, open_page: Callable[..., Page]
) -> None:
    page = open_page(f"{guarded_desk.url}/jobs/{job.id}/photos/run_1.jpg")
    _log_in(page, "crew")
    expect(page.get_by_role("radio", name="Add rivets")).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("^(Accept|Overrule)"))).to_have_count(0)
    page.goto(f"{guarded_desk.url}/jobs/{job.id}/record")
    expect(page.get_by_text("A supervisor signs off.")).to_be_visible()
    expect(page.get_by_role("button", name="Make the report")).to_be_visible()


def test_no_page_is_wider_than_a_phone(
    measured_desk: ServedDesk, job: Job, open_page: Callable[..., Page]
) -> None:
    page = open_page(measured_desk.url, viewport=PHONE)
    for address in _addresses(job):
        page.goto(measured_desk.url + address)
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= PHONE["width"], address
