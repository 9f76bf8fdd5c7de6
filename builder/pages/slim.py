"""Takes comments and needless white space out of JavaScript and CSS. Renames and reorders nothing.

The scanner knows strings, templates (nested ones too), regular expressions and comments, which is all
that is needed to tell white space that matters from white space that doesn't. Line breaks stay wherever
JavaScript could read one as the end of a statement.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Sequence

from builder.pages.short_names import shorten_names

_WORDS_BEFORE_REGEX = {
    "return",
    "typeof",
    "case",
    "in",
    "of",
    "delete",
    "void",
    "do",
    "else",
    "throw",
    "new",
    "instanceof",
    "await",
    "yield",
}
_TOKEN = re.compile(
    r"""(?P<comment>//[^\n]*|/\*.*?\*/)|(?P<space>\s+)|(?P<string>'(?:\\.|[^'\\\n])*'|"(?:\\.|[^"\\\n])*")"""
    r"""|(?P<number>\d[\w.]*|\.\d[\w.]*)|(?P<word>[\w$#]+)|(?P<mark>.)""",
    re.S,
)
_REGEX = re.compile(r"/(?:\\.|\[(?:\\.|[^\]\\\n])*\]|[^/\\\[\n])+/[a-z]*")
_OPENS = set("{([,;=<>?:&|!*%^~")  # nothing can end a statement just after one of these
_CLOSES = set("})],;=<>?:&|*%^~")  # … nor can a space before one of these matter


@functools.lru_cache(maxsize=4)  # a build asks for the viewer's more than once, and it takes a third of a second
def slim_script(text: str, *, short: bool = False) -> str:
    """A script that means the same, without comments and most white space; `short`: with short variable
    names, for code within the limits that short_names.py states."""
    tokens: list[tuple[str, str]] = []
    gaps: list[str] = []  # before each token
    gap = ""
    for kind, token in _tokens(text):
        if kind == "comment":
            gap += "\n" if "\n" in token else " "
        elif kind == "space":
            gap += token
        else:
            tokens.append((kind, token))
            gaps.append(gap)
            gap = ""
    kept: list[str] = []
    bodies = _bodies(tokens)
    for place, (gap, (_, token)) in enumerate(zip(gaps, shorten_names(tokens) if short else tokens)):
        if not token:
            continue
        if kept and gap and place - 1 not in bodies:
            kept.append(_needed(kept[-1], gap, token))
        kept.append(token)
    return "".join(kept) + "\n"


_HEADS = {"if", "for", "while", "switch", "catch"}  # … (…) {…}
_BARE = {"else", "try", "finally", "catch"}  # … {…}


def _bodies(tokens: Sequence[tuple[str, str]]) -> set[int]:
    """Places of each } that ends a statement's block, a declared function or a method: no line break matters behind."""
    ends: set[int] = set()
    opened: list[tuple[int, bool, bool]] = []  # place of each open mark, is it such a body, a class's
    before_round = ""  # what stands before the round brackets just closed
    for place, (_, token) in enumerate(tokens):
        last = tokens[place - 1][1] if place else ""
        if token == "{":
            in_class = bool(opened) and opened[-1][2]
            body = last in _BARE or last == ")" and (in_class or before_round in _HEADS)
            names = [text for _, text in tokens[max(place - 4, 0) : place]]
            opened.append((place, body, "class" in names and last not in ("(", "=", ",")))
        elif token in ("(", "["):
            opened.append((place, False, False))
        elif token in (")", "]", "}") and opened:
            start, body, _ = opened.pop()
            if token == ")":
                before_round = tokens[start - 1][1] if start else ""
            elif token == "}" and body:
                ends.add(place)
    return ends


def slim_style(text: str) -> str:
    """A style sheet that means the same, without comments and most white space; for sheets whose
    strings hold neither braces nor comment marks."""
    text = re.sub(r"/\*.*?\*/", "", text, flags=re.S)
    text = re.sub(r"\s+", " ", text)
    text = re.sub(r" ?([{};,]) ?", r"\1", text)
    text = re.sub(r"([\w-]): ", r"\1:", text)
    return text.replace(";}", "}").replace(" !important", "!important").strip()


def _needed(before: str, gap: str, after: str) -> str:
    """The white space that must stay between two tokens."""
    last, first = before[-1], after[0]
    if "\n" in gap:
        # A line break matters between statements; it never does behind an opening mark, nor before a
        # closing one or an operator (a statement can't begin with those).
        return "" if last in _OPENS or first in "}])?:.&|=,;" else "\n"
    if last in _OPENS or last in ")]}" or first in _CLOSES or first in "([{!":
        return " " if (last in "+-" or first in "+-") and last == first else ""
    if _wordy(last) and _wordy(first) or last == first or (last + first) in ("/*", "//"):
        return " "
    return "" if not (_wordy(last) and _wordy(first)) else " "


def _wordy(char: str) -> bool:
    return char.isalnum() or char in "_$#."


def _tokens(text: str) -> Iterator[tuple[str, str]]:
    place, before = 0, ""
    while place < len(text):
        if text[place] == "`":
            kind, token = "template", text[place : _template_end(text, place)]
        elif text[place] == "/" and text[place + 1 : place + 2] not in ("/", "*") and _regex_may_follow(before):
            kind, token = "regex", _match(_REGEX, text, place)
        else:
            found = _TOKEN.match(text, place)
            assert found is not None and found.lastgroup is not None
            kind, token = found.lastgroup, found.group()
        yield kind, token
        place += len(token)
        if kind not in ("comment", "space"):
            before = token


def _regex_may_follow(before: str) -> bool:
    return not before or before in _WORDS_BEFORE_REGEX or before in "(,=:[!&|?{};+-*%<>~^" and len(before) == 1


def _match(pattern: re.Pattern[str], text: str, place: int) -> str:
    found = pattern.match(text, place)
    if found is None:
        raise ValueError(f"script: unfinished regular expression at character {place}")
    return found.group()


def _template_end(text: str, place: int) -> int:
    """The place behind the template that begins at `place`; text and code inside it stay as they are."""
    place += 1
    while place < len(text):
        if text[place] == "\\":
            place += 2
        elif text[place] == "`":
            return place + 1
        elif text.startswith("${", place):
            place = _code_end(text, place + 2)
        else:
            place += 1
    raise ValueError("script: unfinished template")


def _code_end(text: str, place: int) -> int:
    depth = 1
    while place < len(text):
        if text[place] == "`":
            place = _template_end(text, place)
            continue
        found = _TOKEN.match(text, place)
        assert found is not None
        place = found.end()
        depth += {"{": 1, "}": -1}.get(found.group(), 0)
        if depth == 0:
            return place
    raise ValueError("script: unfinished template")
