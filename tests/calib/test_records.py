"""JSON files at the border: what is refused, and how it is said."""

import pytest

from calib.errors import FileError, RecordError
from calib.records import check_keys, number, point, read_json


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "not valid JSON"),
        (b"[1, 2]", "one JSON object"),
        (b'{"a": NaN}', "NaN is not a number that JSON allows"),
        (b"\xff\xfe\x00", "not a text file"),
        (b'{"a":' + b"[" * 100_000, "nested too deeply|not valid JSON"),
    ],
)
def test_read_json_bad_content_is_refused(tmp_path, content, message):
    path = tmp_path / "bad.json"
    path.write_bytes(content)
    with pytest.raises(RecordError, match=message):
        read_json(path)


def test_read_json_missing_file_is_refused(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        read_json(tmp_path / "none.json")


def test_read_json_folder_is_refused(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        read_json(tmp_path)


def test_read_json_with_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "bom.json"
    path.write_bytes(b'\xef\xbb\xbf{"a": 1}')
    assert read_json(path) == {"a": 1}


def test_check_keys_unknown_key_is_named():
    with pytest.raises(RecordError, match="unknown key 'lenght'; allowed: length, unit"):
        check_keys({"length": 1, "lenght": 2}, ["length"], ["unit"], "plan.json")


def test_check_keys_missing_key_is_named():
    with pytest.raises(RecordError, match="missing key 'length'"):
        check_keys({}, ["length"], [], "plan.json")


@pytest.mark.parametrize("value", [True, "12", None, [1], float("nan"), float("inf"), 10**400, -(10**400)])
def test_number_of_another_kind_is_refused(value):
    with pytest.raises(RecordError, match="a number was expected"):
        number(value, "plan.json lap")


def test_number_out_of_bounds_is_refused():
    with pytest.raises(RecordError, match="must be more than 0, got 0"):
        number(0, "size", above=0.0)
    with pytest.raises(RecordError, match="must be at least 0, got -1"):
        number(-1, "sigma", at_least=0.0)


def test_point_of_three_numbers_is_refused():
    with pytest.raises(RecordError, match=r"a pair \[x, y\] was expected"):
        point([1, 2, 3], "shoot.json a")


def test_name_that_no_file_can_have_is_refused(tmp_path):
    with pytest.raises(FileError, match="no file can have that name"):
        read_json(tmp_path / "a\0b.json")
