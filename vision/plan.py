"""The plan of a job: what the cap, its laps and its rivets are meant to be. Lengths in mm.

A value that the job's own documents do not give falls back to a default of common practice, and says so.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from calib.errors import PlanError, RecordError
from calib.records import check_keys, number, read_json

COMMON_PRACTICE = "common practice, no source; the plan, the maker's instructions and local code govern"
THIS_JOB = "this job's plan"


def _key(default: float | None, meaning: str, *, zero_allowed: bool = False) -> Any:
    """Declare a key of the plan with its default, its meaning and whether zero makes sense."""
    return field(default=default, metadata={"meaning": meaning, "zero_allowed": zero_allowed})


@dataclass(frozen=True, slots=True)
class Plan:
    """What the job's plan asks for; every default is common practice without a source.

    The fields are the keys of the contract's plan file, lengths in mm. ``given`` names the keys that came
    from the job's own documents; all the others stand at their defaults.

    Raises
    ------
    PlanError
        If a value is out of range, or two values contradict each other.
    """

    ridge_mm: float | None = _key(None, "ridge length; usually given by a measurement instead")
    piece_mm: float = _key(3048.0, "length of a full cap piece")
    lap_min_mm: float = _key(152.4, "least lap of two cap pieces")
    gable_allowance_mm: float = _key(25.4, "cap beyond the ridge at each gable end", zero_allowed=True)
    rivet_spacing_mm: float = _key(304.8, "rivets of a run, on centre")
    rivet_spacing_tolerance_mm: float = _key(12.7, "allowed on that spacing, either way", zero_allowed=True)
    lap_rivets: int = _key(16, "rivets of one lap, both flanges together", zero_allowed=True)
    # IFI-114 Table 1, 3/16 in regular dome: nominal 0.375 in = 9.525 mm; choosing that rivet has no source.
    rivet_head_mm: float = _key(9.5, "diameter of a rivet head (3/16 in rivet)")
    witness_mm: float | None = _key(None, "witness mark to the lower piece's end; none if not drawn")
    z_closure_offset_mm: float = _key(155.6, "z-closure line from the ridge line, down the roof's slope")
    vent_rivet_spacing_mm: float = _key(304.8, "rivets of a vent strip, on centre")
    sealant_row_mm: float = _key(76.2, "distance between the sealant rows of a lap")
    given: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        for key in PLAN_KEYS:
            _check_range(key, getattr(self, key))
        if self.piece_mm <= 2.0 * self.lap_min_mm:
            msg = (
                f"piece_mm ({self.piece_mm:g} mm) must be over twice lap_min_mm ({self.lap_min_mm:g} mm): "
                "a piece has a lap at each end; check both lengths"
            )
            raise PlanError(msg)
        if self.rivet_spacing_tolerance_mm >= self.rivet_spacing_mm:
            msg = (
                f"rivet_spacing_tolerance_mm ({self.rivet_spacing_tolerance_mm:g} mm) must be less than "
                f"rivet_spacing_mm ({self.rivet_spacing_mm:g} mm); check both lengths"
            )
            raise PlanError(msg)

    def origin(self, key: str) -> str:
        """Say where a value comes from: the job's own plan, or common practice."""
        return THIS_JOB if key in self.given else COMMON_PRACTICE


PLAN_KEYS = tuple(entry.name for entry in fields(Plan) if entry.name != "given")


def meaning_of(key: str) -> str:
    """Say in a few words what a key of the plan means."""
    return str(_metadata_of(key)["meaning"])


def load_plan(path: Path) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    path : Path
        JSON file after the contract; every key may be left out.

    Returns
    -------
    Plan
        The plan, with the defaults of common practice for what the file leaves out.

    Raises
    ------
    FileError
        If the file cannot be read.
    RecordError
        If it is not JSON, a key is unknown, or a value is not a number.
    PlanError
        If a value is out of range, or two values contradict each other.
    """
    return plan_from_record(read_json(path), str(path))


def plan_from_record(record: object, where: str) -> Plan:
    """Make a plan of a JSON object.

    Parameters
    ----------
    record : object
        What stood in the file, or came in by another door.
    where : str
        File or place, for the messages.

    Returns
    -------
    Plan
        The plan, with the defaults of common practice for what the record leaves out.

    Raises
    ------
    RecordError
        If a key is unknown, or a value is not a number.
    PlanError
        If a value is out of range, or two values contradict each other.
    """
    entries = check_keys(record, (), PLAN_KEYS, where)
    values: dict[str, Any] = {key: _value(key, value, f"{where}: {key}") for key, value in entries.items()}
    try:
        return Plan(**values, given=frozenset(values))
    except PlanError as error:
        msg = f"{where}: {error}"
        raise PlanError(msg) from error


def plan_record(plan: Plan) -> dict[str, float | None]:
    """Return the plan as the JSON object of a plan file, defaults written out."""
    return {key: getattr(plan, key) for key in PLAN_KEYS}


def _value(key: str, value: object, where: str) -> float | None:
    if value is None and _may_be_absent(key):
        return None
    if key != "lap_rivets":
        return number(value, where)
    count = number(value, where)
    if count != int(count):
        msg = f"{where}: a whole number of rivets was expected, got {count:g}"
        raise RecordError(msg)
    return int(count)


def _check_range(key: str, value: float | None) -> None:
    if value is None and _may_be_absent(key):
        return
    zero_allowed = _metadata_of(key)["zero_allowed"]
    if value is None or not math.isfinite(value) or value < 0 or (value == 0 and not zero_allowed):
        msg = f"{key} must be {'at least' if zero_allowed else 'more than'} 0, got {value}"
        raise PlanError(msg)


def _may_be_absent(key: str) -> bool:
    """Tell whether null is a value of this key: only where the default is null."""
    return _FIELDS[key].default is None


def _metadata_of(key: str) -> Mapping[str, Any]:
    return _FIELDS[key].metadata


_FIELDS = {entry.name: entry for entry in fields(Plan)}
