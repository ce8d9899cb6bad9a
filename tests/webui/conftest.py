"""A small job for all tests of records, reports and packages: made once, changed by none."""

from collections.abc import Iterator

import pytest

from tests.webui.small_job import small_job
from webui.job import Job
from webui.store import Store


@pytest.fixture(scope="session")
def small_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A data folder with the small job."""
    with Store(tmp_path_factory.mktemp("small") / "data") as store:
        small_job(store)
        yield store


@pytest.fixture(scope="session")
def job(small_store: Store) -> Job:
    """The small job."""
    return small_store.job(small_store.jobs()[0].id)
