"""A page opened in a browser without a network, and all that it asked for and complained of."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Dialog, Page


@dataclass
class Opened:
    """The page; `asked` holds the addresses of its requests, `said` what stands in its console or went wrong."""

    page: Page
    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)


@contextmanager
def opened_page(
    browser: Browser,
    path: Path,
    *,
    width: int = 1200,
    height: int = 900,
    scripts: bool = True,
    paper: bool = False,
    at: str = "",
) -> Iterator[Opened]:
    """Open the file in a context of its own, at an anchor if one is given; with `paper` it looks as it is printed."""
    context = browser.new_context(
        java_script_enabled=scripts, offline=True, viewport={"width": width, "height": height}
    )
    page = context.new_page()
    opened = Opened(page)

    def refuse(dialog: Dialog) -> None:
        opened.said.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    page.on("request", lambda request: opened.asked.append(request.url))
    page.on("console", lambda message: opened.said.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: opened.said.append(f"error: {error}"))
    page.on("dialog", refuse)
    if paper:
        page.emulate_media(media="print")
    page.goto(path.resolve().as_uri() + (f"#{at}" if at else ""))
    yield opened
    context.close()


UNTOUCHED = """() => {
  for (const select of document.querySelectorAll(".chooser select")) {
    select.selectedIndex = 0;
    select.dispatchEvent(new Event("change"));
  }
  for (const field of document.querySelectorAll("input[type=search]")) {
    field.value = "";
    field.dispatchEvent(new Event("input"));
  }
  for (const fold of document.querySelectorAll("details:not(.chosen)")) fold.open = fold.hasAttribute("data-open");
  document.activeElement.blur();
  for (const part of document.querySelectorAll(".view, .wide")) part.scrollLeft = 0;
  window.scrollTo(0, 0);
}"""
UNFOLDED = """() => { for (const fold of document.querySelectorAll("details")) fold.open = true; }"""
KEPT_FOLDS = """() => {
  for (const fold of document.querySelectorAll("details[open]")) fold.setAttribute("data-open", "");
}"""
SETTLED = "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"


class KeptPages:
    """One page with scripts and one without, opened once: for tests that look, and for those that choose and filter.

    To be looked at in another width it is set anew, which takes a twentieth of the time of opening it.
    """

    def __init__(self, browser: Browser, path: Path) -> None:
        self._browser, self._path = browser, path
        self._open: dict[bool, Opened] = {}
        self._kept = ExitStack()

    def at(
        self,
        width: int = 1200,
        *,
        height: int = 900,
        scripts: bool = True,
        paper: bool = False,
        dark: bool = False,
        unfolded: bool = False,
    ) -> Opened:
        """The page in that size as if nobody had touched it; with `paper` it looks as it is printed, all unfolded."""
        if scripts not in self._open:
            self._open[scripts] = self._kept.enter_context(opened_page(self._browser, self._path, scripts=scripts))
            if scripts:
                self._open[scripts].page.evaluate(KEPT_FOLDS)
        opened = self._open[scripts]
        page = opened.page
        page.emulate_media(media="null", color_scheme="dark" if dark else "light")
        page.set_viewport_size({"width": width, "height": height})
        if scripts:
            page.evaluate(UNTOUCHED)
        if scripts and (paper or unfolded):
            page.evaluate(UNFOLDED)
        if paper:
            page.emulate_media(media="print")
        if scripts:
            page.evaluate(SETTLED)
        return opened

    def close(self) -> None:
        """Close both pages."""
        self._kept.close()
