"""What a screen reader needs: headings, paragraphs and figures marked, and the tree that orders them.

ISO 32000-1:2008, 14.6 (marked content), 14.7 (structure tree), 14.9.3 (alternate descriptions).
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from reportlab.pdfbase import pdfdoc
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph


@dataclass(frozen=True, slots=True)
class _Element:
    """One element of the structure: its role, its page and its number on that page."""

    role: str
    page: int
    number: int
    alt: str


class Tags:
    """The structure of one document, collected while its pages are drawn."""

    def __init__(self) -> None:
        self._elements: list[_Element] = []
        self._on_page: dict[int, int] = {}

    @contextmanager
    def element(self, canvas: Canvas, role: str, alt: str = "") -> Iterator[None]:
        """Mark what is drawn inside as one element."""
        page = canvas.getPageNumber()
        number = self._on_page.get(page, 0)
        self._on_page[page] = number + 1
        self._elements.append(_Element(role, page, number, alt))
        described = f" /Alt {_text(alt)}" if alt else ""
        canvas._code.append(f"/{role} <</MCID {number}{described}>> BDC")
        yield
        canvas._code.append("EMC")

    def finish(self, canvas: Canvas) -> None:
        """Write the structure tree, after the last page."""
        document = canvas._doc
        names = [f"structure-{i}" for i in range(len(self._elements))]
        root, top = (pdfdoc.PDFObjectReference(name) for name in ("structure", "structure-document"))
        parents: dict[int, list[Any]] = {page: [] for page in sorted(self._on_page)}
        for name, element in zip(names, self._elements, strict=True):
            entry = {
                "Type": pdfdoc.PDFName("StructElem"),
                "S": pdfdoc.PDFName(element.role),
                "P": top,
                "Pg": pdfdoc.PDFObjectReference(f"Page{element.page}"),
                "K": element.number,
            }
            entry |= {"Alt": pdfdoc.PDFString(element.alt)} if element.alt else {}
            document.Reference(pdfdoc.PDFDictionary(entry), name)
            parents[element.page].append(pdfdoc.PDFObjectReference(name))
        kids = pdfdoc.PDFArray([pdfdoc.PDFObjectReference(name) for name in names])
        whole = {"Type": pdfdoc.PDFName("StructElem"), "S": pdfdoc.PDFName("Document"), "P": root, "K": kids}
        document.Reference(pdfdoc.PDFDictionary(whole), "structure-document")
        numbers: list[Any] = []
        for index, (page, elements) in enumerate(parents.items()):
            numbers += [index, pdfdoc.PDFArray(elements)]
            _set_parents(document.idToObject[f"Page{page}"], index)
        tree = {
            "Type": pdfdoc.PDFName("StructTreeRoot"),
            "K": top,
            "ParentTree": pdfdoc.PDFDictionary({"Nums": pdfdoc.PDFArray(numbers)}),
            "ParentTreeNextKey": len(parents),
        }
        document.Reference(pdfdoc.PDFDictionary(tree), "structure")
        document.Catalog.StructTreeRoot = root
        document.Catalog.MarkInfo = pdfdoc.PDFDictionary({"Marked": pdfdoc.PDFtrue})


def _set_parents(page: Any, index: int) -> None:
    # The library's page knows no such entry, but writes every one that its list names.
    page.__NoDefault__ = [*page.__NoDefault__, "StructParents"]
    page.StructParents = index


def _text(words: str) -> str:
    return f"<{(chr(0xFEFF) + words).encode('utf-16-be').hex()}>"


class TaggedParagraph(Paragraph):
    """A paragraph that marks itself by the role of its style, where the canvas collects tags."""

    def draw(self) -> None:
        """Draw the paragraph."""
        tags = getattr(self.canv, "tags", None)
        if tags is None:
            super().draw()
            return
        with tags.element(self.canv, getattr(self.style, "role", "P")):
            super().draw()
