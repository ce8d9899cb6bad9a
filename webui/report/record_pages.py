"""What is known of every place, every rule at every place, what is open, and what people decided."""

import json
from collections import Counter
from collections.abc import Mapping, Sequence

from reportlab.platypus import Flowable, Spacer

from webui.change_log import Entry
from webui.findings import STATUS_MEANINGS, findings_of, open_points, place_statuses
from webui.job import Action, Decision, Job
from webui.report.look import heading, lines, points, table, text
from webui.report.marks import Mark
from webui.report.pages import chapter, text_width_mm
from webui.report.photo_pages import findings_table
from webui.report.strip import StatusStrip
from webui.shown import Shown, sentence

# What a person changes by hand after a measurement, and why, by the words of the change log.
_CORRECTIONS = ("photo changed", "set-up changed")


def coverage_pages(job: Job, shown: Shown) -> list[Flowable]:
    """Return the chapter with the ridge as a strip and the table of places."""
    statuses = place_statuses(job)
    story: list[Flowable] = chapter("The ridge at a glance")
    if not statuses:
        return [*story, text("There is no layout yet, so that the ridge cannot be drawn.")]
    ridge = (job.record("plan") or {})["ridges"][0]
    words = "Left and right are seen from gable end A toward gable end B; left is drawn above."
    strip = StatusStrip(dict(ridge), statuses, text_width_mm(job), shown)
    story += [text(words), Spacer(0, 2), strip, Spacer(0, 4)]
    counts = Counter(each.status for each in statuses)
    key = [[Mark(status), meaning, str(counts[status])] for status, meaning in STATUS_MEANINGS.items()]
    story.append(
        table(["mark", "meaning", "places"], key, [34.0, text_width_mm(job) - 52.0, 18.0], right=(2,))
    )
    rows = [
        [
            str(each.span.place),
            Mark(each.status),
            str(len(each.findings) or "–"),
            ", ".join(each.photos) or "–",
        ]
        for each in statuses
    ]
    widths = [34.0, 34.0, 18.0]
    places = table(
        ["place", "", "checks", "photos"], rows, [*widths, text_width_mm(job) - sum(widths)], right=(2,)
    )
    return [*story, *heading("Places"), places]


def findings_pages(job: Job, shown: Shown) -> list[Flowable]:
    """Return the chapter with every rule at every place."""
    findings = findings_of(job)
    story: list[Flowable] = chapter("Every rule at every place")
    if not findings:
        return [*story, text("No close-up has been checked.")]
    order = {str(each.span.place): index for index, each in enumerate(place_statuses(job))}
    ordered = sorted(findings, key=lambda f: (order.get(str(f.place), len(order)), f.photo))
    words = (
        "U is the expanded uncertainty (95 %); p is the probability that the true value lies within the "
        "limits. A verdict without a name stands as measured: nobody has decided on it."
    )
    return [*story, text(words), findings_table(ordered, text_width_mm(job), shown, with_place=True)]


def decision_pages(job: Job) -> list[Flowable]:
    """Return the chapter of open points, decisions and corrections."""
    story: list[Flowable] = chapter("Open points and decisions")
    still = open_points(job)
    story += [
        *heading("Open points"),
        *(points([sentence(each) for each in still]) if still else [text("None.")]),
    ]
    story += [*heading("Accepted, overruled, signed off"), *_decisions(job)]
    return [*story, *heading("Corrections by hand"), *_corrections(job)]


def _decisions(job: Job) -> list[Flowable]:
    if not job.decisions:
        return [text("No person has decided anything yet.")]
    widths = [8.0, 28.0, 44.0, 42.0]
    rows = [_decision_row(decision) for decision in job.decisions]
    head = ["no.", "who, when", "what", "verdict", "reason"]
    return [table(head, rows, [*widths, text_width_mm(job) - sum(widths)])]


_DONE: Mapping[Action, str] = {
    "accept": "accepted",
    "overrule": "overruled",
    "sign off": "signed off",
    "withdraw": "withdrawn",
}


def _decision_row(decision: Decision) -> list[object]:
    when = decision.time_utc[:16].replace("T", " ")
    about = "the record" if decision.photo is None else f"{decision.rule} {decision.index}\n{decision.photo}"
    verdict = "–"
    if decision.action == "overrule":
        verdict = f"{decision.verdict}\nmeasured: {decision.found}"
    elif decision.found is not None:
        verdict = decision.found
    return [
        str(decision.number),
        lines(f"{decision.who}\n{when} UTC"),
        lines(f"{_DONE[decision.action]}: {about}"),
        lines(verdict),
        decision.reason or "–",
    ]


def _corrections(job: Job) -> list[Flowable]:
    entries = _after_first_result(job.log)
    if not entries:
        return [text("Nothing was corrected by hand after the first result.")]
    widths = [8.0, 36.0, 50.0]
    rows = [_correction_row(entry) for entry in entries]
    return [
        table(["entry", "who, when", "what", "reason"], rows, [*widths, text_width_mm(job) - sum(widths)])
    ]


def _after_first_result(log: Sequence[Entry]) -> list[Entry]:
    first = next((entry.sequence for entry in log if entry.what == "result made"), len(log))
    return [entry for entry in log if entry.sequence > first and entry.what in _CORRECTIONS]


def _correction_row(entry: Entry) -> list[object]:
    when = f"{entry.time_utc[:16].replace('T', ' ')} UTC"
    what, reason = f"{entry.what}\nwithheld", "withheld"
    if entry.details.text is not None:
        details = json.loads(entry.details.text)
        what = f"{details.get('photo', 'set-up')}: {', '.join(details['after'])}"
        if len(json.dumps(details["after"])) < 160:
            what += f"\nfrom {_short(details['before'])} to {_short(details['after'])}"
        reason = details.get("reason") or "–"
    return [str(entry.sequence), lines(f"{entry.who.text or 'withheld'}\n{when}"), lines(what), reason]


def _short(values: dict[str, object]) -> str:
    return ", ".join(json.dumps(value, ensure_ascii=False) for value in values.values())
