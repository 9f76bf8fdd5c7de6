"""The keys of catalog.toml: each with its type, default, limits and one sentence.

The validation, the JSON Schema for editors, the table of keys in README.md and the comments of a new
catalogue are all made from here. Every value is frozen.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

SLUG_PATTERN = r"^[A-Za-z0-9](?:[A-Za-z0-9_-]{0,78}[A-Za-z0-9])?$"
ASPECT_PATTERN = r"^(auto|[1-9][0-9]{0,3}:[1-9][0-9]{0,3})$"


class Declared(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, arbitrary_types_allowed=True)


def _tuple(value: object) -> object:
    """TOML has arrays only; values here are tuples, so that they can't be changed."""
    return tuple(value) if isinstance(value, list) else value


def _number(value: object) -> object:
    """5 where 5.0 is meant, but never true for 1."""
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _colour(value: str) -> str:
    from builder.catalog.css_colour import parse_colour

    if value not in ("white", "keep", "transparent"):
        parse_colour(value)
    return value


def _language(value: str) -> str:
    # the shape and length (RFC 5646 section 4.4.1) of BCP 47, not its registry
    if len(value) > 35 or not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", value):
        raise ValueError('a language tag such as "en" or "pt-BR" is wanted')
    return value


def _address(value: str) -> str:
    if not _is_web_address(value, 300) or not re.fullmatch(r"https?://[^\s/?#\"'<>@]+(/[^\s?#\"'<>]*)?", value):
        raise ValueError('an address such as "https://shop.example/spins/" is wanted, without ? or #')
    return value


def _link(value: str) -> str:
    if not _is_web_address(value, 2000) or not re.fullmatch(r"https?://[^\s\"'<>]+", value):
        raise ValueError('an address that starts with "https://" is wanted')
    return value


def _is_web_address(value: str, longest: int) -> bool:
    """Whether an address has parts that can be told apart (RFC 3986), and isn't longer than a QR code or link holds."""
    try:
        return len(value) <= longest and bool(urlsplit(value).hostname) and urlsplit(value).port != 0
    except ValueError:
        return False


def _mail(value: str) -> str:
    if len(value) > 254 or not re.fullmatch(r"[^\s@<>\"',;:?&]+@[^\s@<>\"',;:?&]+\.[^\s@<>\"',;:?&]+", value):
        raise ValueError('an e-mail address such as "hello@shop.example" is wanted')
    return value


def _gtin(value: str) -> str:
    """Check digit, modulo 10 with weights 3 and 1 from the right: GS1 General Specifications, section 7.9."""
    digits = value.replace(" ", "").replace("-", "")
    if not digits.isascii() or not digits.isdigit() or len(digits) not in (8, 12, 13, 14):
        raise ValueError("a GTIN has 8, 12, 13 or 14 digits")
    weighted = sum(int(d) * (3 if place % 2 else 1) for place, d in enumerate(reversed(digits)))
    if weighted % 10:
        raise ValueError("the GTIN's check digit is wrong: a digit was misread")
    return digits


def _price(value: object) -> object:
    """A number, or a number in quotes, as it is to be printed: 48, 48.50, "48.50"."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if not 0 <= value < 1e9:
            raise ValueError("a price from 0 to 999 999 999 is wanted")
        return Decimal(str(value))
    if isinstance(value, str) and re.fullmatch(r"[0-9]{1,9}([.,][0-9]{1,3})?", value.strip()):
        return Decimal(value.strip().replace(",", "."))
    raise ValueError("a number is wanted, without a currency sign: the currency stands in [shop]")


def _file_name(value: str) -> str:
    if "/" in value or "\\" in value or value in ("", ".", ".."):
        raise ValueError("a file name is wanted, without folders")
    return value


def _limit(value: object) -> object:
    """A file name, or seconds of a film; which of the two is told when it is known what `frames` names."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if not 0 <= value < 86_400:
            raise ValueError("seconds of the film are wanted, 0 or more")
        return float(value)
    return _file_name(value) if isinstance(value, str) else value


def film_seconds(value: str | float) -> float:
    """Seconds of a film from 12.5, "12.5" or "1:02.5". Raises ValueError."""
    if isinstance(value, float):
        return value
    clock = re.fullmatch(r"(?:(\d{1,2}):)?(\d{1,3}):(\d{2}(?:\.\d+)?)|(\d+(?:\.\d+)?)", value.strip())
    if not clock:
        raise ValueError('a time of the film is wanted: seconds, or a clock time such as "1:02.5"')
    hours, minutes, seconds, bare = clock.groups()
    return float(bare) if bare else 3600.0 * int(hours or 0) + 60.0 * int(minutes) + float(seconds)


def _gains(value: tuple[float, float, float]) -> tuple[float, float, float]:
    if not all(0.1 <= gain <= 10 for gain in value):
        raise ValueError("each of the three gains lies between 0.1 and 10")
    return value


Number = Annotated[float, BeforeValidator(_number)]
Share = Annotated[Number, Field(ge=0, le=1)]
Taste = Annotated[Number, Field(ge=-1, le=1)]
Text = Annotated[str, Field(min_length=1, max_length=1000)]
Line = Annotated[str, Field(min_length=1, max_length=300)]  # what a heading or a list entry can show
FileName = Annotated[str, AfterValidator(_file_name)]
Limit = Annotated[str | float, BeforeValidator(_limit)]
Gains = Annotated[tuple[Number, Number, Number], BeforeValidator(_tuple), AfterValidator(_gains)]
Box = Annotated[
    tuple[
        Annotated[int, Field(ge=0, lt=100_000)], Annotated[int, Field(ge=0, lt=100_000)],
        Annotated[int, Field(gt=0, lt=100_000)], Annotated[int, Field(gt=0, lt=100_000)],
    ],
    BeforeValidator(_tuple),
]  # fmt: skip


class Shop(Declared):
    """[shop]: what is the same on every page."""

    name: Line = Field(description="Name of the shop, shown on every page.")
    url: Annotated[str, AfterValidator(_address)] | None = Field(
        None, description="Address the site will have; needed for share pictures, QR codes, embed snippets, sitemap."
    )
    language: Annotated[str, AfterValidator(_language)] = Field(
        "en", description="Language of the pages, as a tag (en, de, fr …)."
    )
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] | None = Field(
        None, description="Currency of all prices, three letters after ISO 4217 (EUR, GBP …)."
    )
    theme: Text = Field("plain", description="Theme of the pages.")
    contact: Annotated[str, AfterValidator(_mail)] | None = Field(None, description="E-mail address for enquiries.")
    logo: Text | None = Field(None, description="Picture file of the shop's logo (SVG, PNG, JPEG, WebP).")
    credit: Text | None = Field(None, description="Credit line under every spin, for instance who took the photos.")
    disc_mm: Annotated[Number, Field(gt=20, lt=5000)] | None = Field(
        None, description='Diameter of the turntable\'s disc in mm; needed for scale = "same".'
    )
    allow_outside: bool = Field(False, description="Let paths leave the catalogue's folder.")


class FinishSettings(Declared):
    """[finish], and [item.finish] for one item: how photos become catalogue pictures."""

    backdrop: Annotated[str, AfterValidator(_colour)] = Field(
        "white", description='"white", any CSS colour, "keep" (no tone or colour change) or "transparent".'
    )
    crop: Literal["auto", "none"] | Box = Field(
        "auto", description='"auto", "none", or [x, y, width, height] in pixels of the upright photo.'
    )
    aspect: Annotated[str, Field(pattern=ASPECT_PATTERN)] = Field(
        "1:1", description='Shape of the frames, width to height, or "auto".'
    )
    margin: Annotated[Number, Field(ge=0, le=0.45)] = Field(
        0.075, description="Share of the side left free on each side of the subject."
    )
    align: bool = Field(True, description="Undo camera bumps, put the axis upright and in the middle.")
    scale: Literal["fit", "same"] = Field(
        "fit", description='"fit" fills the frame; "same" keeps items comparable in size (needs disc_mm).'
    )
    white_balance: Literal["auto", "none"] | Gains = Field(
        "auto", description='"auto" (the backdrop is neutral), "none", or three linear gains [r, g, b].'
    )
    grey_card: Text | None = Field(None, description="File name of a photo with a grey card.")
    plate: Text | None = Field(None, description="File name of a photo of the empty set.")
    deflicker: bool = Field(True, description="Even the exposure from frame to frame.")
    light: bool = Field(True, description="Take the backdrop's fall-off out of the light.")
    shadow: Share = Field(0.5, description="How much of the contact shadow stays, 0 to 1.")
    contrast: Taste = Field(0.0, description="Contrast, -1 to 1.")
    saturation: Taste = Field(0.0, description="Saturation, -1 to 1.")
    sharpen: Annotated[Number, Field(ge=0, le=2)] = Field(0.5, description="Output sharpening, 0 (none) to 2.")


def _widths(value: tuple[int, ...]) -> tuple[int, ...]:
    if not 1 <= len(value) <= 16 or not all(16 <= width <= 8192 for width in value):
        raise ValueError("1 to 16 widths from 16 to 8192 pixels are wanted")
    return tuple(sorted(set(value)))


def _formats(value: tuple[str, ...]) -> tuple[str, ...]:
    if not value:
        raise ValueError("at least one format is wanted")
    return tuple(dict.fromkeys(value))


class OutputSettings(Declared):
    """[output]: what is written."""

    widths: Annotated[tuple[int, ...], BeforeValidator(_tuple), AfterValidator(_widths)] = Field(
        (480, 960, 1600), description="Widths of the frames in pixels; none is ever enlarged."
    )
    formats: Annotated[
        tuple[Literal["avif", "webp", "jpeg"], ...], BeforeValidator(_tuple), AfterValidator(_formats)
    ] = Field(("avif", "webp"), description="Formats of the frames, best first.")
    gif: bool = Field(True, description="Write preview.gif.")
    mp4: bool = Field(True, description="Write preview.mp4.")


Degrees = Annotated[Number, Field(ge=-360, le=720)]
Place = Annotated[tuple[Annotated[Number, Field(ge=0)], Annotated[Number, Field(ge=0)]], BeforeValidator(_tuple)]


def _two_places(value: dict) -> dict:
    if len(value) < 2:
        raise ValueError("two or more frames are wanted: one doesn't tell how deep the point lies")
    return value


class Hotspot(Declared):
    """[[item.hotspot]]: a point of the object with a note that follows it through the turn."""

    label: Text = Field(description="Name of the point, shown in its note and in the list below.")
    text: str = Field("", description="What there is to say about it, in Markdown.")
    at: Annotated[dict[FileName, Place], AfterValidator(_two_places)] = Field(
        description='Where the point is in two or more frames, 15° apart or more: {"IMG_3.jpg" = [812, 410], …} in'
        " pixels of the upright photo, from its left and upper edge. A third frame makes it surer."
    )
    visible: Annotated[tuple[Degrees, Degrees], BeforeValidator(_tuple)] | None = Field(
        None,
        description="From and to, in degrees of the turn (0 at the first frame): where the point isn't hidden;"
        " absent: 90° to either side of facing the camera.",
    )


class Item(Declared):
    """[[item]]: one spin."""

    title: Line = Field(description="Name of the item.")
    frames: Text = Field(description="Folder of the frames, or a film of the turn (MP4, MOV, WebM).")
    slug: Annotated[str, Field(pattern=SLUG_PATTERN)] | None = Field(
        None, description="The item's folder in the site; made from the title when absent."
    )
    description: str | None = Field(None, description="Text about the item, in Markdown.")
    description_file: Text | None = Field(None, description="The same from a file.")
    alt: Text | None = Field(None, description="What the picture shows, for those who can't see it.")
    turn: Literal["clockwise", "counterclockwise"] | None = Field(
        None, description="Which way the disc was turned, seen from above; measured when absent."
    )
    start: FileName | None = Field(None, description="File name of the frame shown first.")
    closed: bool = Field(True, description="false: a part turn on purpose.")
    order: Literal["name", "time", "angle"] = Field(
        "name", description="Order of the frames: by file name, Exif time, or measured angle."
    )
    drop: Annotated[tuple[FileName, ...], BeforeValidator(_tuple)] = Field((), description="File names to leave out.")
    first: Limit | None = Field(
        None, alias="from",
        description="File name of the first frame, where a folder holds more than this spin. "
        'Of a film: the time to start at, in seconds or as "1:02.5".',
    )  # fmt: skip
    last: Limit | None = Field(
        None, alias="to", description="File name of the last frame, likewise. Of a film: the time to stop at."
    )
    frames_count: Annotated[int, Field(ge=2, le=720)] | None = Field(
        None, description="Frames to take from a film, for a whole turn; 36 when absent."
    )
    replace: dict[FileName, FileName] = Field(
        {}, description='Reshot frames: {"old name" = "new name"}; the new one takes the old one\'s place.'
    )
    sku: Line | None = Field(None, description="The shop's own number of the item.")
    gtin: Annotated[str, AfterValidator(_gtin)] | None = Field(
        None, description="GTIN (barcode number), in quotes; its check digit is checked."
    )
    price: Annotated[Decimal, BeforeValidator(_price)] | None = Field(
        None, description="Price, a number without a currency sign."
    )
    availability: Line | None = Field(None, description='For instance "in stock", "made to order", "sold out".')
    condition: Line | None = Field(None, description='For instance "new", "used", "refurbished".')
    link: Annotated[str, AfterValidator(_link)] | None = Field(None, description="Where the item can be bought.")
    tags: Annotated[tuple[Line, ...], BeforeValidator(_tuple)] = Field((), description="Words to filter by.")
    aliases: Annotated[tuple[Annotated[str, Field(pattern=SLUG_PATTERN)], ...], BeforeValidator(_tuple)] = Field(
        (), description="Old slugs that keep working."
    )
    draft: bool = Field(False, description="true: built by `serve` only.")
    finish: FinishSettings | None = Field(None, description="Finish settings of this item alone.")
    hotspot: Annotated[tuple[Hotspot, ...], BeforeValidator(_tuple)] = Field(
        (), description="Points of the object with a note each."
    )


Length = Annotated[Annotated[str, Field(min_length=1)] | float, BeforeValidator(_number)]


class Plan(Declared):
    """[plan]: what `kickwheel plan` works with, by its options' names. Lengths are text with a unit, or mm."""

    disc: Length | None = Field(None, description='Diameter of the disc, like "330mm", "33cm", "13.5in" or 330.')
    radius: Length | None = Field(None, description="Its radius.")
    rim: Length | None = Field(None, description="Its circumference, measured round the rim.")
    frames: int | None = Field(None, description="Frames a turn; 36 when absent.")
    max_step: Number | None = Field(None, description="Or the largest step between frames, in degrees.")
    pace: Number | None = Field(None, description="Seconds a frame; 1.5 when absent.")
    ruler: Length | None = Field(None, description='Finest division of your ruler: "1mm", "0.5mm", "1/16in", "1/8in".')
    subject: Text | None = Field(None, description='Width, depth and height of the subject, like "250x130x235mm".')
    focal35: Length | None = Field(None, description="35 mm-equivalent focal length, in mm.")
    focal: Length | None = Field(None, description="True focal length; with sensor, or with focal35.")
    sensor: Text | None = Field(None, description='Size of the sensor, like "36x24mm".')
    f_number: Length | None = Field(None, description="The f-number you will use.")
    picture: Text | None = Field(None, description='Size of the pictures in pixels, like "4000x3000".')
    mains: Number | None = Field(None, description="Mains frequency of the lamps, 50 or 60.")
    paper: Text | None = Field(None, description='Paper size: "a4", "letter" …, or "none".')
    turn: Literal["clockwise", "counterclockwise"] | None = Field(
        None, description="Which way you turn the disc, seen from above."
    )
    fill: Number | None = Field(None, description="Share of the picture that the turning subject should fill.")
    distance: Length | None = Field(None, description="Distance from lens to axis, if you can't choose it.")
    elevation: Number | None = Field(None, description="How far the camera looks down, in degrees.")
    output: int | None = Field(None, description="The largest width you publish, in px.")
    paper_thickness: Length | None = Field(None, description="Thickness of the paper of the rim tape.")
    tape_height: Length | None = Field(None, description="Height of the rim tape.")


def key_names(model: type[Declared]) -> list[str]:
    """Keys as they are written in the file (`from` is a word Python keeps for itself)."""
    return [field.alias or name for name, field in model.model_fields.items()]


TABLES: dict[str, type[Declared]] = {
    "shop": Shop, "finish": FinishSettings, "output": OutputSettings, "item": Item, "plan": Plan,
}  # fmt: skip
INNER: dict[str, type[Declared]] = {"finish": FinishSettings, "hotspot": Hotspot}  # tables inside an item


def json_schema() -> dict:
    """JSON Schema (draft 2020-12) of catalog.toml, for editors that complete and check TOML by schema."""
    from pydantic.json_schema import models_json_schema

    by_model, top = models_json_schema(
        [(model, "validation") for model in TABLES.values()], ref_template="#/$defs/{model}"
    )
    refs = {name: by_model[(model, "validation")] for name, model in TABLES.items()}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Kickwheel catalogue",
        "type": "object",
        "additionalProperties": False,
        "required": ["shop", "item"],
        "properties": {
            "shop": refs["shop"],
            "finish": refs["finish"],
            "output": refs["output"],
            "item": {"type": "array", "minItems": 1, "items": refs["item"]},
            "plan": refs["plan"],
        },
        "$defs": top["$defs"],
    }
