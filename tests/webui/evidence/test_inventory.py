"""Hostile packages: refused with a clear message, before anything is read, and nothing written outside."""

import os
import stat
import struct
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from calib.errors import FileError
from webui.errors import PackageError
from webui.evidence import inventory, make_zip, verify_package
from webui.evidence.inventory import list_files, opened_package


@pytest.fixture(autouse=True)
def nothing_is_written_outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Unpack into a folder that must be empty again afterwards, and with nothing new beside or above it."""
    place = tmp_path / "one" / "two"
    place.mkdir(parents=True)
    monkeypatch.setattr("tempfile.tempdir", str(place))
    yield
    assert list(place.iterdir()) == []
    assert [path.name for path in (tmp_path / "one").iterdir()] == ["two"]
    for folder in (tmp_path, tmp_path.parent, Path("/")):
        assert not (folder / "evil.txt").exists()


def zip_of(
    path: Path, names: dict[str, bytes], change: Callable[[zipfile.ZipInfo], None] | None = None
) -> Path:
    """Write an archive with names as they stand: the library would tidy them."""
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in names.items():
            entry = zipfile.ZipInfo("x")
            entry.filename = name
            if change is not None:
                change(entry)
            archive.writestr(entry, data)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "../evil.txt",
        "evidence/../../evil.txt",
        "/evil.txt",
        "C:\\evil.txt",
        "..\\evil.txt",
        "evidence/data/./evil.txt",
        "evidence//evil.txt",
        "evidence/.hidden/evil",
        "evidence/e\x01vil",
        "evidence/con evil",
        "évil",
        "evidence/" + "a" * 300,
    ],
)
def test_archive_with_a_hostile_name_is_refused(tmp_path: Path, name: str) -> None:
    path = zip_of(tmp_path / "e.zip", {"evidence/bagit.txt": b"", name: b"evil"})
    with pytest.raises(PackageError, match="is no name that a package may hold"):
        verify_package(path)


def test_archive_with_a_link_is_refused(tmp_path: Path) -> None:
    def link(entry: zipfile.ZipInfo) -> None:
        entry.create_system, entry.external_attr = 3, (stat.S_IFLNK | 0o777) << 16

    path = zip_of(tmp_path / "e.zip", {"evidence/evil": b"/etc/passwd"}, link)
    with pytest.raises(PackageError, match="'evidence/evil' is a link"):
        verify_package(path)


def test_archive_with_one_name_twice_is_refused(tmp_path: Path) -> None:
    path = zip_of(tmp_path / "e.zip", {"evidence/a.txt": b"1", "evidence/A.txt": b"2"})
    with pytest.raises(PackageError, match=r"'evidence/A\.txt' is in the archive twice"):
        verify_package(path)


def test_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("evidence/x", bytes(2**26))
    data = bytearray(path.read_bytes())
    # The directory may claim any size: here 4 GiB for what are 64 MiB of zeros.
    where = data.rindex(b"PK\x01\x02") + 24
    data[where : where + 4] = struct.pack("<I", 2**32 - 2)
    path.write_bytes(data)
    with pytest.raises(PackageError, match=r"it would unpack to 4,096 MiB out of 0\.\d MiB"):
        verify_package(path)


def test_bomb_of_ten_gigabytes_in_many_entries_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(160):
            archive.writestr(f"evidence/x{number}", bytes(2**16))
    data = path.read_bytes()
    sizes = data.replace(struct.pack("<I", 2**16), struct.pack("<I", 2**26))
    path.write_bytes(sizes)
    with pytest.raises(PackageError, match="it would unpack to 10,240 MiB"):
        verify_package(path)


def test_archive_that_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    path = zip_of(tmp_path / "e.zip", {"evidence/x": b"a" * 5000})
    path.write_bytes(path.read_bytes().replace(struct.pack("<I", 5000), struct.pack("<I", 50)))
    with pytest.raises(PackageError, match="refused"):
        verify_package(path)


def test_archive_of_a_hundred_thousand_files_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "many.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(100_000):
            archive.writestr(zipfile.ZipInfo(f"evidence/f{number}"), b"")
    with pytest.raises(PackageError, match="more than 20,000 files are in it"):
        verify_package(path)


def test_folder_of_too_many_files_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inventory, "MOST_FILES", 30)
    folder = tmp_path / "package"
    folder.mkdir()
    for number in range(40):
        (folder / f"f{number}").touch()
    with pytest.raises(PackageError, match="more than 30 files are in it"):
        verify_package(folder)


def test_package_of_too_many_bytes_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "package"
    folder.mkdir()
    with (folder / "sparse").open("wb") as file:
        file.truncate(65 * 2**30)
    with pytest.raises(PackageError, match="more than 64 GiB are in it"):
        verify_package(folder)


@pytest.mark.parametrize("where", ["/etc/passwd", "/etc", "bagit.txt", "nowhere"])
def test_folder_with_a_link_is_refused(tmp_path: Path, where: str) -> None:
    folder = tmp_path / "package"
    folder.mkdir()
    (folder / "evil").symlink_to(where)
    with pytest.raises(PackageError, match="'evil' is a link"):
        verify_package(folder)


def test_link_to_a_package_is_refused(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with pytest.raises((PackageError, FileError)):
        verify_package(tmp_path / "link")


def test_special_file_is_refused_and_not_opened(tmp_path: Path) -> None:
    folder = tmp_path / "package"
    folder.mkdir()
    os.mkfifo(folder / "pipe")
    with pytest.raises(PackageError, match="'pipe' is no ordinary file"):
        verify_package(folder)


def test_folders_too_deep_in_each_other_are_refused(tmp_path: Path) -> None:
    (tmp_path / "package" / "/".join("abcdefghijkl")).mkdir(parents=True)
    with pytest.raises(PackageError, match="deep in each other"):
        verify_package(tmp_path / "package")


@pytest.mark.parametrize("name", ["a b", "ünter", ".git", "x\n", "-rf"])
def test_folder_with_a_strange_name_is_refused(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "package"
    folder.mkdir()
    (folder / name).touch()
    with pytest.raises(PackageError, match="is no name that a package may hold"):
        list_files(folder)


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"not a zip file at all", b"PK\x05\x06" + bytes(18)])
def test_file_that_is_no_package_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.zip"
    path.write_bytes(data)
    if data.startswith(b"PK\x05\x06"):  # a sound archive of nothing
        assert verify_package(path).exit_code == 2
    else:
        with pytest.raises(PackageError, match="neither a package's folder nor a sound zip file"):
            verify_package(path)


def test_package_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such package"):
        verify_package(tmp_path / "none")


def test_every_truncation_of_an_archive_is_refused_or_named(package: Path, tmp_path: Path) -> None:
    whole = tmp_path / "whole.zip"
    make_zip(package, whole)
    data = whole.read_bytes()
    for share in range(1, 20):
        cut = tmp_path / "cut.zip"
        cut.write_bytes(data[: len(data) * share // 20])
        with pytest.raises(PackageError, match="refused"), opened_package(cut):
            pass
