"""The house keeps its shape: floors that import downwards only, the agreed folders, one test command."""

import ast
import hashlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FLOORS = ("calib", "vision", "webui")
FOLDERS = {".ci", *FLOORS, "tests", "sample_images"}
# Modules that would let measuring code reach outside: network, databases, templates.
OUTSIDE = {"socket", "http", "urllib", "requests", "sqlite3", "sqlalchemy", "flask", "jinja2", "subprocess"}
SAMPLES_LIMIT_BYTES = 15_000_000


def _imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            assert node.level == 0, f"{path}: relative import"
            yield node.module.partition(".")[0]


def _modules(floor: str) -> list[Path]:
    return sorted((ROOT / floor).rglob("*.py"))


@pytest.mark.parametrize("floor", FLOORS)
def test_imports_never_go_upwards(floor: str) -> None:
    above = set(FLOORS[FLOORS.index(floor) + 1 :]) | {"tests"}
    wrong = {f"{path.relative_to(ROOT)}: {name}" for path in _modules(floor) for name in _imports(path)}
    assert {entry for entry in wrong if entry.rpartition(" ")[2] in above} == set()


@pytest.mark.parametrize("floor", ["calib", "vision"])
def test_imports_of_measuring_code_stay_inside(floor: str) -> None:
    found = {f"{path.relative_to(ROOT)}: {name}" for path in _modules(floor) for name in _imports(path)}
    assert {entry for entry in found if entry.rpartition(" ")[2] in OUTSIDE} == set()


def test_top_level_folders_are_exactly_the_agreed_ones() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert {name.partition("/")[0] for name in listed if "/" in name} == FOLDERS


def test_test_command_of_readme_is_the_one_that_ci_runs() -> None:
    commands = [
        line.strip()
        for line in (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
        if line.startswith("    python3 -m venv") and "pytest" in line
    ]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    extract = next(line for line in script.splitlines() if line.startswith("command="))
    taken = subprocess.run(
        ["bash", "-c", f"{extract}; printf '%s' \"$command\""],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert [taken] == commands
    assert 'eval "$command"' in script


def test_first_paragraph_of_readme_stands_alone_before_any_heading() -> None:
    title, job, next_block = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")[:3]
    assert title == "# ridgewitness"
    assert not job.startswith("#")
    assert next_block.startswith("## Set-up")


def test_sample_photos_are_the_ones_that_their_truth_was_written_for() -> None:
    folder = ROOT / "sample_images"
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    hashes = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("*.jpg")}
    assert hashes == {name: photo["sha256"] for name, photo in truth["photos"].items()}


def test_sample_photos_stay_small() -> None:
    total = sum(path.stat().st_size for path in (ROOT / "sample_images").iterdir())
    assert total <= SAMPLES_LIMIT_BYTES


def test_import_of_command_line_leaves_heavy_packages_alone() -> None:
    heavy = "{'numpy', 'cv2', 'scipy', 'rich', 'reportlab', 'flask', 'PIL', 'sqlalchemy'}"
    code = f"import sys, webui.cli; print(sorted({heavy} & sys.modules.keys()))"
    found = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
