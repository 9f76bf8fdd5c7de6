"""Text for people: Markdown made safe, plain words out of it, prices and sizes as a language writes them."""

from __future__ import annotations

import html
import json
import re
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from babel import Locale

# What a description may hold. Pictures are left out: nothing but the spin's own is copied to the site,
# and pages ask nobody else for anything.
_TAGS = {
    "a", "abbr", "b", "blockquote", "br", "code", "dd", "del", "dl", "dt", "em", "h1", "h2", "h3", "h4", "h5", "h6",
    "hr", "i", "ins", "kbd", "li", "mark", "ol", "p", "pre", "q", "s", "small", "strong", "sub", "sup", "table",
    "tbody", "td", "th", "thead", "tr", "u", "ul",
}  # fmt: skip
_ATTRIBUTES = {"a": {"href", "title"}, "abbr": {"title"}, "ol": {"start"}, "th": {"scope"}}
_SCHEMES = {"http", "https", "mailto", "tel"}
_BLOCK_END = re.compile(r"</(?:p|li|h[1-6]|td|th|tr|dt|dd|blockquote|pre)>|<(?:br|hr)>")
_HEADING = re.compile(r"<(/?)h([1-6])\b")


def render_markdown(source: str, *, top_heading: int = 3) -> str:
    """Markdown -> HTML that can do no harm, with headings from `top_heading` (1..6) down, without a gap.

    Raw HTML in the source is kept as far as it is harmless. Void elements are written as HTML has them.
    """
    import markdown

    try:
        made = markdown.markdown(source, extensions=["tables", "sane_lists"], output_format="html")
    except RecursionError:  # lists or quotations nested by the hundred: shown as they are written
        made = f"<pre>{html.escape(source)}</pre>"
    return clean_html(made, top_heading=top_heading)


def clean_html(text: str, *, top_heading: int = 3) -> str:
    """Leave only harmless tags and attributes, and headings from `top_heading` down. Safe to repeat."""
    import nh3

    cleaned = nh3.clean(
        text, tags=_TAGS, attributes=_ATTRIBUTES, url_schemes=_SCHEMES, link_rel="noopener", strip_comments=True
    )
    levels = sorted({int(level) for _, level in _HEADING.findall(cleaned)})
    ranks = {level: min(top_heading + rank, 6) for rank, level in enumerate(levels)}
    return _HEADING.sub(lambda found: f"<{found[1]}h{ranks[int(found[2])]}", cleaned).strip()


def plain_text(markup: str) -> str:
    """The words of a piece of clean HTML, on one line."""
    spaced = _BLOCK_END.sub(" ", markup)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", "", spaced)).split())


def json_text(value: Any) -> str:
    """JSON to read, one key a line. Halves of characters, which stand for the bytes of a file name that is no UTF-8
    (PEP 383), stay escaped, so that the text can be written as UTF-8 (RFC 8259 section 8)."""
    text = json.dumps(value, ensure_ascii=False, indent=1)
    return re.sub(r"[\ud800-\udfff]", lambda half: f"\\u{ord(half[0]):04x}", text)


def shorten(text: str, limit: int) -> str:
    """At most `limit` characters, cut at a word where there is one, with an ellipsis."""
    if len(text) <= limit:
        return text
    kept = text[: limit - 1]
    head, space, _ = kept.rpartition(" ")
    return (head if space and len(head) > limit // 2 else kept).rstrip(" ,;:.–-") + "…"


def read_locale(language: str) -> Locale:
    """CLDR's facts about a language tag (BCP 47); English where CLDR has none."""
    from babel import Locale, UnknownLocaleError

    for tag in (language, language.partition("-")[0]):
        try:
            return Locale.parse(tag, sep="-")
        except (UnknownLocaleError, ValueError):
            continue
    return Locale("en")


def format_price(price: str, currency: str | None, language: str) -> str:
    """A price as the language writes it (CLDR patterns); `price` is a decimal number with a point.

    Without a currency, or when `price` is no number, the text stays as it is.
    """
    from babel.numbers import format_currency

    try:
        amount = Decimal(price)
    except InvalidOperation:
        return price
    if not currency or not amount.is_finite():
        return price
    return format_currency(amount, currency, locale=read_locale(language))


def format_bytes(size_bytes: int, language: str) -> str:
    """A file size in kB or MB of 1000 (IEC 80000-13), two digits where that says something."""
    from babel.numbers import format_decimal

    number, unit = (size_bytes / 1e6, "MB") if size_bytes >= 999_500 else (size_bytes / 1e3, "kB")
    pattern = "0.#" if number < 9.95 else "0"
    return f"{format_decimal(max(number, 0.1), pattern, locale=read_locale(language))}\u00a0{unit}"
