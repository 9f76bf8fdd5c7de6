"""A catalogue whose every text tries to run as script, and a browser page that notices when one does."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from builder.catalog.declaration import Plan, key_names
from tests.hostile_text import toml_text
from tests.pictures import write_catalog, write_spin

# Where the keys of a catalogue take a text, and what they take. A key that is in none of these lists fails
# test_every_text_of_the_catalogue_is_known, so that a new one is thought about.
SHOP_TEXTS = ("name", "credit")
ITEM_TEXTS = ("title", "alt", "sku", "availability", "condition")
ITEM_LISTS = ("tags",)
MARKDOWN = ("description",)
CHECKED = {  # of a stated form; what isn't of it is refused
    "shop": ("url", "language", "currency", "theme", "contact"),
    "item": ("slug", "turn", "order", "gtin", "price", "link", "aliases"),
    "finish": ("backdrop", "crop", "aspect", "scale", "white_balance"),
    "output": ("formats", "widths"),
    "plan": tuple(key_names(Plan)),  # lengths and choices for the terminal and the printed sheets; on no page
}
FILES = {
    "shop": ("logo",),
    "item": ("frames", "description_file", "start", "drop", "from", "to", "replace"),
    "finish": ("grey_card", "plate"),
    "output": (),
    "plan": (),
}

SMALL = '[output]\nwidths = [32]\nformats = ["webp"]\ngif = false\nmp4 = false\n[finish]\nbackdrop = "keep"\ncrop = "none"\nalign = false\n'
LONGEST = {"title": 300, "alt": 1000, "sku": 300, "availability": 300, "condition": 300, "name": 300, "credit": 300}


def hostile_item(number: int, texts: Sequence[str]) -> str:
    """One [[item]] with these texts in every field: as many as fit in the short ones, all in tags and description."""
    lines = ["[[item]]", f'slug = "evil-{number}"', 'frames = "jug"']
    for place, key in enumerate(ITEM_TEXTS):
        lines.append(f"{key} = {toml_text(_joined(texts[place:] + texts[:place], LONGEST[key]))}")
    for key in ITEM_LISTS:
        lines.append(f"{key} = [{', '.join(map(toml_text, texts))}]")
    for key in MARKDOWN:
        lines.append(f"{key} = {toml_text(chr(10).join(f'{chr(10)}{text}{chr(10)}' for text in texts))}")
    lines.append(f'aliases = ["was-evil-{number}"]\nprice = 4\nlink = "https://shop.example/{number}"')
    return "\n".join(lines) + "\n"


def write_hostile_shop(folder: Path, groups: Sequence[Sequence[str]], *, url: bool = True) -> Path:
    """A catalogue of one item a group, with eight small frames that all of them share."""
    texts = list(groups[0])
    shop = ["[shop]", 'contact = "a@shop.example"', 'currency = "GBP"']
    shop += ['url = "http://127.0.0.1/spins/"'] if url else []
    shop += [
        f"{key} = {toml_text(_joined(texts[place:] + texts[:place], LONGEST[key]))}"
        for place, key in enumerate(SHOP_TEXTS)
    ]
    write_catalog(
        folder, "\n".join(shop) + "\n" + SMALL + "".join(hostile_item(n, list(g)) for n, g in enumerate(groups))
    )
    write_spin(folder / "jug")
    return folder


def _joined(texts: Sequence[str], longest: int) -> str:
    joined = ""
    for text in texts:
        if joined and len(joined) + len(text) >= longest:
            break
        joined += text
    return joined


@dataclass
class Seen:
    """What a page did that it mustn't."""

    ran: list[Any] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)
    foreign: list[str] = field(default_factory=list)
    blocked: list[str] = field(default_factory=list)  # by the page's own policy
    faults: list[str] = field(default_factory=list)

    def harm(self) -> list[Any]:
        return [*self.ran, *self.dialogs, *self.foreign, *self.faults]


@contextmanager
def watched_page(browser: Any, own: str, *, without_policy: bool = False) -> Iterator[tuple[Any, Seen]]:
    """A page that may load from `own` only, and what it was seen to do.

    without_policy: the browser ignores the page's Content-Security-Policy, so that nothing but the escaping of
    texts stands between them and being run.
    """
    context = browser.new_context(bypass_csp=without_policy)
    seen = Seen()
    context.expose_function("ran", lambda *numbers: seen.ran.append(numbers))
    page = context.new_page()

    def asked(route: Any) -> None:
        if route.request.url.startswith((own, "about:", "data:image/", "blob:")):
            return route.continue_()
        seen.foreign.append(route.request.url)
        route.abort()

    page.route("**/*", asked)
    page.on("dialog", lambda dialog: (seen.dialogs.append(dialog.message), dialog.dismiss()))
    page.on("pageerror", lambda error: seen.faults.append(str(error)))
    page.on("console", lambda message: _noted(seen, message.text))
    page.on(
        "framenavigated",
        lambda frame: (
            None if frame.url.startswith((own, "about:", "chrome-error:")) else seen.foreign.append(frame.url)
        ),
    )
    try:
        yield page, seen
    finally:
        context.close()


def _noted(seen: Seen, text: str) -> None:
    if "Content Security Policy" in text or "Refused to" in text:
        seen.blocked.append(text)


def visit(page: Any, address: str) -> None:
    """Open a page and do what visitors do: focus and hover what can be, follow every link that stays in the page."""
    page.goto(address, wait_until="load")
    if "/was-" in address:  # an old address leads on to the new one
        page.wait_for_url(lambda url: "/was-" not in url)
    page.evaluate(
        """() => {
          for (const one of document.querySelectorAll('*')) {
            one.dispatchEvent(new Event('mouseover', {bubbles: true}));
            if (one.tabIndex >= 0) one.focus();
          }
          for (const link of document.querySelectorAll('a[href]')) {
            const goal = new URL(link.getAttribute('href'), document.baseURI);
            if (!['http:', 'https:', 'mailto:', 'tel:', 'file:'].includes(goal.protocol)) ran('link', link.href);
          }
          for (const part of document.querySelectorAll('summary, button')) if (part.checkVisibility()) part.click();
        }"""
    )
    page.wait_for_timeout(15)


__all__ = ["Seen", "hostile_item", "visit", "watched_page", "write_hostile_shop"]
