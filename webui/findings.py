"""Findings of a job at their places: what was measured, what a person decided on it, and what is still open.

A finding is one verdict of one rule in one close-up. What holds is the measured verdict, unless a decision on
that very verdict overrules it.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from webui.inputs import can_make, is_current, photos_of
from webui.job import RESULT_KINDS, Decision, FiledPhoto, Job, ResultKind
from webui.places import Place, Span, parse_place, spans_of

MEETS, DOES_NOT_MEET, CANNOT_TELL = "meets", "does not meet", "cannot tell"
Subject = tuple[str | None, str | None, int | None]
VERDICTS = (MEETS, DOES_NOT_MEET, CANNOT_TELL)


class Status(StrEnum):
    """What is known of a place, worst first."""

    DOES_NOT_MEET = DOES_NOT_MEET
    CANNOT_TELL = CANNOT_TELL
    NO_PHOTO = "no photo"
    DOCUMENTED = "documented"
    MEETS = MEETS


STATUS_MEANINGS: Mapping[Status, str] = {
    Status.MEETS: "every rule that its photos can answer meets the plan",
    Status.DOES_NOT_MEET: "at least one rule does not meet the plan",
    Status.CANNOT_TELL: "at least one rule cannot be told, none fails",
    Status.DOCUMENTED: "there is a photo, but no rule was judged in it",
    Status.NO_PHOTO: "there is no photo of it",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One verdict of one rule in one close-up.

    Attributes
    ----------
    place : Place or None
        Where; None while the photo is not filed.
    photo, rule, index : str, str, int
        The photo's name, the rule, and which verdict of that rule in that photo, from 1.
    between : str
        Which rivets a spacing lies between, by `rivet_numbers`; empty for other rules.
    measured_mm, u95_mm : float or None
        Value and expanded uncertainty, where a length was measured.
    limit, verdict, why : str
        As measured.
    p_conform : float or None
        Probability of conformity.
    decision : Decision or None
        The last decision on this very verdict.
    """

    place: Place | None
    photo: str
    rule: str
    index: int
    between: str
    measured_mm: float | None
    u95_mm: float | None
    limit: str
    p_conform: float | None
    verdict: str
    why: str
    decision: Decision | None

    @property
    def holds(self) -> str:
        """The verdict that holds: as measured, or as overruled."""
        if self.decision is not None and self.decision.action == "overrule" and self.decision.verdict:
            return self.decision.verdict
        return self.verdict

    @property
    def reason(self) -> str:
        """Why it was measured so, without the measured value, which stands in a column of its own."""
        if self.measured_mm is not None and self.why.startswith(f"{self.measured_mm:.1f} mm"):
            return self.why.split(": ", 1)[-1]
        return self.why


@dataclass(frozen=True, slots=True)
class PlaceStatus:
    """One place of the ridge with what is known of it."""

    span: Span
    status: Status
    photos: tuple[str, ...]
    findings: tuple[Finding, ...]


def findings_of(job: Job) -> tuple[Finding, ...]:
    """Return all findings of a job: photos and rules in the order of its check, spacings along the ridge."""
    record = job.record("check")
    return () if record is None else tuple(_findings(job, record))


def _findings(job: Job, record: Mapping[str, Any]) -> Iterator[Finding]:
    decided = standing_decisions(job)
    counts: Counter[tuple[str, str]] = Counter()
    for audit in record["photos"]:
        photo = job.photo(audit["photo"])
        if photo is None or photo.set_aside is not None:
            continue
        place = None if photo.place is None else parse_place(photo.place)
        found: list[tuple[tuple[int, ...], Finding]] = []
        for verdict in audit["verdicts"]:
            counts[photo.name, verdict["rule"]] += 1
            index = counts[photo.name, verdict["rule"]]
            decision = decided.get((photo.name, verdict["rule"], index))
            rivets = _rivets_of(audit, verdict)
            finding = Finding(
                place,
                photo.name,
                verdict["rule"],
                index,
                f"rivets {rivets[0]} and {rivets[1]}" if rivets else "",
                verdict["measured_mm"],
                verdict["u95_mm"],
                verdict["limit"],
                verdict["p_conform"],
                verdict["verdict"],
                verdict["why"],
                decision if decision is not None and _is_about(decision, verdict) else None,
            )
            found.append((rivets, finding))
        rules = list(dict.fromkeys(finding.rule for _, finding in found))
        found.sort(key=lambda each: (rules.index(each[1].rule), each[0]))
        yield from (finding for _, finding in found)


def rivet_numbers(audit: Mapping[str, Any]) -> tuple[int, ...]:
    """Return the numbers that people call the rivets of a photo by, in the order of its record.

    Counted from 1, from left to right as the photo shows them; from the top where the ridge stands upright.
    """
    px = [rivet["px"] for rivet in audit["rivets"]]
    if not px:
        return ()
    extents = [max(each) - min(each) for each in zip(*px, strict=True)]
    axis = 0 if extents[0] >= extents[1] else 1
    order = sorted(range(len(px)), key=lambda i: (px[i][axis], px[i][1 - axis]))
    return tuple(order.index(i) + 1 for i in range(len(px)))


def _rivets_of(audit: Mapping[str, Any], verdict: Mapping[str, Any]) -> tuple[int, ...]:
    """Return the two rivets of the spacing that a verdict is about: the spacing has the very same value."""
    for spacing in audit["spacings"] if verdict["rule"] == "rivet spacing" else ():
        if spacing["mm"] == verdict["measured_mm"]:
            numbers = rivet_numbers(audit)
            return tuple(sorted(numbers[spacing[end]] for end in ("from", "to")))
    return ()


def standing_decisions(job: Job) -> dict[Subject, Decision]:
    """Return the decision that stands on each finding, by photo, rule and index: the last not withdrawn."""
    made: dict[Subject, list[Decision]] = {}
    for decision in job.decisions:
        if decision.rule is None:
            continue
        stack = made.setdefault((decision.photo, decision.rule, decision.index), [])
        if decision.action != "withdraw":
            stack.append(decision)
        elif stack:
            stack.pop()
    return {subject: stack[-1] for subject, stack in made.items() if stack}


def _is_about(decision: Decision, verdict: Mapping[str, Any]) -> bool:
    """Tell whether a decision was made on this very verdict: a later measurement may differ."""
    return (decision.found, decision.measured_mm) == (verdict["verdict"], verdict["measured_mm"])


def place_statuses(job: Job) -> tuple[PlaceStatus, ...]:
    """Return every place of the ridge as laid out, from gable end A to gable end B; none without a layout."""
    record = job.record("plan")
    if record is None or not record["ridges"]:
        return ()
    photos: dict[str, list[str]] = {}
    for photo in photos_of(job, "close-up"):
        photos.setdefault(photo.place or "", []).append(photo.name)
    findings: dict[str, list[Finding]] = {}
    for finding in findings_of(job):
        findings.setdefault(str(finding.place), []).append(finding)
    return tuple(
        _status(span, photos.get(str(span.place), []), findings.get(str(span.place), []))
        for span in spans_of(record["ridges"][0])
    )


def _status(span: Span, photos: Sequence[str], findings: Sequence[Finding]) -> PlaceStatus:
    held = {finding.holds for finding in findings}
    if not photos:
        status = Status.NO_PHOTO
    elif DOES_NOT_MEET in held:
        status = Status.DOES_NOT_MEET
    elif CANNOT_TELL in held:
        status = Status.CANNOT_TELL
    else:
        status = Status.MEETS if held else Status.DOCUMENTED
    return PlaceStatus(span, status, tuple(photos), tuple(findings))


def sign_off(job: Job) -> Decision | None:
    """Return the sign-off that still stands: one that nothing but results of the same record followed."""
    last = next((d for d in reversed(job.decisions) if d.action == "sign off"), None)
    if last is None:
        return None
    return last if job.log and job.log[-1].time_utc == last.time_utc else None


def open_points(job: Job) -> tuple[str, ...]:
    """Return what is still to be done before the record of a job is complete, in plain sentences."""
    return (*_open_results(job), *_open_places(job), *_open_findings(job), *_open_decisions(job))


_NAMES: Mapping[ResultKind, tuple[str, str]] = {
    "measure": ("The ridge", "measured"),
    "check": ("The close-ups", "checked"),
    "plan": ("The layout", "made"),
}


def _open_results(job: Job) -> Iterator[str]:
    for kind in RESULT_KINDS:
        name, done = _NAMES[kind]
        if kind not in job.results:
            yield f"{name}: not {done} yet" + ("." if can_make(job, kind) else "; what it needs is missing.")
        elif not is_current(job, kind):
            yield f"{name}: photos, picks or set-up were changed since; to be {done} again."
    measured = job.record("measure")
    if measured is not None and measured["ridge"] is None:
        yield f"The ridge could not be measured: {'; '.join(measured['notes'])}."


def _open_places(job: Job) -> Iterator[str]:
    statuses = place_statuses(job)
    missing = [str(each.span.place) for each in statuses if each.status is Status.NO_PHOTO]
    if missing:
        yield f"{len(missing)} of {len(statuses)} places are without a photo: {', '.join(missing)}."
    known = {str(each.span.place) for each in statuses}
    for photo in photos_of(job, "close-up"):
        if photo.place is None:
            yield f"{photo.name} is not filed at a place."
        elif known and photo.place not in known:
            yield f"{photo.name} is filed at {photo.place}, which the layout does not have."


def _open_findings(job: Job) -> Iterator[str]:
    for audit in (job.record("check") or {"photos": []})["photos"]:
        photo = job.photo(audit["photo"])
        if photo is not None and photo.set_aside is None and not audit["measured"]:
            yield f"{_where(photo)} could not be measured: {audit['notes'][0]}."
    for finding in findings_of(job):
        if finding.holds != MEETS:
            where = f"{finding.photo}" + ("" if finding.place is None else f", {finding.place}")
            yield f"{finding.rule} ({where}): {finding.holds}; {_reason(finding)}."


def _where(photo: FiledPhoto) -> str:
    return photo.name if photo.place is None else f"{photo.name} ({photo.place})"


def _reason(finding: Finding) -> str:
    overruled = finding.decision is not None and finding.decision.action == "overrule"
    return finding.decision.reason if overruled and finding.decision else finding.why


def _open_decisions(job: Job) -> Iterator[str]:
    about = {finding.decision.number for finding in findings_of(job) if finding.decision is not None}
    for decision in standing_decisions(job).values():
        if decision.number not in about:
            what = f"{decision.rule} in {decision.photo}"
            yield f"Decision {decision.number} ({what}) was made on another measurement; decide again."
    if sign_off(job) is None:
        yield "No supervisor has signed off the record as it stands."
