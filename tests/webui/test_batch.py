"""Batches: the same findings whoever does the work, nothing done twice, bad photos set aside."""

import json
import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from calib.errors import FileError
from calib.targets import load_target, record_from_target
from vision.audit import audit_photos
from vision.plan import Plan
from webui.batch.ledger import Ledger
from webui.batch.listing import Listed, list_photos
from webui.batch.run import BatchJob, run_batch
from webui.batch.tasks import Looked, Means, check
from webui.batch.workers import Job, LocalWorkers, Lost
from webui.canonical import canonical_json

PHOTOS = ("close_dev_01", "close_dev_02", "close_dev_03", "close_dev_04", "close_dev_06")


class Here:
    """Workers that work in this very process, and count."""

    def __init__(self):
        self.done = []

    def run(self, task, jobs):
        for job in jobs:
            self.done.append((task.__name__, job.key))
            yield job.key, task(*job.arguments)

    def close(self):
        pass

    def count(self, task):
        return sum(name == task for name, _ in self.done)


def _say_nothing(stage, done, total):
    pass


@pytest.fixture(scope="module")
def means(rendered_photos):
    card = load_target(rendered_photos / "card.json")
    return Means((canonical_json(record_from_target(card)),), "{}")


@pytest.fixture
def season(rendered_photos, tmp_path):
    """A folder of photos: good ones, one of them twice, a cut one, one that is none."""
    folder = tmp_path / "season"
    (folder / "north side").mkdir(parents=True)
    for stem in PHOTOS:
        (folder / f"{stem}.jpg").symlink_to(rendered_photos / f"{stem}.jpg")
    (folder / "north side" / "again.jpg").symlink_to(rendered_photos / f"{PHOTOS[0]}.jpg")
    whole = (rendered_photos / "close_dev_05.jpg").read_bytes()
    (folder / "cut.jpg").write_bytes(whole[: len(whole) // 3])
    (folder / "none.png").write_text("a shopping list")
    (folder / "read me.txt").write_text("not a photo")
    return folder


def _findings(out: Path):
    return [json.loads(line) for line in (out / "findings.jsonl").read_text().splitlines()]


def test_batch_tells_every_photo_by_name_and_sets_bad_ones_aside(season, means, tmp_path):
    here = Here()
    summary = run_batch(BatchJob(str(season), tmp_path / "out", means), here, _say_nothing)
    assert (summary.photos, summary.measured, summary.set_aside) == (8, 6, 2)
    records = _findings(tmp_path / "out")
    names = [*(f"{stem}.jpg" for stem in PHOTOS), "cut.jpg", "none.png", "north side/again.jpg"]
    assert [record["photo"] for record in records] == sorted(names)
    aside = [json.loads(line) for line in (tmp_path / "out" / "set-aside.jsonl").read_text().splitlines()]
    assert [each["photo"] for each in aside] == ["cut.jpg", "none.png"]
    assert "cut off" in aside[0]["why"]
    assert "not a photo" in aside[1]["why"]
    # The same bytes are measured once and told twice.
    assert here.count("check") == len(PHOTOS)
    by_name = {record["photo"]: record for record in records}
    assert by_name["north side/again.jpg"]["spacings"] == by_name[f"{PHOTOS[0]}.jpg"]["spacings"]
    assert json.loads((tmp_path / "out" / "summary.json").read_text())["measured"] == 6


def test_batch_measures_as_well_as_photos_solved_together(rendered_photos, season, means, tmp_path):
    run_batch(BatchJob(str(season), tmp_path / "out", means), Here(), _say_nothing)
    alone = {record["photo"]: record for record in _findings(tmp_path / "out")}
    paths = [rendered_photos / f"{stem}.jpg" for stem in PHOTOS]
    together = audit_photos(paths, [load_target(rendered_photos / "card.json")], Plan())
    apart, u_mm = [], []
    for audit in together:
        record = audit.record()
        pairs = zip(record["spacings"], alone[record["photo"]]["spacings"], strict=True)
        for with_others, own in pairs:
            apart.append(with_others["mm"] - own["mm"])
            u_mm.append(with_others["u95_mm"] / 1.96)
    assert len(apart) >= 8
    # Both use the same corners and almost the same lens: they differ by far less than either may be wrong.
    assert np.max(np.abs(apart) / u_mm) < 0.5


def test_second_run_does_nothing_and_says_the_same(season, means, tmp_path):
    job = BatchJob(str(season), tmp_path / "out", means)
    run_batch(job, Here(), _say_nothing)
    before = (tmp_path / "out" / "findings.jsonl").read_bytes()
    again = Here()
    assert run_batch(job, again, _say_nothing).done_now == 0
    assert again.done == []
    assert (tmp_path / "out" / "findings.jsonl").read_bytes() == before


def test_new_photo_is_done_alone_and_another_plan_asks_for_all(rendered_photos, season, means, tmp_path):
    job = BatchJob(str(season), tmp_path / "out", means)
    run_batch(job, Here(), _say_nothing)
    (season / "later.jpg").symlink_to(rendered_photos / "close_dev_08.jpg")
    later = Here()
    run_batch(job, later, _say_nothing)
    assert later.count("check") == 1
    assert later.count("sight") == 0
    other = BatchJob(str(season), tmp_path / "out", Means(means.targets, '{"rivet_spacing_mm": 300}'))
    all_again = Here()
    run_batch(other, all_again, _say_nothing)
    assert all_again.count("check") == len(PHOTOS) + 1
    assert all_again.count("look") == 0


def test_stopped_batch_goes_on_where_it_was(season, means, tmp_path):
    class Stopping(Here):
        def run(self, task, jobs):
            for answer in super().run(task, jobs):
                yield answer
                if self.count("check") == 2:
                    raise KeyboardInterrupt

    job = BatchJob(str(season), tmp_path / "out", means)
    with pytest.raises(KeyboardInterrupt):
        run_batch(job, Stopping(), _say_nothing)
    rest = Here()
    run_batch(job, rest, _say_nothing)
    assert rest.count("check") == len(PHOTOS) - 2
    whole = Here()
    run_batch(BatchJob(str(season), tmp_path / "other", means), whole, _say_nothing)
    assert (tmp_path / "out" / "findings.jsonl").read_bytes() == (
        tmp_path / "other" / "findings.jsonl"
    ).read_bytes()


def test_findings_do_not_depend_on_the_number_of_workers(season, means, tmp_path):
    told = []
    for count in (1, 2):
        crew, out = LocalWorkers(count), tmp_path / f"out{count}"
        try:
            run_batch(BatchJob(str(season), out, means), crew, _say_nothing)
        finally:
            crew.close()
        told.append((out / "findings.jsonl").read_bytes())
    assert told[0] == told[1]


def _end_process(path: str) -> str:
    if Path(path).exists():
        os.kill(os.getpid(), signal.SIGKILL)
    return path


def test_photo_that_ends_its_process_is_given_up_and_the_others_are_done(tmp_path):
    (tmp_path / "deadly").touch()
    crew = LocalWorkers(2)
    try:
        jobs = [Job(name, (str(tmp_path / name),)) for name in ("a", "b", "deadly", "c", "d", "e")]
        answers = dict(crew.run(_end_process, jobs))
    finally:
        crew.close()
    assert isinstance(answers.pop("deadly"), Lost)
    assert answers == {name: str(tmp_path / name) for name in "abcde"}


def _fail(number: int) -> int:
    return 12 // number


def test_fault_of_one_task_does_not_end_the_batch():
    crew = LocalWorkers(1)
    try:
        answers = dict(crew.run(_fail, [Job("bad", (0,)), Job("good", (4,))]))
    finally:
        crew.close()
    assert answers["good"] == 3
    assert "fault of ridgewitness" in answers["bad"].why


def test_worker_leaves_when_its_parent_is_killed(tmp_path):
    script = (
        "import sys, time; sys.path.insert(0, sys.argv[1])\n"
        "from webui.batch.workers import LocalWorkers, Job\n"
        "import os\n"
        "if __name__ == '__main__':\n"
        "    crew = LocalWorkers(1)\n"
        "    [(_, pid)] = crew.run(os.getpid, [Job('a', ())])\n"
        "    print(pid, flush=True); time.sleep(60)\n"
    )
    import subprocess
    import sys

    (tmp_path / "parent.py").write_text(script)
    command = [sys.executable, str(tmp_path / "parent.py"), str(Path.cwd())]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as parent:
        pid = int(parent.stdout.readline())
        parent.kill()
    deadline = time.monotonic() + 10.0
    while _is_alive(pid):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def _is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_file_changed_while_the_batch_ran_is_set_aside(rendered_photos, means):
    (text,) = check(str(rendered_photos / "close_dev_01.jpg"), "0" * 64, means, "").records
    record = json.loads(text)
    assert record["measured"] is False
    assert "changed while the batch ran" in record["notes"][0]


def test_list_names_photos_relative_to_itself_and_missing_ones_are_set_aside(
    rendered_photos, means, tmp_path
):
    (tmp_path / "one.jpg").symlink_to(rendered_photos / "close_dev_01.jpg")
    (tmp_path / "list.txt").write_text("# of the first week\none.jpg\n\nmissing.jpg\n")
    summary = run_batch(BatchJob(str(tmp_path / "list.txt"), tmp_path / "out", means), Here(), _say_nothing)
    assert (summary.measured, summary.set_aside) == (1, 1)
    (line,) = (tmp_path / "out" / "set-aside.jsonl").read_text().splitlines()
    assert json.loads(line)["why"] == "no such file"
    (lens,) = summary.lenses
    assert lens.why == "only one photo of this camera and focal length"


def test_url_of_a_folder_is_read_through_fsspec(rendered_photos, means, tmp_path):
    # fsspec's own memory file system stands for any that it can reach.
    import fsspec

    system = fsspec.filesystem("memory")
    system.pipe("/season/west/run.jpg", (rendered_photos / "close_dev_01.jpg").read_bytes())
    system.pipe("/season/notes.txt", b"not a photo")
    try:
        assert [photo.name for photo in list_photos("memory://season")] == ["west/run.jpg"]
        run_batch(BatchJob("memory://season", tmp_path / "out", means), Here(), _say_nothing)
        (record,) = _findings(tmp_path / "out")
        assert record["photo"] == "west/run.jpg"
        assert record["measured"] is True
    finally:
        system.rm("/season", recursive=True)


def test_empty_folder_and_wrong_place_are_refused(means, tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(FileError, match="no photos there"):
        run_batch(BatchJob(str(tmp_path / "empty"), tmp_path / "out", means), Here(), _say_nothing)
    with pytest.raises(FileError, match="a folder was expected"):
        run_batch(BatchJob(str(tmp_path / "nowhere"), tmp_path / "out", means), Here(), _say_nothing)


def test_ledger_in_use_is_refused(tmp_path):
    with Ledger(tmp_path) as ledger:
        ledger.list_all(iter([Listed("a.jpg", "/a.jpg", "1 2")]))
        with pytest.raises(FileError, match="another batch"):
            Ledger(tmp_path)


def test_ledger_forgets_photos_that_are_gone_and_looks_again_at_changed_ones(tmp_path):
    with Ledger(tmp_path) as ledger:
        ledger.list_all(iter([Listed("a.jpg", "/a.jpg", "1 2"), Listed("b.jpg", "/b.jpg", "3 4")]))
        for name, _ in list(ledger.to_look_at()):
            ledger.put_looked(name, Looked(name * 2, "", ""))
    with Ledger(tmp_path) as ledger:
        assert ledger.list_all(iter([Listed("b.jpg", "/b.jpg", "3 5"), Listed("c.jpg", "/c.jpg", "")])) == 2
        assert list(ledger.to_look_at()) == [("b.jpg", "/b.jpg"), ("c.jpg", "/c.jpg")]


def test_ledger_that_is_no_database_is_refused(tmp_path):
    (tmp_path / "ledger.sqlite").write_text("not a database, but long enough to be looked at" * 40)
    with pytest.raises(FileError, match="cannot be used"):
        Ledger(tmp_path)


def test_memory_does_not_grow_with_the_number_of_photos(tmp_path):
    # 50,000 names go through the ledger page by page; nothing holds them all.
    import tracemalloc

    with Ledger(tmp_path) as ledger:
        tracemalloc.start()
        count = ledger.list_all(Listed(f"{i:06d}.jpg", f"/{i:06d}.jpg", f"{i} 0") for i in range(50_000))
        assert sum(1 for _ in ledger.to_look_at()) == count == 50_000
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < 4_000_000
