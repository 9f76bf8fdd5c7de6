"""What the preview adds to the site's pages, and when they should reload.

What the browser gets is the site's own bytes but for HTML pages, whose end is given a style sheet, a
script and, when the catalogue is at fault, what is wrong. They come from paths of their own on the same
origin, so that they work under the pages' own Content-Security-Policy (script-src 'self', style-src 'self',
no connect-src): the script asks for news by loading a tiny script.
"""

from __future__ import annotations

import html
import time
from collections.abc import Sequence
from pathlib import Path

PREVIEW_CSS = """\
#kickwheel-faults { position: fixed; inset: auto 0 0 0; max-height: 60vh; overflow: auto; z-index: 2147483647;
  margin: 0; padding: 1rem 1.25rem; background: #fff4f2; color: #3b0d06; border-top: 4px solid #b3261e;
  font: 16px/1.5 system-ui, sans-serif; }
#kickwheel-faults h2 { margin: 0 0 .5rem; font-size: 1.1rem; }
#kickwheel-faults li { margin: .25rem 0; overflow-wrap: anywhere; }
"""
PREVIEW_JS = """\
(function () {
  "use strict";
  var seen = document.currentScript.dataset.version, asking = false;
  try {
    if (window.top !== window && window.top.location.host === location.host) return;
  } catch (otherOrigin) { /* an embed in a page of another server looks after itself */ }
  window.kickwheelPreview = function (version) { if (version !== seen) location.reload(); };
  function ask() {
    if (asking || document.hidden) return;
    asking = true;
    var news = document.createElement("script");
    news.src = "/.kickwheel/news.js";
    news.onload = news.onerror = function () { asking = false; news.remove(); };
    document.head.append(news);
  }
  setInterval(ask, 500);
  document.addEventListener("visibilitychange", ask);
})();
"""


class Preview:
    """What is to be seen now: the folder, a version that changes whenever pages should reload, the faults."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.faults: tuple[str, ...] = ()
        self._start = f"{time.time_ns():x}"  # so that a page left open from an earlier preview reloads too
        self._count = 0

    @property
    def version(self) -> str:
        return f"{self._start}-{self._count}"

    def show(self, faults: Sequence[str] = (), *, changed: bool = True) -> None:
        """A build ended. faults: what stopped it, in words; changed: whether the site has something new."""
        if changed or tuple(faults) != self.faults:
            self.faults = tuple(faults)
            self._count += 1

    def tail(self) -> str:
        """What is added at the end of every page."""
        faults = ""
        if self.faults:
            lines = "".join(f"<li>{html.escape(fault)}</li>" for fault in self.faults)
            faults = (
                '<div id="kickwheel-faults" role="alert"><h2>The catalogue needs a correction; '
                f"this is the last good build</h2><ul>{lines}</ul></div>"
            )
        return (
            f'<link rel="stylesheet" href="/.kickwheel/preview.css">{faults}'
            f'<script src="/.kickwheel/preview.js" data-version="{self.version}"></script>'
        )

    def waiting_page(self) -> str:
        """Shown as long as there is no good build."""
        said = "There is no site yet: the catalogue needs a correction." if self.faults else "Building the site ..."
        lines = "".join(f"<li>{html.escape(fault)}</li>" for fault in self.faults)
        tail = f'<script src="/.kickwheel/preview.js" data-version="{self.version}"></script>'
        return (
            '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Preview</title>'
            '<meta name="viewport" content="width=device-width">'
            '<link rel="stylesheet" href="/.kickwheel/preview.css"></head>'
            f'<body><div id="kickwheel-faults" role="alert"><h2>{said}</h2><ul>{lines}</ul></div>{tail}'
            "</body></html>"
        )


def with_tail(page: bytes, tail: str) -> bytes:
    """A page with something added at the end of its body."""
    place = page.lower().rfind(b"</body")
    place = len(page) if place < 0 else place
    return page[:place] + tail.encode() + page[place:]
