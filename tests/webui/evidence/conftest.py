"""Packages of the small job, made once; a test that changes one copies it first."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from tests.webui.small_job import originals
from webui.evidence import make_package
from webui.job import Job
from webui.store import Store


@pytest.fixture(scope="session")
def key() -> Ed25519PrivateKey:
    """A signing key."""
    return Ed25519PrivateKey.generate()


@pytest.fixture(scope="session")
def package(
    job: Job, small_store: Store, key: Ed25519PrivateKey, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A signed package of the small job; not to be changed."""
    folder = tmp_path_factory.mktemp("package") / "evidence"
    make_package(job, originals(small_store), folder, key=key)
    return folder


@pytest.fixture
def copied(package: Path, tmp_path: Path) -> Callable[[], Path]:
    """Makes copies of the package that a test may change."""
    numbers = iter(range(1000))
    return lambda: Path(shutil.copytree(package, tmp_path / f"copy{next(numbers)}"))
