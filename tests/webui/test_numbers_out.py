"""Numbers out: read back by independent readers; nothing runs as a formula."""

import csv
import io
from dataclasses import replace

import pytest

from webui.job import Job, PhotoFacts, Position
from webui.numbers_out import findings_csv, ridge_photos_geojson, takeoff_csv


def read(data: bytes) -> list[dict[str, str]]:
    assert data.startswith(b"\xef\xbb\xbf")  # what makes spreadsheets take it for UTF-8
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def test_findings_come_back_with_units_in_their_heads(job: Job) -> None:
    rows = read(findings_csv(job))
    assert len(rows) == 4
    first = rows[0]
    assert (first["place"], first["photo"], first["between"]) == ("run 1 left", "c10.jpg", "rivets 1 and 2")
    assert float(first["measured (mm)"]) == 304.1
    assert float(first["measured (in)"]) == pytest.approx(304.1 / 25.4, abs=5e-5)
    assert float(first["U 95 % (mm)"]) == pytest.approx(1.96 * 0.4)
    assert (rows[1]["verdict"], rows[1]["measured verdict"]) == ("meets", "does not meet")
    assert rows[1]["decided by"] == "L. Orm"


def test_rows_end_as_rfc_4180_wants(job: Job) -> None:
    data = findings_csv(job)
    assert data.count(b"\r\n") == 5
    assert data.count(b"\n") == 5


def test_reason_that_begins_like_a_formula_is_defused(job: Job) -> None:
    # OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return.
    assert read(findings_csv(job))[1]["reason"] == "'=Engineer allows it; L. Orm saw it"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff20"])
def test_every_start_of_a_formula_is_defused(job: Job, start: str) -> None:
    decision = replace(job.decisions[0], reason=f'{start}cmd|"/c calc"!A1')
    row = read(findings_csv(replace(job, decisions=(decision,))))[1]
    assert row["reason"].startswith(f"'{start}")


def test_take_off_lists_every_item(job: Job) -> None:
    rows = read(takeoff_csv(job))
    assert [row["item"] for row in rows] == [line["item"] for line in job.results["plan"].record["takeoff"]]
    assert all(float(row["quantity"]) > 0 for row in rows)


def test_negative_number_stays_a_number(job: Job) -> None:
    record = {"takeoff": [{"item": "-5 rivets", "quantity": -5, "unit": "piece", "rule": "returned"}]}
    changed = replace(job, results={**job.results, "plan": replace(job.results["plan"], record=record)})
    row = read(takeoff_csv(changed))[0]
    assert (row["item"], row["quantity"]) == ("'-5 rivets", "-5")


def test_ridge_photos_are_points_with_longitude_first(job: Job) -> None:
    # RFC 7946, 3.1.1: longitude, latitude, and altitude as an option.
    places = ridge_photos_geojson(job)
    assert places is not None
    assert places["type"] == "FeatureCollection"
    assert [f["geometry"] for f in places["features"]] == [
        {"type": "Point", "coordinates": [-71.25, 44.5]}
    ] * 2
    assert places["features"][0]["properties"]["photo"] == "house-0.jpg"


def test_altitude_comes_third(job: Job) -> None:
    facts = PhotoFacts("JPEG", 96, 64, position=Position(44.5, -71.25, 812.5, 90.0))
    places = ridge_photos_geojson(replace(job, photos=(replace(job.photos[0], facts=facts),)))
    assert places is not None
    assert places["features"][0]["geometry"]["coordinates"] == [-71.25, 44.5, 812.5]


def test_no_position_gives_no_file(job: Job) -> None:
    photos = tuple(replace(p, facts=replace(p.facts, position=None)) for p in job.photos)
    assert ridge_photos_geojson(replace(job, photos=photos)) is None
