"""Does every link of a page lead somewhere? Reads HTML and CSS, opens nothing."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterable
from html.parser import HTMLParser
from urllib.parse import unquote, urlsplit

LINK_ATTRIBUTES = frozenset("href src poster data srcset imagesrcset".split())
_ELSEWHERE = re.compile(r"(?i)^(?:[a-z][a-z0-9+.-]*:|//)")  # a scheme (RFC 3986 section 3.1) or another host
_CSS_URL = re.compile(r"""url\(\s*(['"]?)(.*?)\1\s*\)""")


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.links: list[str] = []
        self.names: set[str] = set()

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        if tag == "base":
            self.links.append("<base>")  # would change what every other link means
            return
        found = {key: value for key, value in attributes if value}
        if "id" in found:
            self.names.add(found["id"])
        if tag == "meta" and found.get("http-equiv", "").lower() == "refresh":
            self.links.append(found.get("content", "").partition("=")[2].strip("'\" "))
        for key in LINK_ATTRIBUTES & found.keys():
            self.links += _candidates(found[key]) if key.endswith("srcset") else [found[key]]

    handle_startendtag = handle_starttag


def check_links(pages: Iterable[tuple[str, str]], paths: Iterable[str], *, site_path: str | None = None) -> list[str]:
    """What is wrong with the links of these pages, one line each.

    pages: (path in the site, text) of HTML and CSS files. paths: every file of the site. site_path: the path
    of the site's address on its host ("/shop/"), for root-absolute links; without it these are faults.
    A link to a folder is a fault too: opened from disk a browser would list it rather than show its index.
    """
    known = frozenset(paths)
    return [f"{path}: {link}: {why}" for path, text in pages for link, why in _faults_of(path, text, known, site_path)]


def _faults_of(path: str, text: str, known: frozenset[str], site_path: str | None) -> Iterable[tuple[str, str]]:
    links, names = _links_of(path, text)
    for link in sorted(set(links)):
        if _ELSEWHERE.match(link):
            continue
        if why := _fault_of(path, link, names, known, site_path):
            yield link, why


def _links_of(path: str, text: str) -> tuple[list[str], set[str]]:
    if path.endswith(".css"):
        return [match[2] for match in _CSS_URL.finditer(text)], set()
    page = _Page()
    page.feed(text)
    page.close()
    return page.links, page.names


def _fault_of(path: str, link: str, names: set[str], known: frozenset[str], site_path: str | None) -> str | None:
    if link == "<base>":
        return "a base element changes every relative link"
    parts = urlsplit(link.strip())
    if not parts.path:
        name = unquote(parts.fragment)
        return f"no element with id {name!r}" if name and name != "top" and name not in names else None
    target = unquote(parts.path)
    if target.startswith("/"):
        if site_path is None or not target.startswith(site_path):
            return "starts at the root of the host, which isn't the site's"
        inside = target.removeprefix(site_path)  # on a host a folder's address gives its index
        inside = f"{inside}index.html" if target.endswith("/") else inside
        return None if posixpath.normpath(inside) in known else "no such file"
    where = posixpath.normpath(posixpath.join(posixpath.dirname(path), target))
    if where.startswith("../") or where == "..":
        return "leaves the site"
    if where in known:
        return None
    return "leads to a folder, not to a file" if f"{where}/index.html".removeprefix("./") in known else "no such file"


def _candidates(srcset: str) -> list[str]:
    """The addresses of a srcset attribute (HTML standard, 'image candidate string')."""
    return [candidate.split()[0] for candidate in srcset.split(",") if candidate.strip()]
