"""An SVG picture of somebody else made harmless: shapes, text and colours stay; scripts, links and notes go.

In an <img> an SVG runs no script, but a static host also serves it by itself, as a page of the shop's own. And
drawing programs write the path of the file, the author and the date into it.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

SVG, XLINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}"

# SVG 2, chapters 5 to 14: what draws something, or is drawn with. No script, link, foreign object, animation.
_ELEMENTS = frozenset(
    """svg g defs symbol use switch title path rect circle ellipse line polyline polygon text tspan textPath image
    linearGradient radialGradient stop pattern clipPath mask marker filter feBlend feColorMatrix feComponentTransfer
    feComposite feConvolveMatrix feDiffuseLighting feDisplacementMap feDistantLight feDropShadow feFlood feFuncA
    feFuncB feFuncG feFuncR feGaussianBlur feMerge feMergeNode feMorphology feOffset fePointLight
    feSpecularLighting feSpotLight feTile feTurbulence""".split()
)
_PICTURE = re.compile(r"data:image/(?:png|jpeg|gif|webp);base64,[A-Za-z0-9+/=\s]*")
_OUTWARD = re.compile(r"url\(\s*[\"']?\s*(?!#|[\"'\s])|@import|expression|javascript:|\\", re.IGNORECASE)


def clean_svg(content: bytes) -> bytes:
    """The picture as a new SVG document. Raises ValueError with a reason when it is none."""
    if re.search(rb"<!(?:DOCTYPE|ENTITY)[^>]*\[", content):
        raise ValueError("it defines entities of its own")
    try:
        root = ET.fromstring(content)  # comments and processing instructions are left out
    except (ET.ParseError, ValueError, RecursionError) as error:
        raise ValueError(f"it isn't well-formed XML ({error})") from None
    if root.tag != f"{SVG}svg":
        raise ValueError("it has no <svg> of the SVG namespace")
    _clean(root)
    ET.register_namespace("", SVG[1:-1])
    ET.register_namespace("xlink", XLINK[1:-1])
    return ET.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def _clean(root: ET.Element) -> None:
    left = [root]
    while left:
        element = left.pop()
        for name in [name for name, value in element.attrib.items() if not _is_harmless(name, value)]:
            del element.attrib[name]
        for child in list(element):
            name = child.tag.removeprefix(SVG) if child.tag.startswith(SVG) else ""
            if name == "style":  # drawing programs put colours there
                if len(child) or _OUTWARD.search(child.text or ""):
                    raise ValueError("its style sheet loads something from elsewhere")
                child.attrib.clear()
            elif name in _ELEMENTS:
                left.append(child)
            else:
                element.remove(child)


def _is_harmless(name: str, value: str) -> bool:
    if name in ("href", f"{XLINK}href"):
        return value.strip().startswith("#") or bool(_PICTURE.fullmatch(value.strip()))
    if name.startswith("{"):
        return name == "{http://www.w3.org/XML/1998/namespace}space"
    return not name.lower().startswith(("on", "data-")) and not _OUTWARD.search(value)
