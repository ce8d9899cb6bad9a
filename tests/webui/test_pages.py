"""The pages without a browser: they answer, escape names, carry the cautions, stay strict and light."""

import html.parser
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from tests.webui.photos import jpeg
from tests.webui.small_job import SUPERVISOR, WHO, small_job
from webui.app import create_app
from webui.cautions import GOVERNS, SHOOTING
from webui.desk import Desk, desk_of
from webui.pages.history import value_in_words
from webui.settings import Settings

# What a page weighs at most without its photos (the goal of the review page), bytes.
_MOST_BYTES = 150_000
_MARKUP = "<img src=x onerror=alert(1)>\"'&amp;"
_STATIC = Path(__file__).resolve().parents[2] / "webui" / "static"
_PASSWORD = "eleven bent nails"  # noqa: S105  of an account that lives as long as its test
PAGES = (
    "",
    "?place=run+1+left",
    "?kind=ridge",
    "/setup",
    "/photos/c10.jpg",
    "/ridge",
    "/plan",
    "/record",
    "/history",
)


class _Reader(html.parser.HTMLParser):
    """Collects what a strict Content-Security-Policy forbids, and the files that a page loads."""

    def __init__(self) -> None:
        super().__init__()
        self.inline: list[str] = []
        self.loaded: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.tags.append(tag)
        # JSON in a script element is data, which no policy stops and no browser runs.
        is_code = tag == "script" and "src" not in values and values.get("type") != "application/json"
        if is_code or tag == "style":
            self.inline.append(tag)
        self.inline += [name for name in values if name == "style" or name.startswith("on")]
        address = values.get("src") if tag == "script" else values.get("href") if tag == "link" else None
        if address:
            self.loaded.append(address)


def _read(text: str) -> _Reader:
    reader = _Reader()
    reader.feed(text)
    return reader


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Desk, FlaskClient, str]]:
    """A desk with the small job, somebody who looks at it, and the job's address."""
    app = create_app(Settings(tmp_path_factory.mktemp("pages") / "data"))
    desk = desk_of(app)
    job = small_job(desk.store)
    yield desk, app.test_client(), f"/jobs/{job.id}"
    desk.close()


def _page(desk: tuple[Desk, FlaskClient, str], end: str, status: int = 200) -> str:
    _, client, job = desk
    answer = client.get("/" if end == "/" else f"{job}{end}")
    assert answer.status_code == status
    assert answer.mimetype == "text/html"
    return answer.text


@pytest.mark.parametrize("end", ["/", *PAGES])
def test_page_has_one_heading_a_title_and_its_language(desk, end):
    text = _page(desk, end)
    tags = _read(text).tags
    assert tags.count("h1") == tags.count("main") == 1
    assert re.search(r"<title>[^<]+ · ridgewitness</title>", text)
    assert '<html lang="en">' in text


@pytest.mark.parametrize("end", ["/", *PAGES])
def test_page_holds_no_inline_script_or_style_and_loads_from_here_only(desk, end):
    reader = _read(_page(desk, end))
    assert reader.inline == []
    assert reader.loaded
    assert all(address.startswith("/static/") for address in reader.loaded)


@pytest.mark.parametrize("end", ["/", *PAGES])
def test_policy_of_a_page_allows_scripts_and_styles_from_here_only(desk, end):
    _, client, job = desk
    policy = client.get("/" if end == "/" else f"{job}{end}").headers["Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == rules["style-src"] == "'self'"


def _weight(files: set[str]) -> int:
    """Return what files weigh with the modules that they import."""
    todo, seen = set(files), set()
    while todo:
        name = todo.pop()
        seen.add(name)
        text = (_STATIC / name).read_text(encoding="utf-8") if name.endswith(".js") else ""
        todo |= set(re.findall(r'(?:from|import) "\./([\w.]+)"', text)) - seen
    return sum((_STATIC / name).stat().st_size for name in seen)


@pytest.mark.parametrize("end", ["/", *PAGES])
def test_page_with_all_that_it_loads_but_photos_weighs_at_most_150_kb(desk, end):
    text = _page(desk, end)
    files = {address.removeprefix("/static/") for address in _read(text).loaded}
    assert len(text.encode()) + _weight(files) <= _MOST_BYTES


@pytest.mark.parametrize("end", ["", "?kind=ridge", "/ridge"])
def test_cautions_stand_where_the_instructions_to_shoot_are(desk, end):
    text = _page(desk, end)
    assert "stand well apart" in text or "What would help" in text
    assert SHOOTING.replace("'", "&#39;") in text


def test_caution_about_tapes_stands_beside_the_taped_distances(desk):
    assert "never pull a tape along a roof&#39;s edge" in _page(desk, "/setup")


@pytest.mark.parametrize("end", ["/plan", "/record"])
def test_defaults_are_said_not_to_be_code_on_plan_and_record(desk, end):
    assert GOVERNS.replace("'", "&#39;") in _page(desk, end)


def test_strip_says_every_place_and_its_state_in_words(desk):
    text = _page(desk, "")
    # One spacing does not meet but was overruled, another cannot be told.
    assert 'aria-label="run 1 left: cannot tell, 1 photo' in text
    assert 'aria-label="gable end A: no photo' in text


def test_close_up_says_who_overruled_what_and_why(desk):
    text = _page(desk, "/photos/c10.jpg")
    assert f"Overruled by {SUPERVISOR}" in text
    assert "=Engineer allows it; L. Orm saw it" in text


def test_history_tells_who_did_what_newest_first(desk):
    text = _page(desk, "/history")
    assert WHO in text
    assert text.index("signed off") < text.index("photo added")


@pytest.mark.parametrize("end", ["/photos/none.jpg", "/photos/%2e%2e%2fstyle.css", "/nowhere"])
def test_page_that_is_not_there_is_said_in_words_with_a_way_back(desk, end):
    text = _page(desk, end, 404)
    assert "<h1>Not here</h1>" in text
    assert 'href="/"' in text


def test_job_that_is_not_there_is_said_in_words(desk):
    _, client, _ = desk
    answer = client.get("/jobs/none")
    assert (answer.status_code, "<h1>Not here</h1>" in answer.text) == (404, True)


def test_place_that_no_ridge_has_changes_nothing_on_the_page(desk):
    assert 'id="place"' not in _page(desk, "?place=nowhere+at+all")


def test_search_finds_a_job_by_its_notes_and_says_when_none_holds_the_words(desk):
    _, client, _ = desk
    assert "Alder Street 12" in client.get("/?search=first+visit").text
    assert "No job holds every one of these words." in client.get("/?search=chimney").text


def test_markup_in_every_name_is_shown_as_it_was_typed(tmp_path):
    app = create_app(Settings(tmp_path / "data"))
    desk, client = desk_of(app), app.test_client()
    store = desk.store
    try:
        job_id = store.create_job(_MARKUP, "metric", _MARKUP, notes=_MARKUP)
        photo, _ = store.add_photo(job_id, jpeg(), f"{_MARKUP}.jpg", _MARKUP, place="run 1 left")
        ridge, _ = store.add_photo(job_id, jpeg(2), f"{_MARKUP}.jpg", _MARKUP, kind="ridge")
        store.change_photo(job_id, photo.name, _MARKUP, set_aside=_MARKUP)
        store.change_photo(job_id, ridge.name, _MARKUP, ends={"a": (10.0, 20.0)})
        client.put("/api/session", json={"who": _MARKUP})
        job = f"/jobs/{job_id}"
        ends = ("", "/setup", f"/photos/{photo.name}", "/ridge", "/plan", "/record", "/history")
        for address in ("/", f"/?search={_MARKUP[:4]}", *(job + end for end in ends)):
            answer = client.get(address)
            assert answer.status_code == 200, address
            assert "<img src=x" not in answer.text, address
            assert _read(answer.text).inline == [], address
        assert "&lt;img src=x onerror=alert(1)&gt;" in client.get(job).text
    finally:
        desk.close()


def test_form_from_elsewhere_without_its_token_changes_nothing(desk):
    opened, client, job = desk
    before = opened.store.job(job.rpartition("/")[2]).log_head
    answer = client.post(f"{job}/setup", data={"pick-sigma": "9"})
    assert answer.status_code == 400
    assert opened.store.job(job.rpartition("/")[2]).log_head == before


def test_pages_lead_to_the_log_in_where_accounts_are_and_back_to_ours_only(tmp_path):
    app = create_app(Settings(tmp_path / "data"))
    desk, client = desk_of(app), app.test_client()
    try:
        desk.accounts.add("R. Vane", "reader", _PASSWORD)
        away = client.get("/jobs/some?place=run+1+left")
        assert (away.status_code, away.location) == (303, "/login?next=/jobs/some?place%3Drun%2B1%2Bleft")
        onward = (("/jobs/some", "/jobs/some"), ("https://elsewhere.example/", "/"), ("//elsewhere", "/"))
        for asked, led in onward:
            page = client.get("/login", query_string={"next": asked}).text
            token = re.search(r'name="csrf_token" value="([^"]+)"', page)
            assert token is not None
            form = {"csrf_token": token[1], "name": "R. Vane", "password": _PASSWORD, "next": asked}
            answer = client.post("/login", data=form)
            assert (answer.status_code, answer.location) == (303, led)
    finally:
        desk.close()


def test_wrong_password_is_said_without_saying_which_was_wrong(tmp_path):
    app = create_app(Settings(tmp_path / "data"))
    desk, client = desk_of(app), app.test_client()
    try:
        desk.accounts.add("R. Vane", "reader", _PASSWORD)
        token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/login").text)
        assert token is not None
        form = {"csrf_token": token[1], "password": "twelve bent nails"}
        told = [client.post("/login", data={**form, "name": name}) for name in ("R. Vane", "nobody")]
        assert [each.status_code for each in told] == [403, 403]
        assert all("Name and password do not go together" in each.text for each in told)
    finally:
        desk.close()


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (None, "none"),
        (True, "yes"),
        (12.0, "12"),
        ({"a": [812.4, 1033.0], "b": [2790.123, 1001.6]}, "a (812.4, 1033), b (2790.12, 1001.6)"),
        ({"add": [[1.5, 2.0]], "move": [], "edge": None}, "add (1.5, 2)"),
        ({"add": [], "edge": None}, "none"),
        (["card", "panel"], "card, panel"),
        ("run 1 left", "run 1 left"),
    ],
)
def test_value_of_the_change_log_is_said_in_words(value, words):
    assert value_in_words(value) == words
