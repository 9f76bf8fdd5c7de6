"""Gives the variables of a script shorter names and drops marks that say nothing; properties, strings and
globals of the browser stay.

Works on tokens, not on a syntax tree, so it asks for plain code: no templates with code in them, no `var`,
no labels, no default export, no object that begins a statement, and `;` behind every declaration. A name is
looked at function by function (the outermost ones): whatever such a function declares, nested functions
included, gets one short name throughout it, so that shadowing stays as it was. Names that the file itself
declares get one short name everywhere; a local name that equals one of those goes with it.
"""

from __future__ import annotations

import itertools
import re
import string
from collections import Counter
from collections.abc import Iterable, Iterator

KEYWORDS = frozenset(
    "async await break case catch class const constructor continue default delete do else export extends "
    "false finally for function get if import in instanceof let new null of return set static super switch "
    "this throw true try typeof undefined void while with yield".split()
)
_NAME = re.compile(r"[A-Za-z_$][\w$]*$")
_SHORTER = {"true": "!0", "false": "!1"}
_PAIRS = {")": "(", "]": "[", "}": "{"}

Tokens = list[tuple[str, str]]  # (kind, text), without comments and white space


def shorten_names(tokens: Tokens) -> Tokens:
    """The same script with short variable names; raises ValueError on code it isn't made for."""
    tokens = [("name", text) if kind == "word" and _NAME.match(text) else (kind, text) for kind, text in tokens]
    if any(kind == "template" and "${" in text for kind, text in tokens) or ("name", "var") in tokens:
        raise ValueError("script: templates with code and `var` can't be shortened")
    script = _Script(tokens)
    taken = {text for kind, text in tokens if kind == "name"}
    spare = [name for name in _short_names() if name not in taken and name not in KEYWORDS]
    everywhere = script.declared(0, len(tokens), outermost=True)
    renamed = script.rename(0, len(tokens), everywhere, spare)
    for start, end in script.functions():
        used = {new.rpartition(":")[2] for place, new in renamed.items() if start <= place < end}
        local = script.declared(start, end) - everywhere
        renamed |= script.rename(start, end, local, [name for name in spare if name not in used])
    renamed |= {place: "" for place in range(len(tokens)) if script.is_spare(place)}
    renamed |= {
        place: _SHORTER[text] for place, (_, text) in enumerate(tokens) if text in _SHORTER and script.is_use(place)
    }
    for place in script.joints():
        renamed[place], renamed[place + 1] = ",", ""
    return [(kind, renamed.get(place, text)) for place, (kind, text) in enumerate(tokens)]


def _short_names() -> Iterator[str]:
    for length in (1, 2):
        yield from map("".join, itertools.product(string.ascii_letters, repeat=length))


class _Script:
    def __init__(self, tokens: Tokens) -> None:
        self.tokens = tokens
        self.partner: dict[int, int] = {}  # place of an opening bracket <-> of its closing one
        self.inside: list[int] = []  # for each token the innermost bracket open around it, or -1
        stack: list[int] = []
        for place, (kind, text) in enumerate(tokens):
            if kind == "mark" and text in _PAIRS:
                if not stack or tokens[stack[-1]][1] != _PAIRS[text]:
                    raise ValueError(f"script: {text!r} without its partner")
                opened = stack.pop()
                self.partner[opened], self.partner[place] = place, opened
            self.inside.append(stack[-1] if stack else -1)
            if kind == "mark" and text in "([{":
                stack.append(place)
        if stack:
            raise ValueError("script: a bracket is never closed")

    def text(self, place: int) -> str:
        return self.tokens[place][1] if 0 <= place < len(self.tokens) else ""

    def joints(self) -> Iterator[int]:
        """Places where `; const` may become a comma: one declaration right after another."""
        for place, (_, text) in enumerate(self.tokens):
            around = self.inside[place]
            if text != "const" or self.text(around) == "(":
                continue
            end = place
            while end < len(self.tokens) and (self.text(end) != ";" or self.inside[end] != around):
                end += 1
            if self.text(end + 1) == "const":
                yield end

    def is_spare(self, place: int) -> bool:
        """Whether this is a `;` or `,` that the `}` behind it makes needless; not an empty statement."""
        if (
            self.text(place) not in (";", ",")
            or self.text(place + 1) != "}"
            or self.text(place - 1) in ("{", "else", "do")
        ):
            return False
        return self.text(place - 1) != ")" or self.text(self.partner[place - 1] - 1) not in (
            "if",
            "for",
            "while",
        )

    def is_block(self, place: int) -> bool:
        """Whether the `{` here holds statements (or a class's members) rather than properties."""
        before, earlier = self.text(place - 1), self.text(place - 2)
        if before == ">" and earlier == "=":
            return True
        if before in (")", ";", "{", "}", "else", "try", "finally", "do", "catch", ""):
            return True
        return self.is_class(place)

    def is_class(self, place: int) -> bool:
        return self.text(place - 2) in ("class", "extends") or self.text(place - 1) == "class"

    def functions(self) -> list[tuple[int, int]]:
        """Token ranges (from, to) of the outermost functions below the wrapper, with their parameters."""
        found: list[tuple[int, int]] = []
        wrapper = self.wrapper()
        for place in range(wrapper + 1, self.partner.get(wrapper, len(self.tokens))):
            if self.text(place) != "{" or (found and place < found[-1][1]):
                continue
            if self.is_class(place):
                found += self.methods(place)
            elif self.inside[place] == wrapper and self.text(place - 1) == ")" and self.is_function(place):
                found.append((self.partner[place - 1], self.partner[place] + 1))
        return sorted(found + list(self.arrows(wrapper, found)))

    def is_function(self, place: int) -> bool:
        opened = self.partner[place - 1]
        return self.text(opened - 2) == "function"

    def methods(self, place: int) -> list[tuple[int, int]]:
        found = []
        for inner in range(place + 1, self.partner[place]):
            if self.text(inner) == "{" and self.inside[inner] == place and self.text(inner - 1) == ")":
                found.append((self.partner[inner - 1], self.partner[inner] + 1))
        return found

    def arrows(self, wrapper: int, found: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
        """Constants of the file that are functions: `const half = (value) => …;`"""
        for place in range(wrapper + 1, self.partner.get(wrapper, len(self.tokens))):
            if self.inside[place] == wrapper and self.text(place) == "const" and self.text(place + 3) == "(":
                end = place
                while self.text(end) != ";" or self.inside[end] != wrapper:
                    end += 1
                if self.text(self.partner[place + 3] + 1) == "=":
                    yield place + 3, end

    def wrapper(self) -> int:
        """The `{` of the function that wraps the whole script: `(() => { … })();`"""
        if [self.text(place) for place in range(6)] != ["(", "(", ")", "=", ">", "{"]:
            raise ValueError("script: not wrapped in a function")
        return 5

    def declared(self, start: int, end: int, outermost: bool = False) -> set[str]:
        """Names declared in a range of tokens; `outermost`: by the wrapped script itself only."""
        names: set[str] = set()
        wrapper = self.wrapper()
        for place in range(start, end):
            word = self.text(place)
            if outermost and self.inside[place] != wrapper:
                continue
            if word in ("const", "let"):
                names |= self.pattern(place + 1)
                if self.text(place + 1) not in ("{", "["):
                    names |= self.further(place + 1, end)
            elif word in ("function", "class") and self.tokens[place + 1][0] == "name":
                names.add(self.text(place + 1))
            elif not outermost and word == "(" and self.has_parameters(place, start):
                for inner in range(place + 1, self.partner[place]):
                    if self.inside[inner] == place and self.text(inner - 1) in ("(", ",", "."):
                        names |= self.pattern(inner)
            elif not outermost and word == "=" and self.text(place + 1) == ">" and self.tokens[place - 1][0] == "name":
                names.add(self.text(place - 1))
        return names - KEYWORDS

    def further(self, place: int, end: int) -> set[str]:
        """`b` and `c` of `let a = 1, b, c`."""
        names: set[str] = set()
        level = self.inside[place]
        while place < end and not (self.inside[place] == level and self.text(place) in (";", "of", "in", ")")):
            if self.inside[place] == level and self.text(place) == ",":
                names |= self.pattern(place + 1)
            place += 1
            if place < end and self.inside[place] != level and self.inside[place] < level:
                break
        return names

    def has_parameters(self, place: int, start: int) -> bool:
        after = self.partner[place] + 1
        if self.text(after) == "=" and self.text(after + 1) == ">":
            return True
        before = self.text(place - 1)
        return self.text(after) == "{" and (
            place == start or before == "catch" or self.text(place - 2) == "function" or before == "function"
        )

    def pattern(self, place: int) -> set[str]:
        """Names that a declaration's pattern binds: a name, {…} or […]."""
        opened = self.text(place)
        if opened not in ("{", "["):
            return {opened} if self.tokens[place][0] == "name" else set()
        names: set[str] = set()
        for inner in range(place + 1, self.partner[place]):
            if self.inside[inner] != place or self.text(inner - 1) not in ("{", "[", ",", ":", "."):
                continue
            if self.text(inner + 1) != ":":
                names |= self.pattern(inner)
        return names

    def rename(self, start: int, end: int, names: set[str], spare: list[str]) -> dict[int, str]:
        """Place of a token -> its new text, for every use of these variables in a range of tokens."""
        uses = {
            place: self.text(place) for place in range(start, end) if self.is_use(place) and self.text(place) in names
        }
        often = sorted(Counter(uses.values()).items(), key=lambda item: list(uses.values()).index(item[0]))
        short = {name: new for (name, _), new in zip(often, spare) if len(new) < len(name)}
        return {
            place: (f"{name}:{short[name]}" if self.is_shorthand(place) else short[name])
            for place, name in uses.items()
            if name in short
        }

    def is_use(self, place: int) -> bool:
        """Whether a name here is a variable, not a property, a key or a method's name."""
        if self.tokens[place][0] != "name":
            return False
        before, after = self.text(place - 1), self.text(place + 1)
        if before == "." and self.text(place - 2) != ".":  # not the spread's third dot
            return False
        around = self.inside[place]
        in_braces = around >= 0 and self.text(around) == "{"
        if in_braces and not self.is_block(around) and before in ("{", ",") and after in (":", "("):
            return False
        return not (in_braces and self.is_class(around))

    def is_shorthand(self, place: int) -> bool:
        around = self.inside[place]
        return (
            around >= 0
            and self.text(around) == "{"
            and not self.is_block(around)
            and self.text(place - 1) in ("{", ",")
            and self.text(place + 1) in (",", "}", "=")
        )
