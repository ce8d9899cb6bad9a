"""The report: read by independent programs, complete, the same for the same job, not stopped by odd input."""

import io
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from pypdf import PdfReader

from calib.errors import FileError
from tests.webui.small_job import SERIAL, originals
from webui.job import Job, Position
from webui.report import report_pdf, write_report
from webui.store import Store


@pytest.fixture(scope="module")
def pdf(job: Job, small_store: Store) -> bytes:
    return report_pdf(job, originals(small_store))


@pytest.fixture(scope="module")
def reader(pdf: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(pdf))


def words(data: bytes) -> str:
    pages = PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_file_is_sound_for_qpdf(pdf: bytes, tmp_path: Path) -> None:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert opened.check_pdf_syntax() == []
    if shutil.which("qpdf") is not None:
        (tmp_path / "r.pdf").write_bytes(pdf)
        done = subprocess.run(["qpdf", "--check", str(tmp_path / "r.pdf")], capture_output=True, text=True)
        assert (done.returncode, done.stderr) == (0, "")


def test_pdftotext_reads_every_page_without_complaint(pdf: bytes, tmp_path: Path, job: Job) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (Debian's poppler-utils) is not on this machine")
    (tmp_path / "r.pdf").write_bytes(pdf)
    done = subprocess.run(["pdftotext", str(tmp_path / "r.pdf"), "-"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    pages = done.stdout.split("\f")[:-1]
    for number, page in enumerate(pages, 1):
        assert re.search(rf"page {number} of\s+{len(pages)}", page), page[-200:]
        assert job.name in page


def test_no_page_is_empty(reader: PdfReader, job: Job) -> None:
    for number, page in enumerate(reader.pages, 1):
        text = " ".join(page.extract_text().split())
        assert len(text) > 200, (number, text)


def test_every_number_and_decision_stands_in_the_text(pdf: bytes, job: Job) -> None:
    text = words(pdf)
    # 9753.6 mm = 32 ft; 12.4 mm rounded up to the next 1/16 in is 1/2 in.
    assert '32\' 0" ± 1/2" (9753.6 mm ± 12.4 mm)' in text
    for photo in job.photos:
        assert photo.original_name in text
        assert photo.sha256 in text.replace(" ", "")
    for expected in ("322.9 mm", "292.1 to 317.5 mm", "overruled by L. Orm", "=Engineer allows it", SERIAL):
        assert expected in text
    assert "14 of 16 places are without a photo" in text
    assert job.log_head in text
    assert "common practice" in text


def test_chapters_are_bookmarked_and_lead_to_their_pages(reader: PdfReader) -> None:
    chapters = [entry for entry in reader.outline if not isinstance(entry, list)]
    titles = [str(entry.title) for entry in chapters]
    assert titles == [
        "Summary",
        "The ridge at a glance",
        "Ridge",
        "Plan and layout",
        "Every rule at every place",
        "Open points and decisions",
        "Close-ups",
        "Method, sources, software",
    ]
    for entry in chapters[1:]:
        page = reader.get_destination_page_number(entry)
        assert page is not None
        assert str(entry.title) in reader.pages[page].extract_text()


def test_document_says_its_title_language_and_time(reader: PdfReader, job: Job) -> None:
    info = reader.metadata
    assert info is not None
    assert info.title == f"Ridge record: {job.name}"
    assert info.author == "R. Vane"
    assert info.creation_date is not None
    assert info.creation_date.isoformat()[:19] == job.changed_utc[:19]
    assert reader.trailer["/Root"]["/Lang"] == "en-US"


def elements(reader: PdfReader) -> Iterator[Any]:
    whole = reader.trailer["/Root"]["/StructTreeRoot"]["/K"]
    return (kid.get_object() for kid in whole["/K"])


def test_headings_paragraphs_and_figures_are_tagged_in_reading_order(reader: PdfReader) -> None:
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    found = list(elements(reader))
    roles = {element["/S"] for element in found}
    assert roles == {"/H1", "/H2", "/P", "/Figure"}
    pages = [reader.get_page_number(element["/Pg"].get_object()) for element in found]
    assert pages == sorted(pages)
    # Every page's entry of the parent tree leads back to as many elements as the page holds.
    numbers = reader.trailer["/Root"]["/StructTreeRoot"]["/ParentTree"]["/Nums"]
    kept = {int(numbers[i]): len(numbers[i + 1]) for i in range(0, len(numbers), 2)}
    for number, page in enumerate(reader.pages):
        assert kept[int(page["/StructParents"])] == pages.count(number)


def test_every_picture_has_an_alternate_description(reader: PdfReader) -> None:
    figures = [element for element in elements(reader) if element["/S"] == "/Figure"]
    told = [str(figure["/Alt"]) for figure in figures]
    assert all(told)
    assert any(each.startswith("The ridge from gable end A to gable end B") for each in told)
    assert any("seen straight on, at a scale of 1 to" in each for each in told)
    strip = next(each for each in told if each.startswith("The ridge from"))
    assert "run 1 left: cannot tell" in strip


def test_fonts_are_embedded(pdf: bytes) -> None:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        dictionaries = [each for each in opened.objects if isinstance(each, pikepdf.Dictionary)]
        fonts = [each for each in dictionaries if each.get("/Type") == "/Font"]
        described = [font for font in fonts if "/FontDescriptor" in font]
        assert any("Vera" in str(font.BaseFont) for font in described)
        assert all("/FontFile2" in font.FontDescriptor for font in described)


def test_same_job_gives_the_same_bytes(pdf: bytes, job: Job, small_store: Store) -> None:
    assert report_pdf(job, originals(small_store)) == pdf


@pytest.mark.parametrize(("units", "size_pt"), [("imperial", (612, 792)), ("metric", (595.28, 841.89))])
def test_paper_follows_the_units(
    job: Job, small_store: Store, units: Any, size_pt: tuple[float, float]
) -> None:
    data = report_pdf(replace(job, units=units), originals(small_store))
    box = PdfReader(io.BytesIO(data)).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(size_pt, abs=0.01)
    shown = '32\' 0" ± 1/2"' if units == "imperial" else "9753.6 mm ± 12.4 mm long"
    assert shown in words(data)


def test_position_is_shown_only_where_it_is_known(job: Job, small_store: Store) -> None:
    text = words(report_pdf(job, originals(small_store)))
    assert "44.500000°, -71.250000°" in text
    hidden = tuple(replace(p, facts=replace(p.facts, position=None, serial=None)) for p in job.photos)
    text = words(report_pdf(replace(job, photos=hidden), originals(small_store)))
    assert "44.5" not in text
    assert SERIAL not in text


HOSTILE = '<b>bold</b> & <para> "quoted" \x00\x07 ]]> \\(x\\) %s {0}'


def test_texts_that_look_like_markup_are_shown_as_typed(job: Job, small_store: Store) -> None:
    photos = (replace(job.photos[0], original_name=HOSTILE), *job.photos[1:])
    decisions = (replace(job.decisions[0], reason=HOSTILE, who=HOSTILE), *job.decisions[1:])
    odd = replace(job, name=HOSTILE, notes=HOSTILE, photos=photos, decisions=decisions)
    text = words(report_pdf(odd, originals(small_store)))
    assert text.count('<b>bold</b> & <para> "quoted"') >= 4


def test_signs_that_the_font_lacks_are_written_as_numbers(job: Job, small_store: Store) -> None:
    text = words(report_pdf(replace(job, name="屋根 Ω é"), originals(small_store)))
    assert "[U+5C4B][U+6839]" in text
    assert "é" in text


def test_job_without_anything_makes_a_report(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        empty = store.job(store.create_job("empty", "metric", "R. Vane"))
        text = words(report_pdf(empty, originals(store)))
    for expected in (
        "The ridge has not been measured.",
        "Its cap has not been laid out.",
        "No close-up of the finished work has been checked.",
        "There is no layout yet, so that the ridge cannot be drawn.",
    ):
        assert expected in text


def test_ridge_that_could_not_be_measured_says_why(job: Job, small_store: Store) -> None:
    record = {
        **job.results["measure"].record,
        "ridge": None,
        "budget": [],
        "notes": ["no photo could be used"],
    }
    changed = replace(job, results={**job.results, "measure": replace(job.results["measure"], record=record)})
    text = words(report_pdf(changed, originals(small_store)))
    assert "The ridge could not be measured: no photo could be used." in text


def test_missing_and_damaged_originals_leave_their_reason(
    job: Job, small_store: Store, tmp_path: Path
) -> None:
    damaged = tmp_path / "damaged"
    damaged.write_bytes(b"\xff\xd8\xff\xe0 no picture")
    text = words(report_pdf(job, lambda photo: None))
    assert text.count("The original is not in this package.") == len(job.photos)
    text = words(report_pdf(job, lambda photo: damaged))
    assert text.count("No picture:") == len(job.photos)


def test_long_ridge_is_drawn_in_rows(job: Job, small_store: Store) -> None:
    # 200 ft in pieces of 10 ft with laps of 6 in.
    record = dict(job.results["plan"].record)
    pieces = [3048.0] * 21
    stations = [-25.4 + number * (3048.0 - 152.4) for number in range(1, 21)]
    ridge = {**record["ridges"][0], "ridge_mm": 60_909.2, "pieces_mm": pieces, "lap_stations_mm": stations}
    record["ridges"] = [ridge]
    changed = replace(job, results={**job.results, "plan": replace(job.results["plan"], record=record)})
    text = words(report_pdf(changed, originals(small_store)))
    assert text.count("to scale along the ridge only") == 2
    for number in range(1, 22):
        assert f"run {number} right" in text
    assert "piece 21" in text


def test_heif_and_portrait_photos_are_shown(job: Job, open_data: Path) -> None:
    heif = open_data / "exif" / "IMG_5195.HEIC"
    portrait = open_data / "exif" / "orientation" / "portrait_6.jpg"
    paths = {"house-0.jpg": heif, "c10.jpg": heif, "house-1.jpg": portrait, "c11.jpg": portrait}
    text = words(report_pdf(job, lambda photo: paths.get(photo.name)))
    assert "No picture" not in text


def test_correction_by_hand_is_listed_with_its_reason(tmp_path: Path) -> None:
    from tests.webui.small_job import small_job

    with Store(tmp_path) as store:
        made = small_job(store)
        store.change_photo(made.id, "c12.jpg", "L. Orm", "filed by its chalk mark", place="lap 2 left")
        text = words(report_pdf(store.job(made.id), originals(store)))
    assert 'from null to "lap 2 left"' in text
    assert "filed by its chalk mark" in text
    assert "No supervisor has signed off the record as it stands." in text


def test_report_that_cannot_be_written_is_refused(job: Job, small_store: Store, tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be written"):
        write_report(job, originals(small_store), tmp_path / "no" / "r.pdf")


def test_progress_counts_the_close_ups(job: Job, small_store: Store) -> None:
    steps: list[tuple[int, int]] = []
    report_pdf(job, originals(small_store), lambda done, total: steps.append((done, total)))
    assert steps == [(1, 3), (2, 3), (3, 3)]


def test_positions_south_and_west_are_shown_with_their_sign(job: Job, small_store: Store) -> None:
    facts = replace(job.photos[0].facts, position=Position(-33.125, -70.5, None, None))
    changed = replace(job, photos=(replace(job.photos[0], facts=facts), *job.photos[1:]))
    assert "-33.125000°, -70.500000°" in words(report_pdf(changed, originals(small_store)))
