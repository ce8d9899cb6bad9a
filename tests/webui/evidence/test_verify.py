"""Checking packages: every bit and every entry counts, and forgery shows even where all hashes fit."""

import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from tests.webui.evidence.tampering import drop_signature, edit_json, flip_bit, hash_again
from webui.change_log import entry_hash
from webui.evidence import Verification, make_zip, verify_package
from webui.evidence import contents as names
from webui.evidence.inventory import opened_package
from webui.evidence.verify import check_records
from webui.inputs import is_current

TRIALS = 60


def check(folder: Path, **options: Any) -> tuple[str, ...]:
    """Return what is wrong with a package, without doing its work again."""
    with opened_package(folder) as (opened, files):
        return check_records(opened, files, **options)[0].problems


def test_untouched_package_has_no_problem(package: Path, key: Ed25519PrivateKey) -> None:
    assert check(package) == ()
    assert check(package, key=key.public_key()) == ()


def test_package_from_before_marks_by_hand_has_no_problem(copied: Callable[[], Path]) -> None:
    folder = copied()

    def as_it_was(job: Any) -> None:
        job["format"] = "ridgewitness job 1"
        for photo in job["photos"]:
            del photo["marks"]

    # The schema as the first packages carried it.
    shutil.copy(Path(__file__).with_name("job-1.schema.json"), folder / names.SCHEMAS / "job.schema.json")
    edit_json(folder, names.JOB, as_it_was)
    assert check(folder) == ()
    with opened_package(folder) as (opened, files):
        job = check_records(opened, files)[1]
    assert job is not None
    # Its result follows from what it holds: no mark is as good as none of the key.
    assert is_current(job, "check")


def test_every_kind_of_file_is_named_when_a_bit_flips(copied: Callable[[], Path]) -> None:
    folder, rng = copied(), random.Random(6)
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        before = path.read_bytes()
        flip_bit(path, rng.randrange(8 * len(before)))
        name = path.relative_to(folder).as_posix()
        assert any(problem.startswith(f"{name}:") for problem in check(folder)), name
        path.write_bytes(before)
    assert check(folder) == ()


def test_any_bit_flipped_anywhere_is_named(copied: Callable[[], Path]) -> None:
    folder, rng = copied(), random.Random(66)
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    # Half of the trials go for the small tag files, whose bits a plain bag does not protect.
    tags = [path for path in files if path.parent == folder]
    for trial in range(TRIALS):
        path = rng.choice(tags if trial % 2 else files)
        before = path.read_bytes()
        bit = rng.randrange(8 * len(before))
        flip_bit(path, bit)
        name = path.relative_to(folder).as_posix()
        problems = check(folder)
        assert any(problem.startswith(f"{name}:") for problem in problems), (name, bit, problems)
        path.write_bytes(before)


def test_missing_file_is_named(copied: Callable[[], Path]) -> None:
    folder = copied()
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        before, name = path.read_bytes(), path.relative_to(folder).as_posix()
        path.unlink()
        assert any(problem.startswith(f"{name}: is missing") for problem in check(folder)), name
        path.write_bytes(before)


@pytest.mark.parametrize("name", ["note.txt", "data/note.txt", "data/originals/more.jpg", "data/a/b.json"])
def test_extra_file_is_named(copied: Callable[[], Path], name: str) -> None:
    folder = copied()
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("{}")
    assert any(problem.startswith(f"{name}:") for problem in check(folder))


def forge_photo(folder: Path) -> None:
    path = next((folder / names.ORIGINALS).iterdir())
    path.write_bytes(path.read_bytes() + b"\x00")
    hash_again(folder)


def forge_log_end(record: Any) -> None:
    last = record["entries"][-1]
    last["what"] = "photo changed"
    values = (last["who"]["sha256"], last["details"]["sha256"], last["previous"])
    last["sha256"] = entry_hash(last["sequence"], last["time_utc"], last["what"], *values)


FORGERIES: list[tuple[str, Callable[[Path], None], str]] = [
    (
        "a photo",
        forge_photo,
        "is not the photo that the record names",
    ),
    (
        "a measured length",
        lambda f: edit_json(
            f, names.FINDINGS, lambda r: r["measure"]["record"]["ridge"].update(length_mm=9000.0)
        ),
        "findings.json: measure is not the one that the change log has",
    ),
    (
        "a verdict",
        lambda f: edit_json(
            f,
            names.FINDINGS,
            lambda r: r["check"]["record"]["photos"][0]["verdicts"][1].update(verdict="meets"),
        ),
        "findings.json: check is not the one that the change log has",
    ),
    (
        "a decision",
        lambda f: edit_json(f, names.JOB, lambda r: r["decisions"][0].update(reason="another")),
        "job.json: decision 1 does not stand in the change log",
    ),
    (
        "a photo's hash",
        lambda f: edit_json(f, names.JOB, lambda r: r["photos"][0].update(sha256="0" * 64)),
        "job.json: photo house-0.jpg does not stand in the change log",
    ),
    (
        "the last entry of the log",
        lambda f: edit_json(f, names.CHANGE_LOG, forge_log_end),
        "it ends at entry 14 with another hash than the job's record has",
    ),
    (
        "the end of the log",
        lambda f: edit_json(f, names.JOB, lambda r: r["change_log"].update(head="0" * 64)),
        "bag-info.txt: names another end of the change log than data/job.json",
    ),
    (
        "the log of another job",
        lambda f: edit_json(f, names.CHANGE_LOG, lambda r: r.update(job="another")),
        "change-log.json: belongs to another job",
    ),
    (
        "a schema",
        lambda f: edit_json(f, f"{names.SCHEMAS}/job.schema.json", lambda r: r.pop("required")),
        "job.schema.json: differs from the schema that its identifier stands for",
    ),
    (
        "an unknown key",
        lambda f: edit_json(f, names.JOB, lambda r: r.update(colour="red")),
        "job.json: the whole: Additional properties are not allowed",
    ),
    (
        "a text for a number",
        lambda f: edit_json(f, names.JOB, lambda r: r["photos"][0].update(size_bytes="many")),
        "job.json: photos/0/size_bytes: 'many' is not of type 'integer'",
    ),
]


@pytest.mark.parametrize(("what", "forge", "said"), FORGERIES, ids=[what for what, _, _ in FORGERIES])
def test_forgery_with_all_hashes_made_anew_is_named(
    copied: Callable[[], Path], key: Ed25519PrivateKey, what: str, forge: Callable[[Path], None], said: str
) -> None:
    folder = copied()
    forge(folder)
    assert any(said in problem for problem in check(folder)), check(folder)
    # Whoever holds the signer's public key sees it in any case.
    assert check(folder, key=key.public_key()) == ("the package is not signed",)


@pytest.mark.parametrize("position", range(14))
def test_log_entry_edited_removed_or_moved_is_named(copied: Callable[[], Path], position: int) -> None:
    folder = copied()
    log = json.loads((folder / names.CHANGE_LOG).read_text(encoding="utf-8"))
    whole = log["entries"]
    number = position + 1
    changes: dict[str, Any] = {
        f"entry {number} was edited": [dict(entry) for entry in whole],
        f"entry {number} is missing": whole[:position] + whole[position + 1 :],
        f"entry {number} stands after entry": whole[:position] + whole[position + 1 :] + [whole[position]],
    }
    changes[f"entry {number} was edited"][position]["what"] += "!"
    for said, entries in changes.items():
        if "stands after" in said and number == len(whole):
            continue
        edit_json(folder, names.CHANGE_LOG, lambda r, e=entries: r.update(entries=e))
        assert any(said in problem for problem in check(folder)), (said, check(folder))


def test_signature_of_another_key_is_named(package: Path) -> None:
    other = Ed25519PrivateKey.generate().public_key()
    assert check(package, key=other)[0].startswith("bag-info.txt: the package was signed with another key")


def test_signature_taken_from_another_package_is_named(copied: Callable[[], Path]) -> None:
    folder = copied()
    signature = (folder / names.SIGNATURE).read_bytes()
    drop_signature(folder)
    hash_again(folder)
    (folder / names.SIGNATURE).write_bytes(signature)
    assert check(folder) == (
        f"{names.SIGNATURE}: should not be there; the package does not name a signing key",
    )


def test_signature_left_out_is_named(copied: Callable[[], Path]) -> None:
    folder = copied()
    (folder / names.SIGNATURE).unlink()
    assert check(folder) == (f"{names.SIGNATURE}: is missing; the package says that it was signed",)


def test_zip_and_folder_in_another_order_give_the_same_answer(package: Path, tmp_path: Path) -> None:
    make_zip(package, tmp_path / "e.zip")
    reversed_copy = tmp_path / "reversed"
    for path in sorted(package.rglob("*"), reverse=True):
        if path.is_file():
            place = reversed_copy / path.relative_to(package)
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, place)
    answers = [verify_package(path) for path in (package, tmp_path / "e.zip", reversed_copy)]
    assert answers[0] == answers[1] == answers[2]


def test_bag_that_the_bagit_library_refuses_is_refused(copied: Callable[[], Path]) -> None:
    folder = copied()
    info = folder / names.INFO
    info.write_text(info.read_text(encoding="utf-8").replace("Payload-Oxum: ", "Payload-Oxum: 9"))
    drop_signature(folder)
    for algorithm, name in zip(names.ALGORITHMS, names.TAG_MANIFESTS, strict=True):
        from webui.evidence.package import manifest_text

        tags = (names.INFO, names.DECLARATION, *names.MANIFESTS)
        (folder / name).write_text(manifest_text(folder, algorithm, tags), encoding="utf-8")
    assert check(folder)[0].startswith("the bag does not hold by RFC 8493: Payload-Oxum validation failed")


def test_answer_decides_the_exit_code() -> None:
    assert Verification((), (), ("all",)).exit_code == 0
    assert Verification((), ("not redone",), ()).exit_code == 1
    assert Verification(("altered",), ("not redone",), ()).exit_code == 2


def test_package_without_its_originals_says_what_cannot_be_redone(
    job: Any, small_store: Any, tmp_path: Path
) -> None:
    from tests.webui.small_job import originals
    from webui.evidence import make_package
    from webui.job import Privacy

    privacy = Privacy(gps=False, names=False, serials=False, originals="left out")
    make_package(job, originals(small_store), tmp_path / "e", privacy=privacy)
    found = verify_package(tmp_path / "e")
    assert found.problems == ()
    assert found.exit_code == 1
    assert found.unconfirmed[0].startswith("ridge: not made again, for house-0.jpg is not in the package")
