"""How it was measured and judged, by which sources and software, and how to see that nothing was altered."""

from reportlab.platypus import Flowable

from vision.verdict import decision_rule
from webui.job import Job
from webui.report.look import SMALL, heading, points, table, text
from webui.report.pages import chapter, text_width_mm
from webui.shown import sentence

_METHOD = (
    "Scale comes only from printed targets of known size (open tag family tag36h11), from known rectangles "
    "and from taped distances that the photos show. No length comes from a map, from a satellite position "
    "or from a guess.",
    "The corners of the tags' black squares are found to a fraction of a pixel, with their covariance. "
    "Black squares look smaller than they are; by how much is an unknown of every photo and a term of the "
    "budget.",
    "Lens and pose of every photo are estimated together, by least squares with priors: the lens from a "
    "calibration, or from the photo's own metadata with a doubt of a few percent (distortion after D. C. "
    "Brown, 1966 and 1971).",
    "The ridge: both ends are picked in the photos; the poses, the lens, the targets and the ends are "
    "adjusted in one network. From one photo alone the ends lie on the target's plane, or on one parallel "
    "to it at a measured set-back.",
    "Close-ups: what lies on the target's flange is measured on that flange's plane, at its own height. "
    "Rivet heads are taken at the base circle of the head; the lap from the upper sheet's end edge to the "
    "witness mark drawn on the lower one.",
    "Every length carries its standard uncertainty u, propagated to first order from all sources, and is "
    "stated with the expanded uncertainty U = 1.96 u (95 %).",
)
_SOURCES = (
    (
        "Uncertainty",
        "JCGM 100:2008 (GUM), 5.1.2 and 5.2.2; JCGM 102:2011 for several outputs; checked by simulation, "
        "JCGM 101:2008",
    ),
    ("Conformity", "JCGM 106:2012; decision rule of ISO 14253-1:2017"),
    ("Photo metadata", "CIPA DC-008 (EXIF); 35-mm equivalent focal length by the frame's diagonal"),
    ("Inch and foot", "25.4 mm and 304.8 mm exactly (international agreement, 1959)"),
    ("Rivet heads", "IFI-114; ISO 15977 and 15979 for metric ones"),
    ("Hashes and package", "SHA-256 and SHA-512, FIPS 180-4; BagIt, RFC 8493; signature Ed25519, RFC 8032"),
)


def method_pages(job: Job) -> list[Flowable]:
    """Return the chapter of method, sources, software and integrity."""
    width = text_width_mm(job)
    story: list[Flowable] = chapter("Method, sources, software")
    story += [*heading("How it was measured"), *points(_METHOD)]
    story += [*heading("How it was judged"), text(sentence(decision_rule()))]
    story += [
        *heading("Sources"),
        table(["for", "source"], [list(row) for row in _SOURCES], [36.0, width - 36.0]),
    ]
    story += [*heading("Software that made the numbers"), *_software(job, width)]
    return [*story, *heading("That nothing was altered"), *_integrity(job, width)]


def _software(job: Job, width_mm: float) -> list[Flowable]:
    names = {"measure": "ridge", "check": "close-ups", "plan": "layout"}
    made: dict[str, list[str]] = {}
    for kind, result in job.results.items():
        versions = ", ".join(f"{name} {version[:16]}" for name, version in result.software.items())
        made.setdefault(versions, []).append(f"{names[kind]} ({result.made_utc[:16].replace('T', ' ')} UTC)")
    rows = [[", ".join(results), versions] for versions, results in made.items()]
    return [table(["result", "versions"], rows, [50.0, width_mm - 50.0])] if rows else [text("None yet.")]


def _integrity(job: Job, width_mm: float) -> list[Flowable]:
    words = (
        "Every change of the job stands in its change log; each entry holds the SHA-256 of the one before, "
        "so that an entry changed, removed or moved shows. The evidence package holds the log, the "
        "originals and everything needed to redo the measurements; “ridgewitness verify” checks all of it "
        "without the machine that made it."
    )
    head = table(
        ["change log", ""],
        [["entries", str(job.log_entries)], ["SHA-256 of the last entry", job.log_head]],
        [46.0, width_mm - 46.0],
    )
    note = "Whoever keeps this page can tell whether a package was made from this very record."
    return [text(words), head, text(note, SMALL)]
