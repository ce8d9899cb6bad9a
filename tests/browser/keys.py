"""A person at the keys: Tab leads from control to control; no mouse, no focus set by script."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from playwright.sync_api import Locator, Page

# More stops than any page has.
_MOST_STOPS = 250
# What has the focus, with a number of its own, once it stands still: a photo is moved until its mark shows.
# In view if some of it, or of its label, is; that may take the page a moment.
_FOCUSED = """async () => {
    const here = document.activeElement;
    if (!here || here === document.body) return null;
    const frame = () => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)));
    const placed = () => { const { left, top } = here.getBoundingClientRect(); return `${left} ${top}`; };
    const isInView = () => [here, ...(here.labels || [])].some((part) => {
        const { left, right, top, bottom } = part.getBoundingClientRect();
        const [x, y] = [(Math.max(left, 0) + Math.min(right, innerWidth)) / 2,
            (Math.max(top, 0) + Math.min(bottom, innerHeight)) / 2];
        const onTop = document.elementFromPoint(x, y);
        // Marks on a photo may lie close together: they hide nothing of each other.
        const whole = part.closest(".drawn") || part;
        return onTop && (whole.contains(onTop) || onTop.contains(whole));
    });
    for (let round = 0, before = ""; round < 60; round += 1) {
        const now = placed();
        if (now === before && isInView()) break;
        before = now;
        await frame();
    }
    if (!here.dataset.stop) {
        const page = document.documentElement;
        here.dataset.stop = page.dataset.stops = String(Number(page.dataset.stops || 0) + 1);
    }
    return { number: Number(here.dataset.stop), html: here.outerHTML.slice(0, 160), isInView: isInView() };
}"""


@dataclass(frozen=True, slots=True)
class Stop:
    """A control that has the focus: its number on the page (`data-stop`), its first words."""

    number: int
    html: str


class Keys:
    """The keys of one page."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def press(self, *keys: str) -> None:
        """Press keys one after the other."""
        for key in keys:
            self.page.keyboard.press(key)

    def type_over(self, words: str) -> None:
        """Type in the place of what a field holds."""
        self.press("Control+a")
        self.page.keyboard.type(words)

    def stops(self, key: str = "Tab") -> Iterator[Stop]:
        """Go from control to control, once round the page; each must be in view."""
        met: set[int] = set()
        for _ in range(_MOST_STOPS):
            self.press(key)
            stop = self.focused()
            # Between the last and the first the browser itself has the focus.
            if stop is None:
                continue
            if stop.number in met:
                return
            met.add(stop.number)
            yield stop
        raise AssertionError(f"{_MOST_STOPS} stops, and not round the page yet")

    def focused(self) -> Stop | None:
        """Return what has the focus, which must be in view; None if nothing has."""
        told: dict[str, Any] | None = self.page.evaluate(_FOCUSED)
        if told is None:
            return None
        assert told["isInView"], f"has the focus, and is hidden or out of view: {told['html']}"
        return Stop(told["number"], told["html"])

    def go_to(self, control: Locator, key: str = "Tab") -> None:
        """Press Tab until a control has the focus."""
        control.wait_for(state="attached")
        met = []
        for stop in self.stops(key):
            if self.is_at(control):
                return
            met.append(stop.html)
        raise AssertionError(f"Tab does not lead to {control}; it leads to {met}")

    def is_at(self, control: Locator) -> bool:
        """Return whether a control has the focus."""
        return bool(control.evaluate("control => control === document.activeElement"))

    def use(self, control: Locator) -> None:
        """Go to a link or a button and press Enter."""
        self.go_to(control)
        self.press("Enter")
