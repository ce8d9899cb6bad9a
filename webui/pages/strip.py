"""The ridge as a strip, to scale from gable end A to gable end B, each place a link with its state.

One strip in two shapes: lying in rows for a desk, where left is above, and standing for a phone, where left
is left. State is told by shape, word and ink; lines have one ink, whatever they stand for.
"""

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any

from markupsafe import Markup

from webui.cap_rows import CapRows, cap_rows
from webui.findings import PlaceStatus
from webui.pages.svg import Picture
from webui.places import Place
from webui.shown import Shown

Address = Callable[[Place], str]

# Lying: px of the picture's own frame.
_WIDE, _END = 1180.0, 92.0
_FLANGE, _LAP_LABEL, _STATIONS, _FOOT = 54.0, 58.0, 24.0, 34.0
_LONGEST_ROW_MM = 13_500.0
# Middles of two labels of laps must be this far apart.
_LABEL = 136.0
# Half the width of a bold letter, on the safe side: fonts differ.
_HALF_LETTER = 4.5
# Standing.
_TALL, _SIDE, _TOP = 380.0, 98.0, 74.0
_PX_PER_MM, _LEAST_RUN, _LEAST_LAP = 0.05, 74.0, 80.0

_BAR_MM: Mapping[str, tuple[float, str]] = {"metric": (1000.0, "1 m"), "imperial": (1524.0, "5 ft")}


def lying_strip(
    ridge: Mapping[str, Any], statuses: Sequence[PlaceStatus], shown: Shown, address: Address, chosen: str
) -> Markup:
    """Return the strip in rows, for wide windows.

    Parameters
    ----------
    ridge : mapping
        One entry of ``ridges`` in the contract's `plan --json` record.
    statuses : sequence of PlaceStatus
        What is known of each place.
    shown : Shown
        How lengths are said.
    address : callable
        Where a place's link leads.
    chosen : str
        Name of the place that is open now, "" if none is.

    Returns
    -------
    Markup
        The picture.
    """
    drawing = _Lying(ridge, shown, with_stations=False)
    for each in statuses:
        drawing.place(each, address(each.span.place), is_chosen=str(each.span.place) == chosen)
    return drawing.picture.markup()


def standing_strip(
    ridge: Mapping[str, Any], statuses: Sequence[PlaceStatus], shown: Shown, address: Address, chosen: str
) -> Markup:
    """Return the strip standing, gable end A on top, for narrow windows; see `lying_strip`."""
    drawing = _Standing(ridge, shown)
    for each in statuses:
        drawing.place(each, address(each.span.place), is_chosen=str(each.span.place) == chosen)
    return drawing.picture.markup()


def layout_strip(ridge: Mapping[str, Any], shown: Shown) -> Markup:
    """Return the strip with its pieces, their lengths, and the stations of exposed edges."""
    drawing = _Lying(ridge, shown, with_stations=True)
    start_mm = drawing.cap.begin_mm
    for index, piece_mm in enumerate(ridge["pieces_mm"], 1):
        drawing.piece(index, start_mm, start_mm + piece_mm)
        start_mm += piece_mm - ridge["lap_mm"]
    for station_mm in (0.0, *ridge["lap_stations_mm"], ridge["ridge_mm"]):
        drawing.station(station_mm)
    return drawing.picture.markup()


class _Lying:
    """The cap in rows from left to right."""

    def __init__(self, ridge: Mapping[str, Any], shown: Shown, *, with_stations: bool) -> None:
        self.ridge, self.shown = ridge, shown
        self.cap = cap_rows(ridge, _row_mm(ridge))
        self.scale = (_WIDE - 2.0 * _END) / max(high - low for low, high in self.cap.rows_mm)
        self._above = _STATIONS + 6.0 if with_stations else _LAP_LABEL
        self._step = self._above + 2.0 * _FLANGE + (2.0 * _STATIONS if with_stations else _LAP_LABEL)
        height = len(self.cap.rows_mm) * self._step + _FOOT
        label = "The cap's pieces, to scale" if with_stations else "The ridge, place by place"
        self.picture = Picture(
            _WIDE, height, "strip strip-lying", f"{label}, from gable end A to gable end B"
        )
        self._taken: dict[tuple[int, int], float] = {}
        self._sheet()
        if with_stations:
            self._letters()

    def x(self, row: int, station_mm: float) -> float:
        """Return where a station lies in a row."""
        low, high = self.cap.rows_mm[row]
        return _END + (min(max(station_mm, low), high) - low) * self.scale

    def ridge_y(self, row: int) -> float:
        """Return the height of a row's ridge line."""
        return row * self._step + self._above + _FLANGE

    def _sheet(self) -> None:
        back = self.picture.group("strip-sheet", aria_hidden="true")
        picture = self.picture
        for row, (low, high) in enumerate(self.cap.rows_mm):
            left, right, y = self.x(row, low), self.x(row, high), self.ridge_y(row)
            picture.rect(left, y - _FLANGE, right - left, 2.0 * _FLANGE, "metal", back)
        for (low, high), edge in zip(self.cap.laps_mm, self.ridge["lap_stations_mm"], strict=True):
            row = self.cap.row_of(low, high)
            y = self.ridge_y(row)
            picture.rect(self.x(row, low), y - _FLANGE, (high - low) * self.scale, 2 * _FLANGE, "lap", back)
            for station in (low, high):
                kind = "edge" if abs(station - edge) < 1.0 else "hidden"
                x = self.x(row, station)
                picture.line(x, y - _FLANGE, x, y + _FLANGE, kind, back)
        for row, (low, high) in enumerate(self.cap.rows_mm):
            left, right, y = self.x(row, low), self.x(row, high), self.ridge_y(row)
            for way in (-1.0, 1.0):
                picture.line(left, y + way * _FLANGE, right, y + way * _FLANGE, "hem", back)
            picture.line(left, y, right, y, "fold", back)
            for x, is_end in ((left, low == self.cap.begin_mm), (right, high == self.cap.end_mm)):
                self._row_end(x, y, is_end=is_end, back=back)
        self._scale_bar(back)

    def _row_end(self, x: float, y: float, *, is_end: bool, back: Any) -> None:
        if is_end:
            self.picture.line(x, y - _FLANGE, x, y + _FLANGE, "hem", back)
            return
        steps = [(x + (4.0 if i % 2 else -4.0), y - _FLANGE + i * _FLANGE / 4.0) for i in range(9)]
        self.picture.zigzag(steps, "break", back)

    def _scale_bar(self, back: Any) -> None:
        length_mm, label = _BAR_MM[self.shown.units]
        y = len(self.cap.rows_mm) * self._step + 0.5 * _FOOT
        right = _END + length_mm * self.scale
        self.picture.line(_END, y, right, y, "bar", back)
        for x in (_END, right):
            self.picture.line(x, y - 4.0, x, y + 4.0, "bar", back)
        self.picture.say(right + 8.0, y + 5.0, f"{label}; to scale along the ridge only", "aside start", back)

    def place(self, each: PlaceStatus, href: str, *, is_chosen: bool) -> None:
        """Draw a place: its link, mark, word and name."""
        row = self.cap.row_of(each.span.low_mm, each.span.high_mm)
        left, right = self.x(row, each.span.low_mm), self.x(row, each.span.high_mm)
        link = _place_link(self.picture, each, href, is_chosen=is_chosen)
        y = self.ridge_y(row)
        match each.span.place.kind:
            case "run":
                top = y - _FLANGE if each.span.place.flange == "left" else y
                self.picture.rect(left + 2.0, top + 2.0, right - left - 4.0, _FLANGE - 4.0, "hit", link)
                _label(self.picture, (left + right) / 2.0, top + 22.0, right - left, each, link)
            case "lap":
                self._lap(each, (left, right), y, link)
            case _:
                self._gable_end(each, row, y, link)

    def _lap(self, each: PlaceStatus, across: tuple[float, float], y: float, link: Any) -> None:
        way = -1.0 if each.span.place.flange == "left" else 1.0
        x, hem = sum(across) / 2.0, y + way * _FLANGE
        top = hem - _LAP_LABEL + 6.0 if way < 0 else hem + 10.0
        self.picture.rect(x - _LABEL / 2.0 + 2.0, top - 2.0, _LABEL - 4.0, 44.0, "hit", link)
        self.picture.rect(across[0], min(y, hem), across[1] - across[0], _FLANGE, "hit-lap", link)
        self.picture.line(x, hem, x, hem + way * 8.0, "leader", link)
        _label(self.picture, x, top + 14.0, _LABEL, each, link)

    def _gable_end(self, each: PlaceStatus, row: int, y: float, link: Any) -> None:
        is_a = each.span.place.number == 1
        x = 0.5 * _END - 4.0 if is_a else self.x(row, each.span.high_mm) + 0.5 * _END + 4.0
        self.picture.rect(x - 0.5 * _END + 6.0, y - _FLANGE, _END - 12.0, 2.0 * _FLANGE, "hit", link)
        self.picture.say(x, y - 26.0, "A" if is_a else "B", "letter", link)
        self.picture.symbol(_mark(each), x, y - 6.0, 18.0, link)
        for line, words in enumerate(_broken(str(each.status))):
            self.picture.say(x, y + 22.0 + 16.0 * line, words, "word", link)

    def _letters(self) -> None:
        back = self.picture.group("strip-letters", aria_hidden="true")
        last = len(self.cap.rows_mm) - 1
        self.picture.say(0.5 * _END, self.ridge_y(0) + 9.0, "A", "letter", back)
        end = self.x(last, self.cap.end_mm) + 0.5 * _END
        self.picture.say(end, self.ridge_y(last) + 9.0, "B", "letter", back)

    def piece(self, index: int, start_mm: float, end_mm: float) -> None:
        """Draw a piece's number, length and extent."""
        row = self.cap.row_of(start_mm, end_mm)
        left, right, y = self.x(row, start_mm), self.x(row, end_mm), self.ridge_y(row)
        # Neighbours overlap: their extents lie on two heights.
        over = y - _FLANGE - (8.0 if index % 2 else 16.0)
        self.picture.line(left, over, right, over, "extent")
        for x in (left, right):
            self.picture.line(x, over - 4.0, x, over + 4.0, "extent")
        self.picture.say((left + right) / 2.0, y - 22.0, f"piece {index}", "name")
        self.picture.say((left + right) / 2.0, y + 34.0, self.shown.length(end_mm - start_mm), "length")

    def station(self, station_mm: float) -> None:
        """Write a station below the cap, on a second line where the first is taken."""
        row = self.cap.row_at(station_mm)
        words, x = self.shown.length(station_mm), self.x(row, station_mm)
        half = 4.6 * len(words)
        level = 0 if x - half > self._taken.get((row, 0), 0.0) else 1
        self._taken[row, level] = x + half + 8.0
        y = self.ridge_y(row) + _FLANGE
        self.picture.line(x, y, x, y + 6.0 + 18.0 * level, "leader")
        self.picture.say(x, y + 21.0 + 18.0 * level, words, "station")


class _Standing:
    """The cap from top to bottom, as it is walked."""

    def __init__(self, ridge: Mapping[str, Any], shown: Shown) -> None:
        self.cap = cap_rows(ridge, float("inf"))
        self.scale = _standing_scale(self.cap)
        self._bottom = _TOP + (self.cap.end_mm - self.cap.begin_mm) * self.scale
        self.picture = Picture(
            _TALL,
            self._bottom + _TOP + _FOOT,
            "strip strip-standing",
            "The ridge, place by place, from gable end A to gable end B",
        )
        self._sheet(ridge, shown)

    def y(self, station_mm: float) -> float:
        """Return where a station lies."""
        return _TOP + (station_mm - self.cap.begin_mm) * self.scale

    def _sheet(self, ridge: Mapping[str, Any], shown: Shown) -> None:
        picture, back = self.picture, self.picture.group("strip-sheet", aria_hidden="true")
        left, right = _SIDE, _TALL - _SIDE
        picture.rect(left, _TOP, right - left, self._bottom - _TOP, "metal", back)
        for (low, high), edge in zip(self.cap.laps_mm, ridge["lap_stations_mm"], strict=True):
            picture.rect(left, self.y(low), right - left, (high - low) * self.scale, "lap", back)
            for station in (low, high):
                kind = "edge" if abs(station - edge) < 1.0 else "hidden"
                picture.line(left, self.y(station), right, self.y(station), kind, back)
        for x in (left, right):
            picture.line(x, _TOP, x, self._bottom, "hem", back)
        for y in (_TOP, self._bottom):
            picture.line(left, y, right, y, "hem", back)
        picture.line(_TALL / 2.0, _TOP, _TALL / 2.0, self._bottom, "fold", back)
        length_mm, label = _BAR_MM[shown.units]
        self._scale_bar(length_mm * self.scale, label, back)

    def _scale_bar(self, length: float, label: str, back: Any) -> None:
        x, low = _TALL - 20.0, self._bottom + _TOP + 14.0
        self.picture.line(x, low - length, x, low, "bar", back)
        for y in (low - length, low):
            self.picture.line(x - 4.0, y, x + 4.0, y, "bar", back)
        self.picture.say(x - 10.0, low, f"{label} along the ridge", "aside end", back)

    def place(self, each: PlaceStatus, href: str, *, is_chosen: bool) -> None:
        """Draw a place: its link, mark, word and name."""
        low, high = self.y(each.span.low_mm), self.y(each.span.high_mm)
        link = _place_link(self.picture, each, href, is_chosen=is_chosen)
        is_left = each.span.place.flange == "left"
        middle, half = (low + high) / 2.0, _TALL / 2.0 - _SIDE
        match each.span.place.kind:
            case "run":
                x = _SIDE if is_left else _TALL / 2.0
                self.picture.rect(x + 2.0, low + 2.0, half - 4.0, high - low - 4.0, "hit", link)
                _stacked(self.picture, x + half / 2.0, middle, each, link)
            case "lap":
                x = 0.0 if is_left else _TALL - _SIDE
                hem = _SIDE if is_left else _TALL - _SIDE
                self.picture.rect(x + 2.0, middle - 37.0, _SIDE - 8.0, 74.0, "hit", link)
                self.picture.rect(min(hem, _TALL / 2.0), low, half, high - low, "hit-lap", link)
                way = -1.0 if is_left else 1.0
                self.picture.line(hem, middle, hem + way * 6.0, middle, "leader", link)
                _stacked(self.picture, x + _SIDE / 2.0 - 2.0, middle, each, link)
            case _:
                self._gable_end(each, link)

    def _gable_end(self, each: PlaceStatus, link: Any) -> None:
        is_a = each.span.place.number == 1
        top = 4.0 if is_a else self._bottom + 6.0
        self.picture.rect(_SIDE, top, _TALL - 2.0 * _SIDE, _TOP - 12.0, "hit", link)
        x = _TALL / 2.0
        self.picture.say(x, top + 26.0, "A" if is_a else "B", "letter", link)
        _beside(self.picture, x, top + 48.0, each, link)


def _row_mm(ridge: Mapping[str, Any]) -> float:
    """Return how much of the cap a row may show, so that the labels of its laps stay apart."""
    stations = ridge["lap_stations_mm"]
    apart_mm = float(min((second - first for first, second in pairwise(stations)), default=_LONGEST_ROW_MM))
    return min(_LONGEST_ROW_MM, (_WIDE - 2.0 * _END) * abs(apart_mm) / _LABEL)


def _standing_scale(cap: CapRows) -> float:
    """Return px per mm: as small as lets the label of every run and lap stand clear."""
    borders = [cap.begin_mm, *(station for lap in cap.laps_mm for station in lap), cap.end_mm]
    runs_mm = [high - low for low, high in pairwise(borders)][::2]
    middles_mm = [sum(lap) / 2.0 for lap in cap.laps_mm]
    laps_mm = [high - low for low, high in pairwise(middles_mm)]
    asked = [_LEAST_RUN / max(run, 1.0) for run in runs_mm] + [_LEAST_LAP / max(lap, 1.0) for lap in laps_mm]
    return max(_PX_PER_MM, *asked)


def _place_link(picture: Picture, each: PlaceStatus, href: str, *, is_chosen: bool) -> Any:
    place, photos = str(each.span.place), len(each.photos)
    told = f"{photos} photo" if photos == 1 else f"{photos} photos"
    label = f"{place}: {each.status}" + (f", {told}" if photos else "")
    more = {"aria_current": "true"} if is_chosen else {}
    return picture.link(href, f"place is-{_slug(each)}", label, data_place=place, **more)


def _label(picture: Picture, x: float, y: float, room: float, each: PlaceStatus, link: Any) -> None:
    """Draw mark and word beside each other, the place's name below; only the mark where there is no room."""
    if room < _LABEL - 10.0:
        picture.symbol(_mark(each), x, y, 16.0, link)
        if room > 50.0:
            picture.say(
                x, y + 24.0, str(each.span.place).removesuffix(f" {each.span.place.flange}"), "name", link
            )
        return
    _beside(picture, x, y, each, link)
    picture.say(x, y + 22.0, str(each.span.place), "name", link)


def _beside(picture: Picture, x: float, y: float, each: PlaceStatus, link: Any) -> None:
    half = _HALF_LETTER * len(str(each.status))
    picture.symbol(_mark(each), x - half - 3.0, y, 16.0, link)
    picture.say(x + 11.0, y + 5.0, str(each.status), "word", link)


def _stacked(picture: Picture, x: float, y: float, each: PlaceStatus, link: Any) -> None:
    """Draw mark, word and name below each other."""
    words = _broken(str(each.status))
    top = y - 8.0 * len(words)
    picture.symbol(_mark(each), x, top - 8.0, 16.0, link)
    for line, word in enumerate(words):
        picture.say(x, top + 15.0 + 15.0 * line, word, "word", link)
    picture.say(x, top + 16.0 + 15.0 * len(words), str(each.span.place), "name", link)


def _slug(each: PlaceStatus) -> str:
    return str(each.status).replace(" ", "-")


def _mark(each: PlaceStatus) -> str:
    return f"mark-{_slug(each)}"


def _broken(words: str) -> list[str]:
    """Return a long status in two lines."""
    return words.rsplit(" ", 1) if len(words) > 11 else [words]
