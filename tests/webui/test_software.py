"""Which software made a number: versions that another machine can be held against."""

from importlib import metadata
from pathlib import Path

import pytest

import calib
from webui import software


def test_versions_are_those_of_the_installed_packages() -> None:
    versions = software.software_versions()
    assert versions["numpy"] == metadata.version("numpy")
    assert versions["opencv-python"] == metadata.version("opencv-python")
    assert len(versions["code"]) == 64
    assert "ridgewitness" in versions


def test_hash_of_the_code_changes_with_one_letter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "ruler.py").write_text("LENGTH_MM = 25.4\n")
    (tmp_path / "notes.txt").write_text("no code")
    monkeypatch.setattr(calib, "__path__", [str(tmp_path)])
    before = software._code_hash()
    (tmp_path / "notes.txt").write_text("still no code")
    assert software._code_hash() == before
    (tmp_path / "ruler.py").write_text("LENGTH_MM = 25.5\n")
    assert software._code_hash() != before
