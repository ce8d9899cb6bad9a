"""A few hundred spoiled inputs on every run; `python -m tests.measure_fuzz` gives twenty thousand."""

from pathlib import Path

import pytest

from tests.fuzz import corpus
from tests.fuzz.attempt import LONGEST_S, MOST_MEMORY_BYTES, UPLOAD
from tests.fuzz.package import make_package
from tests.measure_fuzz import SHARES, try_all

INPUTS = 350


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("package")
    make_package(folder)
    return list(try_all(INPUTS, 0, folder, most_processes=1))


def test_spoiled_inputs_get_a_plain_answer(parts) -> None:
    assert [problem for part in parts for problem in part.problems] == []
    assert {part.kind for part in parts} == set(SHARES)


def test_spoiled_inputs_are_answered_within_time_and_memory(parts) -> None:
    assert max(part.longest_s for part in parts) < LONGEST_S
    assert max(part.peak_bytes for part in parts) < MOST_MEMORY_BYTES


def test_some_spoiled_inputs_get_through_so_that_more_than_refusals_are_tried(parts) -> None:
    codes = {code for part in parts if part.kind != UPLOAD for code in part.codes}
    assert codes == {0, 1, 2}
    statuses = {status for part in parts if part.kind == UPLOAD for status in part.codes}
    assert {200, 422} <= statuses


def test_corpus_is_good_before_it_is_spoiled(tmp_path: Path) -> None:
    from vision.photo import load_photo

    for number, data in enumerate(corpus.small_photos()):
        path = tmp_path / f"{number}"
        path.write_bytes(data)
        assert load_photo(path).image.shape[:2] == corpus.SIZE_PX[::-1]
