"""A drone's attitude from XMP packets, written in the ways that makers write them."""

import pytest

from calib.attitude import DroneAttitude, read_attitude

_ATTRIBUTES = b"""<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description xmlns:aircraft="http://example.org/drone/1.0/" aircraft:RelativeAltitude="+12.30"
 aircraft:GimbalYawDegree="-101.5" aircraft:GimbalPitchDegree="-90.00" aircraft:GimbalRollDegree="+0.00"
 aircraft:FlightYawDegree="77.2" aircraft:FlightPitchDegree="+1.1" aircraft:FlightRollDegree="-2.0"/>
</rdf:RDF></x:xmpmeta><?xpacket end="w"?>"""

_ATTITUDE = DroneAttitude(-101.5, -90.0, 0.0, 77.2, 1.1, -2.0, 12.3)


def test_read_attitude_from_attributes_gives_signed_numbers() -> None:
    notes: list[str] = []
    assert read_attitude(_ATTRIBUTES, notes) == _ATTITUDE
    assert notes == []


def test_read_attitude_from_elements_of_another_namespace_gives_the_same() -> None:
    xmp = b"""<x:xmpmeta xmlns:x="adobe:ns:meta/"><r:RDF xmlns:r="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
    <r:Description xmlns:kite="http://example.com/k"><kite:RelativeAltitude> +12.30 </kite:RelativeAltitude>
    <kite:GimbalYawDegree>-101.5</kite:GimbalYawDegree><kite:gimbalpitchdegree>-90</kite:gimbalpitchdegree>
    <kite:GimbalRollDegree>+0.00</kite:GimbalRollDegree><kite:FlightYawDegree>77.2</kite:FlightYawDegree>
    <kite:FlightPitchDegree>1.1</kite:FlightPitchDegree><kite:FlightRollDegree>-2</kite:FlightRollDegree>
    </r:Description></r:RDF></x:xmpmeta>\0\0\0"""
    assert read_attitude(xmp, []) == _ATTITUDE


def test_read_attitude_with_undeclared_namespace_is_read() -> None:
    assert read_attitude(b'<x:xmpmeta any:GimbalPitchDegree="-45"/>', []) == DroneAttitude(
        gimbal_pitch_deg=-45.0
    )


def test_read_attitude_without_drone_words_is_none() -> None:
    notes: list[str] = []
    assert read_attitude(b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>text</x:xmpmeta>", notes) is None
    assert notes == []


@pytest.mark.parametrize("written", ["north", "", "nan", "inf", "1e999"])
def test_read_attitude_with_no_number_notes_it(written: str) -> None:
    notes: list[str] = []
    xmp = f'<d a:FlightYawDegree="{written}" a:FlightRollDegree="3"/>'.encode()
    assert read_attitude(xmp, notes) == DroneAttitude(flight_roll_deg=3.0)
    assert notes == [f"XMP gives {written!r} as flight_yaw_deg, which is no number; it was left aside."]


_ENTITIES = b"".join(b'<!ENTITY e%d "&e%d;&e%d;">' % (level + 1, level, level) for level in range(40))


@pytest.mark.parametrize(
    ("xmp", "why"),
    [
        (b'<!DOCTYPE x [<!ENTITY e0 "1">' + _ENTITIES + b"]><x>&e40;</x>", "document type"),
        (b'<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/hostname">]><x>&f;</x>', "document type"),
        (b"<x>&e;</x>", "undefined entity"),
        (b"<x><y></x>", "mismatched tag"),
        (b"not xml", "syntax error"),
        (b"", "no element found"),
        (b'<?xml version="1.0" encoding="martian"?><x/>', "encoding"),
        (b"<x>" + b" " * 2**20 + b"</x>", "too many"),
        (b"<x>" * 20000, "no element found"),
    ],
)
def test_read_attitude_from_damaged_or_hostile_packet_notes_it(xmp: bytes, why: str) -> None:
    notes: list[str] = []
    assert read_attitude(xmp, notes) is None
    assert len(notes) == 1
    assert notes[0].startswith("The XMP metadata are damaged and were left aside (")
    assert why in notes[0]
