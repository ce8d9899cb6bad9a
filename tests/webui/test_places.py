"""Places: their names, and where they lie on a ridge as laid out."""

import pytest

from webui.errors import StoreError
from webui.places import Place, parse_place, spans_of

# By hand: 32 ft ridge, 10 ft pieces, 6 in laps, 1 in allowance: 9753.6 + 2 x 25.4 = 9804.4 mm of cap; four
# pieces cover it with three laps: ends (9804.4 + 3 x 152.4 - 2 x 3048) / 2 = 2082.8 mm.
RIDGE = {
    "ridge_mm": 9753.6,
    "gable_allowance_mm": 25.4,
    "lap_mm": 152.4,
    "pieces_mm": [2082.8, 3048.0, 3048.0, 2082.8],
}


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("run 1 left", Place("run", 1, "left")),
        ("lap 12 right", Place("lap", 12, "right")),
        (" gable  end B ", Place("gable end", 2)),
    ],
)
def test_name_of_a_place_is_read_and_written_alike(text: str, place: Place) -> None:
    assert parse_place(text) == place
    assert str(place) == " ".join(text.split())


@pytest.mark.parametrize(
    "text", ["", "run 0 left", "run 1", "lap 1 middle", "gable end C", "run 1 left/../x"]
)
def test_text_that_is_no_place_is_refused(text: str) -> None:
    with pytest.raises(StoreError, match="is not a place; write for example"):
        parse_place(text)


def test_places_of_a_ridge_lie_where_a_tape_would_put_them() -> None:
    spans = {str(span.place): (round(span.low_mm, 6), round(span.high_mm, 6)) for span in spans_of(RIDGE)}
    assert list(spans)[:4] == ["gable end A", "run 1 left", "run 1 right", "lap 1 left"]
    assert len(spans) == 2 + 2 * (4 + 3)
    assert spans["gable end A"] == (-25.4, 0.0)
    assert spans["run 1 right"] == (-25.4, 1905.0)
    assert spans["lap 1 left"] == (1905.0, 2057.4)
    assert spans["run 2 left"] == (2057.4, 4800.6)
    assert spans["lap 3 right"] == (7696.2, 7848.6)
    assert spans["run 4 left"] == (7848.6, 9779.0)
    assert spans["gable end B"] == (9753.6, 9779.0)


def test_ridge_of_one_piece_has_one_run_and_no_lap() -> None:
    spans = spans_of({**RIDGE, "ridge_mm": 2000.0, "pieces_mm": [2050.8]})
    assert [str(span.place) for span in spans] == ["gable end A", "run 1 left", "run 1 right", "gable end B"]
