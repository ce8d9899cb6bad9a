"""Packages: judged by the bagit library and by plain tools; the same bytes for the same job."""

import hashlib
import json
import shutil
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

import bagit
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pypdf import PdfReader

from calib.errors import FileError
from tests.webui.small_job import SERIAL, SUPERVISOR, WHO, originals, small_job
from webui.errors import PackageError
from webui.evidence import contents as names
from webui.evidence import make_package, make_zip
from webui.job import Job, Privacy
from webui.store import Store


def all_bytes(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file())


def test_bag_is_valid_for_the_bagit_library(package: Path) -> None:
    bag = bagit.Bag(str(package))
    bag.validate(processes=1)
    assert bag.version_info == (1, 0)
    assert sorted(bag.algorithms) == ["sha256", "sha512"]
    assert (
        bag.info["Payload-Oxum"]
        == f"{sum(p.stat().st_size for p in payload(package))}.{len(payload(package))}"
    )


def payload(folder: Path) -> list[Path]:
    return [path for path in (folder / "data").rglob("*") if path.is_file()]


@pytest.mark.parametrize("tool", ["sha256sum", "sha512sum"])
def test_hashes_are_right_for_a_plain_tool(package: Path, tool: str) -> None:
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not on this machine")
    algorithm = tool.removesuffix("sum")
    for manifest in (f"manifest-{algorithm}.txt", f"tagmanifest-{algorithm}.txt"):
        done = subprocess.run([tool, "--quiet", "-c", manifest], cwd=package, capture_output=True, text=True)
        assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_originals_are_there_byte_for_byte(package: Path, job: Job, small_store: Store) -> None:
    for photo in job.photos:
        kept = (package / names.ORIGINALS / photo.name).read_bytes()
        assert kept == small_store.originals.path(photo.sha256).read_bytes()
        assert hashlib.sha256(kept).hexdigest() == photo.sha256


def test_same_job_gives_the_same_bytes(
    package: Path, job: Job, small_store: Store, key: Ed25519PrivateKey, tmp_path: Path
) -> None:
    again = tmp_path / "again"
    make_package(job, originals(small_store), again, key=key)
    listed = [sorted(p.relative_to(f).as_posix() for p in f.rglob("*")) for f in (package, again)]
    assert listed[0] == listed[1]
    assert all_bytes(package) == all_bytes(again)


def test_zip_has_the_same_bytes_and_holds_the_package(package: Path, tmp_path: Path) -> None:
    # A copy has other times and an order of its own on the disk.
    copy = Path(shutil.copytree(package, tmp_path / "another name", copy_function=shutil.copyfile))
    zips = [tmp_path / "1.zip", tmp_path / "2.zip"]
    for folder, path in zip((package, copy), zips, strict=True):
        make_zip(folder, path)
    assert zips[0].read_bytes() == zips[1].read_bytes()
    with zipfile.ZipFile(zips[0]) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path / "out")
    assert all_bytes(tmp_path / "out" / "evidence") == all_bytes(package)


def test_private_key_is_nowhere_in_the_package(package: Path, key: Ed25519PrivateKey) -> None:
    private = key.private_bytes_raw()
    data = all_bytes(package)
    for form in (private, private.hex().encode(), b"PRIVATE KEY"):
        assert form not in data


def test_read_me_tells_the_hash_of_the_log(package: Path, job: Job) -> None:
    text = (package / names.READ_ME).read_text(encoding="utf-8")
    assert job.log_head in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "WHAT WAS LEFT OUT\n-----------------\nNothing." in text


@pytest.mark.parametrize("kind", ["stripped", "left out"])
def test_redacted_package_tells_nothing_that_was_withheld(
    job: Job, small_store: Store, tmp_path: Path, kind: str
) -> None:
    folder = tmp_path / "evidence"
    privacy = Privacy(gps=False, names=False, serials=False, originals=kind)
    shared = make_package(job, originals(small_store), folder, privacy=privacy)
    data = all_bytes(folder)
    text = "".join(page.extract_text() for page in PdfReader(folder / names.REPORT).pages)
    for secret in (WHO, SUPERVISOR, SERIAL, "44.5", "-71.25"):
        assert secret.encode() not in data
        assert secret not in text
    assert not (folder / names.RIDGE_PHOTOS).exists()
    assert (folder / names.ORIGINALS).exists() == (kind == "stripped")
    assert "Left out on purpose" in " ".join(text.split())
    record = json.loads((folder / names.JOB).read_text())
    assert [photo["sha256"] for photo in record["photos"]] == [photo.sha256 for photo in job.photos]
    assert all(photo.copy is not None and photo.copy.kind == kind for photo in shared.photos)


def test_package_over_something_else_is_refused(job: Job, small_store: Store, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    for replace_old in (False, True):
        with pytest.raises(PackageError, match="is there already; name a folder that does not exist yet"):
            make_package(job, originals(small_store), tmp_path, replace_old=replace_old)
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_older_package_of_ours_is_replaced_when_asked(job: Job, small_store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "evidence"
    make_package(job, originals(small_store), folder)
    (folder / "data" / "left.txt").write_text("from before")
    make_package(job, originals(small_store), folder, replace_old=True)
    assert not (folder / "data" / "left.txt").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["evidence"]


def test_original_changed_on_the_disk_is_refused(job: Job, tmp_path: Path) -> None:
    changed = tmp_path / "photo"
    changed.write_bytes(b"another picture")
    with pytest.raises(FileError, match=r"the original of house-0\.jpg was changed or damaged"):
        make_package(job, lambda photo: changed, tmp_path / "evidence")
    assert not (tmp_path / "evidence").exists()


def test_results_older_than_the_picks_are_refused(tmp_path: Path) -> None:
    with Store(tmp_path / "data") as store:
        made = small_job(store)
        store.change_photo(made.id, "house-0.jpg", WHO, ends={"a": (11.0, 20.0)})
        with pytest.raises(PackageError, match=r"changed after the results were made \(measure\)"):
            make_package(store.job(made.id), originals(store), tmp_path / "evidence")


def test_folder_that_cannot_be_written_is_refused_in_words(
    job: Job, small_store: Store, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="the package cannot be written"):
        make_package(job, originals(small_store), tmp_path / "file" / "evidence")


def test_job_without_results_makes_a_package(tmp_path: Path) -> None:
    with Store(tmp_path / "data") as store:
        empty = store.job(store.create_job("Empty & new <1>", "metric", WHO))
        make_package(empty, originals(store), tmp_path / "evidence")
    bagit.Bag(str(tmp_path / "evidence")).validate(processes=1)


def test_job_named_in_another_script_makes_a_package(job: Job, small_store: Store, tmp_path: Path) -> None:
    named = replace(job, name="屋根 棟 α\nline two", notes="日本語")
    make_package(named, originals(small_store), tmp_path / "evidence")
    bagit.Bag(str(tmp_path / "evidence")).validate(processes=1)
    assert json.loads((tmp_path / "evidence" / names.JOB).read_text())["name"] == "屋根 棟 α\nline two"
