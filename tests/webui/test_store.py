"""The data folder: what goes in comes out, every change is logged, and nothing acknowledged is lost."""

import concurrent.futures
import hashlib
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from calib.errors import FileError, MeasureError, PhotoError, RecordError
from calib.targets import built_in_target, record_from_target
from tests.webui.photos import jpeg
from webui.change_log import check_chain
from webui.database import DATABASE_FILE
from webui.errors import StoreError
from webui.job import CloseUpSetup, Job, Result, Setup
from webui.store import Store

ROOT = Path(__file__).resolve().parents[2]
WHO = "R. Vane"
CARD = record_from_target(built_in_target("card"))
RESULT = Result({"photos": []}, {"ridgewitness": "0.1.0"}, "0" * 64, "2026-05-04T10:00:00.000Z")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "data") as opened:
        yield opened


def job_of(store: Store) -> str:
    return store.create_job("Alder Street 12", "imperial", WHO, notes="north house")


def assert_whole(job: Job) -> None:
    assert check_chain(job.log, job.id, job.log_entries, job.log_head) == ()


def test_marks_are_kept_as_they_are_written(store: Store) -> None:
    job_id = job_of(store)
    photo, _ = store.add_photo(job_id, jpeg(), "a.jpg", WHO)
    given = {"add": [(10, 20)], "edge": [[5, 5], [5, 60]], "witness": None, "sealant": []}
    kept = store.change_photo(job_id, photo.name, WHO, "seen better", marks=given)
    assert kept.marks == {"add": [[10.0, 20.0]], "edge": [[5.0, 5.0], [5.0, 60.0]]}
    assert store.job(job_id).photos[0] == kept
    assert store.change_photo(job_id, photo.name, WHO, marks={"add": []}).marks is None
    assert_whole(store.job(job_id))


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        ({"rivets": []}, "a.jpg: marks: unknown key 'rivets'"),
        ({"add": [[96.0, 10.0]]}, "lies outside the photo"),
        ({"edge": [[1, 2]]}, "a line of two ends"),
    ],
)
def test_marks_that_are_none_are_refused(store: Store, marks: dict[str, Any], words: str) -> None:
    job_id = job_of(store)
    photo, _ = store.add_photo(job_id, jpeg(), "a.jpg", WHO)
    with pytest.raises(RecordError, match=words):
        store.change_photo(job_id, photo.name, WHO, marks=marks)
    assert store.job(job_id).photos[0].marks is None


def test_job_through_another_process_start_is_unchanged(tmp_path: Path) -> None:
    with Store(tmp_path) as first:
        job_id = job_of(first)
        photo, _ = first.add_photo(
            job_id, jpeg(gps=True, serial="Q-77"), "IMG 1.jpg", WHO, place="run 1 left"
        )
        first.change_photo(job_id, photo.name, WHO, kind="ridge", ends={"a": [10.5, 20], "b": (30.25, 40)})
        first.change_setup(
            job_id, Setup({"card": CARD}, close_ups=CloseUpSetup(("card",)), plan={"lap_rivets": 12}), WHO
        )
        first.put_result(job_id, "check", RESULT, WHO)
        first.decide(
            job_id, WHO, "overrule", "seen by hand", photo=photo.name, rule="lap length", verdict="meets"
        )
        before = first.job(job_id)
    with Store(tmp_path) as second:
        after = second.job(job_id)
    assert after == before
    assert_whole(after)
    assert [entry.what for entry in after.log] == [
        "job created",
        "photo added",
        "photo changed",
        "set-up changed",
        "result made",
        "finding overruled",
    ]


def test_photo_facts_come_from_its_own_metadata(store: Store) -> None:
    photo, _ = store.add_photo(job_of(store), jpeg(gps=True, serial="Q-77"), "a.jpg", WHO)
    facts = photo.facts
    assert (facts.format, facts.width_px, facts.height_px) == ("JPEG", 96, 64)
    assert (facts.make, facts.model, facts.serial) == ("Quandril", "QD-5", "Q-77")
    assert facts.taken_at == "2026-05-04T10:11:12-04:00"
    assert facts.position is not None
    assert (facts.position.latitude_deg, facts.position.longitude_deg) == (44.5, -71.25)


def test_original_is_kept_byte_for_byte_under_its_hash(store: Store, open_data: Path) -> None:
    source = open_data / "exif" / "gps" / "DSCN0010.jpg"
    photo, _ = store.add_photo(job_of(store), source, source.name, WHO)
    kept = store.originals.path(photo.sha256)
    assert kept.read_bytes() == source.read_bytes()
    assert hashlib.sha256(kept.read_bytes()).hexdigest() == photo.sha256 == kept.name
    assert not os.access(kept, os.W_OK) or os.geteuid() == 0
    assert list((store.folder / "originals" / "incoming").iterdir()) == []


def test_same_photo_twice_is_kept_once_and_said(store: Store) -> None:
    job_id = job_of(store)
    first, is_new = store.add_photo(job_id, jpeg(1), "a.jpg", WHO)
    again, is_new_again = store.add_photo(job_id, jpeg(1), "b.jpg", "other")
    assert (is_new, is_new_again) == (True, False)
    assert again == first
    assert [entry.what for entry in store.job(job_id).log] == ["job created", "photo added"]


def test_same_photo_in_two_jobs_is_one_file(store: Store) -> None:
    jobs = [job_of(store), job_of(store)]
    photos = [store.add_photo(job, jpeg(1), "a.jpg", WHO) for job in jobs]
    assert [is_new for _, is_new in photos] == [True, True]
    files = [path for path in (store.folder / "originals").rglob("*") if path.is_file()]
    assert len(files) == 1


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("IMG_0001.JPG", "IMG_0001.JPG"),
        ("../../etc/passwd.jpg", "passwd.jpg"),
        ("C:\\photos\\roof.jpg", "roof.jpg"),
        ("first ridge (2).jpg", "first-ridge-2-.jpg"),
        ("Öl–fläche.jpeg", "Olflache.jpeg"),
        ("CON.jpg", "photo-CON.jpg"),
        ("屋根", "photo"),
        (".hidden", "hidden"),
        ("a" * 300 + ".jpg", "a" * 80 + ".jpg"),
    ],
)
def test_name_of_a_photo_is_made_safe_and_the_given_one_kept(store: Store, name: str, expected: str) -> None:
    photo, _ = store.add_photo(job_of(store), jpeg(), name, WHO)
    assert (photo.name, photo.original_name) == (expected, name)


def test_photos_of_one_name_get_numbers(store: Store) -> None:
    job_id = job_of(store)
    names = [store.add_photo(job_id, jpeg(seed), "IMG_1.jpg", WHO)[0].name for seed in range(3)]
    upper, _ = store.add_photo(job_id, jpeg(9), "img_1.JPG", WHO)
    assert [*names, upper.name] == ["IMG_1.jpg", "IMG_1-2.jpg", "IMG_1-3.jpg", "img_1-4.JPG"]


def test_file_that_is_no_photo_is_refused_and_leaves_nothing(store: Store) -> None:
    job_id = job_of(store)
    with pytest.raises(PhotoError, match=r"notes\.txt: .*not a photo|notes\.txt"):
        store.add_photo(job_id, b"not a picture at all", "notes.txt", WHO)
    assert store.job(job_id).photos == ()
    assert [path for path in (store.folder / "originals").rglob("*") if path.is_file()] == []


def test_unchanged_values_write_no_entry(store: Store) -> None:
    job_id = job_of(store)
    photo, _ = store.add_photo(job_id, jpeg(), "a.jpg", WHO, place="lap 2 right")
    entries = len(store.job(job_id).log)
    store.change_job(job_id, WHO, name="Alder Street 12")
    store.change_photo(job_id, photo.name, WHO, place="lap 2 right")
    store.change_setup(job_id, Setup(), WHO)
    assert len(store.job(job_id).log) == entries


def test_log_shows_what_was_and_what_is(store: Store) -> None:
    job_id = job_of(store)
    photo, _ = store.add_photo(job_id, jpeg(), "a.jpg", WHO, place="run 1 left")
    store.change_photo(job_id, photo.name, "L. Orm", "wrong flange", place="run 1 right")
    entry = store.job(job_id).log[-1]
    assert entry.who.text == "L. Orm"
    assert entry.details.text == (
        '{"after":{"place":"run 1 right"},"before":{"place":"run 1 left"},'
        '"photo":"a.jpg","reason":"wrong flange"}'
    )


def test_list_finds_every_word_and_leaves_archived_jobs_out(store: Store) -> None:
    first = job_of(store)
    second = store.create_job("Mill 100 % done", "metric", WHO)
    assert [job.id for job in store.jobs("NORTH alder")] == [first]
    assert [job.id for job in store.jobs("100 %")] == [second]
    assert store.jobs("%%") == ()
    store.change_job(second, WHO, is_archived=True)
    assert [job.id for job in store.jobs()] == [first]
    assert [job.id for job in store.jobs(archived=True)] == [second]


def test_job_is_found_by_identifier_and_by_name(store: Store) -> None:
    job_id = job_of(store)
    assert store.find_job(job_id) == store.find_job("Alder Street 12") == job_id
    job_of(store)
    with pytest.raises(StoreError, match=r"holds 2 jobs 'Alder Street 12'; it holds .*Alder Street 12"):
        store.find_job("Alder Street 12")
    with pytest.raises(StoreError, match="holds no job 'Elm'"):
        store.find_job("Elm")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda s, j: s.job("nope"), "there is no job 'nope'"),
        (lambda s, j: s.create_job("  ", "metric", WHO), "a job needs a name"),
        (lambda s, j: s.create_job("x", "cubits", WHO), "units are imperial or metric, not 'cubits'"),
        (lambda s, j: s.change_job(j, WHO, colour="red"), "a job has no colour to change"),
        (lambda s, j: s.change_photo(j, "x.jpg", WHO, place="run 1 left"), "has no photo 'x.jpg'"),
        (lambda s, j: s.change_photo(j, "x.jpg", WHO, place="chimney"), "'chimney' is not a place"),
        (lambda s, j: s.change_photo(j, "x.jpg", WHO, sha256="0"), "a photo has no sha256 to change"),
        (
            lambda s, j: s.change_setup(j, Setup(close_ups=CloseUpSetup(("card",))), WHO),
            "has no target 'card'",
        ),
        (lambda s, j: s.change_setup(j, Setup(plan={"lap": 1}), WHO), "unknown key 'lap'"),
        (lambda s, j: s.change_setup(j, Setup({"a": CARD, "b": CARD}), WHO), "tag"),
        (lambda s, j: s.decide(j, WHO, "overrule", " ", verdict="meets"), "needs a reason"),
        (lambda s, j: s.decide(j, WHO, "overrule", "seen"), "needs the verdict"),
        (lambda s, j: s.originals.path("../../x"), "there is no original"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(store: Store, call, message: str) -> None:  # type: ignore[no-untyped-def]
    job_id = job_of(store)
    with pytest.raises(MeasureError, match=message):
        call(store, job_id)
    assert len(store.job(job_id).log) == 1


def test_database_refuses_to_change_or_remove_an_entry(store: Store) -> None:
    job_of(store)
    connection = sqlite3.connect(store.folder / DATABASE_FILE)
    for statement in ("UPDATE change_log SET what = 'x'", "DELETE FROM change_log"):
        with pytest.raises(sqlite3.IntegrityError, match="can only be added to"):
            connection.execute(statement)
    connection.close()


def test_entry_changed_behind_the_database_s_back_shows(store: Store) -> None:
    job_id = job_of(store)
    store.change_job(job_id, WHO, notes="second")
    connection = sqlite3.connect(store.folder / DATABASE_FILE, isolation_level=None)
    connection.execute("DROP TRIGGER change_log_no_update")
    connection.execute("UPDATE change_log SET who_text = 'nobody' WHERE sequence = 2")
    connection.close()
    job = store.job(job_id)
    problems = check_chain(job.log, job.id, job.log_entries, job.log_head)
    assert problems == ("change log: entry 2 was edited",)


def test_folder_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    Store(tmp_path).close()
    connection = sqlite3.connect(tmp_path / DATABASE_FILE, isolation_level=None)
    connection.execute("UPDATE about SET value = '99'")
    connection.close()
    with pytest.raises(StoreError, match="layout 99, this version reads 1"):
        Store(tmp_path)


def test_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / DATABASE_FILE).write_bytes(b"no database" * 100)
    with pytest.raises(FileError, match="cannot be opened"):
        Store(tmp_path)


def test_many_writers_at_once_lose_nothing(store: Store) -> None:
    job_id = job_of(store)
    with concurrent.futures.ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda i: store.add_photo(job_id, jpeg(i % 24), "x.jpg", WHO), range(48)))
    job = store.job(job_id)
    assert len(job.photos) == 24
    assert len({photo.name for photo in job.photos}) == 24
    assert_whole(job)


KILLED = textwrap.dedent("""
    import sys
    from pathlib import Path
    from webui.store import Store
    from tests.webui.photos import jpeg
    store = Store(Path(sys.argv[1]))
    job_id = store.jobs()[0].id
    for number in range(int(sys.argv[2]), 10_000):
        photo, _ = store.add_photo(job_id, jpeg(number), f"p{number}.jpg", "R. Vane")
        print(photo.name, photo.sha256, flush=True)
""")


def test_writer_killed_at_any_moment_loses_nothing_acknowledged(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        job_id = job_of(store)
    acknowledged: dict[str, str] = {}
    for start in range(0, 3000, 1000):
        command = [sys.executable, "-c", KILLED, str(tmp_path), str(start)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as writer:
            assert writer.stdout is not None
            for line in writer.stdout:
                name, digest = line.split()
                acknowledged[name] = digest
                if len(acknowledged) % 7 == 6:
                    writer.send_signal(signal.SIGKILL)
                    break
            acknowledged |= dict(
                line.split() for line in writer.stdout if len(line) > 60 and line.endswith("\n")
            )
    with Store(tmp_path) as store:
        job = store.job(job_id)
        assert len(acknowledged) >= 18
        assert acknowledged.items() <= {photo.name: photo.sha256 for photo in job.photos}.items()
        for photo in job.photos:
            assert hashlib.sha256(store.originals.path(photo.sha256).read_bytes()).hexdigest() == photo.sha256
    assert_whole(job)
    connection = sqlite3.connect(tmp_path / DATABASE_FILE)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


@pytest.mark.skipif(
    not os.environ.get("RIDGEWITNESS_POSTGRESQL"),
    reason="set RIDGEWITNESS_POSTGRESQL to a database URL to run",
)
def test_postgresql_does_the_same(tmp_path: Path) -> None:
    url = os.environ["RIDGEWITNESS_POSTGRESQL"]
    with Store(tmp_path, url) as store:
        job_id = job_of(store)
        with concurrent.futures.ThreadPoolExecutor(4) as pool:
            list(pool.map(lambda i: store.add_photo(job_id, jpeg(i % 6), "x.jpg", WHO), range(24)))
        photo = store.job(job_id).photos[0]
        store.change_photo(job_id, photo.name, WHO, place="gable end B")
        store.put_result(job_id, "check", RESULT, WHO)
        store.put_result(job_id, "check", replace(RESULT, made_utc="2026-05-05T10:00:00.000Z"), WHO)
        job = store.job(job_id)
        assert [summary.photos for summary in store.jobs("alder") if summary.id == job_id] == [6]
        engine = sa.create_engine(url)
        with engine.connect() as connection, pytest.raises(sa.exc.DBAPIError, match="can only be added to"):
            connection.execute(sa.text("DELETE FROM change_log"))
        engine.dispose()
    assert job.photo(photo.name) == replace(photo, place="gable end B")
    assert_whole(job)
