"""`measure` as a person meets it: the picture of the network, and photos with their notes at 80 columns."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image
from rich.console import Console

from vision.look import PhotoResult
from webui.cli import cli
from webui.command_group import BAD_INPUT, NOT_MEASURED
from webui.tables import photos_view

PICKS = ("--a", "433.7,1111.5", "--b", "2566.2,1159.3")


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, ["measure", *map(str, args)])


@pytest.fixture
def house(sample_images: Path) -> list[object]:
    return [sample_images / "house_1.jpg", "--target", sample_images / "panel.json"]


def test_picture_is_drawn_beside_the_printed_ridge(house, tmp_path):
    out = tmp_path / "network.png"
    result = run(*house, *PICKS, "--picture", out)
    assert result.exit_code == 0, result.stderr
    assert result.output.startswith("Ridge  43'")
    with Image.open(out) as picture:
        assert picture.format == "PNG"


def test_other_pictures_are_refused_before_anything_is_measured(house, tmp_path):
    result = run(*house, *PICKS, "--picture", tmp_path / "network.jpg")
    assert result.exit_code == BAD_INPUT
    assert "let its name end in .png or .svg" in result.stderr
    assert result.output == result.stderr


def test_no_picture_is_drawn_where_nothing_was_measured(house, tmp_path, sample_images):
    out = tmp_path / "network.svg"
    result = run(house[0], "--target", sample_images / "card.json", *PICKS, "--picture", out)
    assert result.exit_code == NOT_MEASURED
    assert f"{out} was not drawn: there is no ridge to show" in result.stderr
    assert not out.exists()


def test_notes_of_photos_stand_below_their_table_at_full_width():
    why = "shows no target, and too little of what it shows is found in the other photos; it was left out"
    photos = {
        "p1.jpg": PhotoResult((10, 11, 12), 0.21, True, ("the horizon is tilted",)),
        "p2.jpg": PhotoResult((), None, False, (f"p2.jpg {why}",)),
    }
    console = Console(width=80)
    with console.capture() as captured:
        console.print(photos_view(photos))
    lines = captured.get().splitlines()
    assert max(map(len, lines)) <= 80
    said = " ".join(" ".join(lines).split())
    assert "· p1.jpg: the horizon is tilted" in said
    # A note that names its photo does not name it twice.
    assert f"· p2.jpg {why}" in said


def test_long_paths_are_broken_not_cut():
    name = "/a/very/long/way/down/to/the/folder/of/the/house/in/question/first/visit/photo_number_1.jpg"
    console = Console(width=80)
    with console.capture() as captured:
        console.print(photos_view({name: PhotoResult((10,), 0.2, True, ())}))
    assert "…" not in captured.get()
