"""How a drone and its camera were held, as the XMP packet of its photo says: degrees, metres.

There is no standard for it: the words below are common practice, and the namespaces differ by maker, so that
only local names count. It helps to describe a photo; no scale is ever taken from it.
"""

import math
from dataclasses import dataclass
from xml.parsers import expat

# A camera's packet holds a few kilobytes.
_LARGEST_PACKET_BYTES = 2**20
_LONGEST_SHOWN = 40

_FIELD_BY_WORD = {
    "gimbalyawdegree": "gimbal_yaw_deg",
    "gimbalpitchdegree": "gimbal_pitch_deg",
    "gimbalrolldegree": "gimbal_roll_deg",
    "flightyawdegree": "flight_yaw_deg",
    "flightpitchdegree": "flight_pitch_deg",
    "flightrolldegree": "flight_roll_deg",
    "relativealtitude": "relative_altitude_m",
}


@dataclass(frozen=True, slots=True)
class DroneAttitude:
    """How a drone and its camera were held; None where nothing is said.

    Attributes
    ----------
    gimbal_yaw_deg, gimbal_pitch_deg, gimbal_roll_deg : float or None
        The camera's, degrees; its pitch is -90 looking straight down (common practice, no source).
    flight_yaw_deg, flight_pitch_deg, flight_roll_deg : float or None
        The aircraft's, degrees.
    relative_altitude_m : float or None
        Height above the place of take-off, m.
    """

    gimbal_yaw_deg: float | None = None
    gimbal_pitch_deg: float | None = None
    gimbal_roll_deg: float | None = None
    flight_yaw_deg: float | None = None
    flight_pitch_deg: float | None = None
    flight_roll_deg: float | None = None
    relative_altitude_m: float | None = None


def read_attitude(xmp: bytes, notes: list[str]) -> DroneAttitude | None:
    """Return the attitude that an XMP packet tells.

    Parameters
    ----------
    xmp : bytes
        The packet. It may hold the values as attributes or as elements, as texts with a sign.
    notes : list of str
        Receives a sentence on whatever was odd.

    Returns
    -------
    DroneAttitude or None
        None when the packet tells none of it, or is damaged.
    """
    values: dict[str, float] = {}
    for word, written in _drone_words(xmp, notes).items():
        name = _FIELD_BY_WORD[word]
        value = _finite(written)
        if value is None:
            notes.append(
                f"XMP gives {written[:_LONGEST_SHOWN]!r} as {name}, which is no number; it was left aside."
            )
        else:
            values[name] = value
    return DroneAttitude(**values) if values else None


def _finite(written: str) -> float | None:
    try:
        value = float(written)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


class _PacketReader:
    """Collects the drone's words from an XML stream; no tree is built and no name is resolved.

    Some makers forget to declare their namespace. A document type is refused: without one there is nothing in
    XML that could expand or be fetched.
    """

    def __init__(self) -> None:
        self.words: dict[str, str] = {}
        self._open: list[str] = []

    def read(self, xmp: bytes) -> None:
        if len(xmp) > _LARGEST_PACKET_BYTES:
            msg = f"{len(xmp)} bytes are too many"
            raise ValueError(msg)
        parser = expat.ParserCreate()
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = self._refuse_doctype
        parser.Parse(xmp.rstrip(b"\x00 \r\n\t"), True)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._open.append(_local_name(name))
        for key, value in attributes.items():
            if _local_name(key) in _FIELD_BY_WORD:
                self.words[_local_name(key)] = value

    def _end(self, _name: str) -> None:
        self._open.pop()

    def _text(self, text: str) -> None:
        word = self._open[-1]
        if word in _FIELD_BY_WORD:
            self.words[word] = self.words.get(word, "") + text

    def _refuse_doctype(self, *_declaration: object) -> None:
        msg = "a document type has no place there"
        raise ValueError(msg)


def _local_name(name: str) -> str:
    return name.rpartition(":")[2].casefold()


def _drone_words(xmp: bytes, notes: list[str]) -> dict[str, str]:
    reader = _PacketReader()
    try:
        reader.read(xmp)
    except (expat.ExpatError, ValueError, LookupError) as error:
        notes.append(f"The XMP metadata are damaged and were left aside ({error}).")
        return {}
    return reader.words
