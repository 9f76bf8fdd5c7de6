"""Reads catalog.toml and reports every fault of it in one run."""

from __future__ import annotations

import difflib
import re
import tomllib
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from builder.catalog.declaration import (
    INNER,
    TABLES,
    Declared,
    FinishSettings,
    Item,
    OutputSettings,
    Plan,
    Shop,
    film_seconds,
    key_names,
)
from builder.catalog.lines import key_lines, line_of
from builder.catalog.place import catalog_file
from builder.errors import CatalogError, Fault
from builder.spin import FILM_ENDINGS
from builder.store.shelf import Shelf

LARGEST_TEXT = 16_000_000  # bytes: five times a catalogue of 3000 items with a page of text each
MOST_DESCRIPTION = 20_000  # characters, eight printed pages
MOST_BRACKETS = 300  # [ in one description: the Markdown library takes time by their square
DEEP_KEY = re.compile(  # the TOML reader takes time by the square of a key's parts
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){64}"""
)

# Folders the site needs for itself, and names Windows keeps for devices.
RESERVED_SLUGS = frozenset(
    ["assets", "con", "prn", "aux", "nul"] + [f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)]
)


@dataclass(frozen=True, slots=True)
class CatalogItem:
    """One spin with everything resolved."""

    slug: str
    keys: Item
    frames_dir: Path  # the film itself where film_span_s is given
    finish: FinishSettings
    description: str  # Markdown
    grey_card: Path | None
    plate: Path | None
    file: Path = Path("catalog.toml")  # where it is declared, and
    place: tuple = ()  # under which key, for faults that only its photos tell
    stay_in: Path | None = None  # photos that are links may not lead out of this folder
    film_span_s: tuple[float | None, float | None] | None = None  # from, to of a film; None: a folder of photos

    @property
    def film(self) -> Path | None:
        return self.frames_dir if self.film_span_s else None


@dataclass(frozen=True, slots=True)
class Catalog:
    file: Path
    shop: Shop
    output: OutputSettings
    items: Shelf[CatalogItem]
    logo: Path | None

    @property
    def folder(self) -> Path:
        return self.file.parent


def read_catalog(path: Path) -> Catalog:
    """The validated catalogue of a folder or file. Raises CatalogError that lists every fault."""
    file = catalog_file(path)
    return _Reading(file, *_parsed(file)).catalog()


def _parsed(file: Path) -> tuple[str, dict[str, Any]]:
    """The file's text and what it holds. Raises CatalogError."""
    text = read_text(file)
    if DEEP_KEY.search(text):
        raise CatalogError.at(file, "", "a key is nested more than 64 deep", "Write keys as README shows them.")
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, _, where = str(error).partition(" (at ")
        raise CatalogError.at(
            file, where.rstrip(")"), f"this is not TOML: {what[:1].lower()}{what[1:]}", _toml_advice(text, where)
        ) from None
    except RecursionError:
        raise CatalogError.at(file, "", "lists or tables are nested too deep", "Check its brackets.") from None
    except ValueError:  # Python converts no integers of more than 4300 digits
        raw = None
    if raw is None or _holds_long_integer(raw):
        raise CatalogError.at(file, "", "a number in it is too long to be read", "Shorten it.")
    return text, raw


def fault_at(file: Path, place: tuple, what: str, advice: str = "") -> Fault:
    """A fault of a key, with its line: ("item", 0, "hotspot", 1, "at") -> line 31, item 1, hotspot.at"""
    line = line_of(key_lines(read_text(file)), place) if file.is_file() else None
    return Fault(str(file), f"line {line}, {_printed(place)}" if line else _printed(place), what, advice)


def _holds_long_integer(raw: dict[str, Any]) -> bool:
    """TOML 1.0, Integer: of 64 bits; what can't be held is an error."""
    left: list[Any] = [raw]
    while left:
        value = left.pop()
        if isinstance(value, (dict, list)):
            left += value.values() if isinstance(value, dict) else value
        elif isinstance(value, int) and not -(2**63) <= value < 2**63:
            return True
    return False


def read_text(file: Path) -> str:
    """A text file of the catalogue. Raises CatalogError: not UTF-8, no permission, far too large."""
    try:
        with open(file, "rb") as opened:
            content = opened.read(LARGEST_TEXT + 1)
        if len(content) > LARGEST_TEXT:
            raise CatalogError.at(
                file, "", f"it is larger than {LARGEST_TEXT // 1_000_000} MB", "Is this the right file?"
            )
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise CatalogError.at(file, f"line {line}", "the text is not UTF-8", "Save it as UTF-8.") from None
    except OSError as error:
        raise CatalogError.at(file, "", f"it can't be read ({error.strerror})", "Check its permissions.") from None


def _toml_advice(text: str, where: str) -> str:
    line = re.match(r"line (\d+)", where)
    if line and "\\" in text.splitlines()[int(line[1]) - 1]:
        return "In a path write / instead of \\, or use 'single quotes'."
    return "Check quotes, brackets and = signs on that line."


def slug_of(title: str) -> str:
    """A slug from a title: letters without accents, digits, hyphens. May be empty."""
    plain = unicodedata.normalize(
        "NFKD", title.replace("½", " 1-2 ").replace("ß", "ss").replace("ø", "o").replace("æ", "ae")
    )
    return re.sub(r"[^a-z0-9]+", "-", plain.encode("ascii", "ignore").decode().lower()).strip("-")[:80].strip("-")


def read_plan(path: Path, *, needed: bool = True) -> dict[str, Any]:
    """The keys given in a catalogue's [plan], whatever else it holds: planned is before there are photos.

    The disc is that of [shop] disc_mm where [plan] names none. needed: False where the plan can be made without.
    Raises CatalogError.
    """
    file = catalog_file(path)
    reading = _Reading(file, *_parsed(file))
    plan = reading.plan(needed)
    return plan.model_dump(exclude_unset=True)


class _Reading:
    """One reading of one file: the tables are taken one by one, so that a fault in one hides none in another."""

    def __init__(self, file: Path, text: str, raw: dict[str, Any]) -> None:
        self.file, self.text, self.raw = file, text, raw
        self.faults: list[tuple[int, Fault]] = []
        self._lines: dict | None = None

    def catalog(self) -> Catalog:
        self._unknown_tables()
        shop = self._table("shop", required=True)
        finish = self._table("finish") or FinishSettings()
        output = self._table("output") or OutputSettings()
        self._table("plan")
        outside = self.raw.get("shop", {}).get("allow_outside") is True if self._is_table("shop") else False
        logo = self._path(("shop", "logo"), shop.logo, outside, folder=False) if shop and shop.logo else None
        items = Shelf(self._item(index, raw, finish, outside) for index, raw in enumerate(self._raw_items()))
        self._double_slugs()
        if self.faults:
            ordered = sorted(self.faults, key=lambda pair: pair[0])
            raise CatalogError(*dict.fromkeys(fault for _, fault in ordered))
        return Catalog(self.file, shop, output, items, logo)

    def plan(self, needed: bool) -> Plan:
        plan = self._table("plan")
        if self.faults:
            raise CatalogError(*(fault for _, fault in self.faults))
        shop = self.raw.get("shop") if self._is_table("shop") else {}
        if needed and plan is None and "disc_mm" not in shop:
            what = "there is no [plan] in it"
            raise CatalogError.at(self.file, "", what, 'Add [plan] with disc = "330mm", or give the options alone.')
        plan = plan or Plan()
        if isinstance(shop.get("disc_mm"), (int, float)) and not (plan.disc or plan.radius or plan.rim):
            plan = plan.model_copy(update={"disc": float(shop["disc_mm"])})
        return plan

    # --- faults ---

    def fault(self, place: tuple, what: str, advice: str = "") -> None:
        if self._lines is None:
            try:
                self._lines = key_lines(self.text)
            except (IndexError, ValueError, RecursionError):  # odd keys: the fault is told without its line
                self._lines = {}
        line = line_of(self._lines, place)
        where = f"line {line}, {_printed(place)}" if line else _printed(place)
        self.faults.append((line or 0, Fault(str(self.file), where, what, advice)))

    def _unknown_tables(self) -> None:
        for name in self.raw:
            if name not in TABLES:
                owner = next((t for t, model in TABLES.items() if name in key_names(model)), None)
                advice = f"It belongs under [{owner}]." if owner else _nearest(name, list(TABLES))
                self.fault((name,), f"unknown key '{name}'", advice)

    # --- tables ---

    def _is_table(self, name: str) -> bool:
        return isinstance(self.raw.get(name), dict)

    def _table(self, name: str, required: bool = False):
        if name not in self.raw:
            if required:
                self.faults.append(
                    (0, Fault(str(self.file), f"[{name}]", "the table is missing", '[shop] with name = "…" is needed.'))
                )
            return None
        if not self._is_table(name):
            self.fault((name,), f"{name} must be a table", f"Write [{name}] on a line of its own.")
            return None
        return self._validate(TABLES[name], self.raw[name], (name,))

    def _raw_items(self) -> list[dict]:
        items = self.raw.get("item")
        if isinstance(items, dict):
            self.fault(("item",), "an item must be one of a list", "Write [[item]] with two brackets.")
            return []
        if not isinstance(items, list) or not items:
            self.fault(("item",), "there is no item", "Add [[item]] with title and frames.")
            return []
        return [item for item in items if isinstance(item, dict)]

    def _validate(self, model: type[Declared], raw: dict, place: tuple) -> Declared | None:
        try:
            return model.model_validate(raw)
        except ValidationError as error:
            for detail in _plain(error.errors()):
                self._explain(model, detail, place)
            return None

    def _explain(self, model: type[Declared], detail: dict, place: tuple) -> None:
        where = place + detail["loc"]
        kind, value = detail["type"], detail.get("input")
        if kind == "extra_forbidden":
            owner = INNER.get(str(detail["loc"][0]), model) if len(detail["loc"]) > 1 else model
            key = str(detail["loc"][-1])
            home = next((table for table, other in TABLES.items() if key in key_names(other)), None)
            advice = f"It belongs under [{home}]." if home else _nearest(key, key_names(owner))
            self.fault(where, f"unknown key '{key}'", advice)
        elif kind == "missing":
            self.fault(where, f"'{detail['loc'][-1]}' is missing", f'Add {detail["loc"][-1]} = "…".')
        else:
            self.fault(where, *_wrong_value(model, detail, value))

    # --- items ---

    def _item(self, index: int, raw: dict, shared: FinishSettings, outside: bool) -> CatalogItem | None:
        place = ("item", index)
        keys = self._validate(Item, raw, place)
        frames_dir = None
        if isinstance(raw.get("frames"), str) and raw["frames"]:
            frames_dir = self._path(place + ("frames",), raw["frames"], outside, folder=True, film=True)
        description = self._description(place, raw, outside)
        self._slugs(place, raw)
        if keys is None or frames_dir is None:
            return None
        span = self._span(place, keys, is_film=frames_dir.is_file())
        own = keys.finish.model_dump(exclude_unset=True) if keys.finish else {}
        finish = shared.model_copy(update=own) if own else shared
        apart = [
            self._apart(
                place if key in own else (),
                key,
                getattr(finish, key),
                frames_dir.parent if span else frames_dir,
                outside,
            )
            for key in ("grey_card", "plate")
        ]
        stay_in = None if outside else self.file.parent
        slug = item_slug(keys, index)
        return CatalogItem(slug, keys, frames_dir, finish, description, *apart, self.file, place, stay_in, span)

    def _span(self, place: tuple, keys: Item, *, is_film: bool) -> tuple[float | None, float | None] | None:
        """from and to of a film in seconds; None for a folder of photos, where they are file names."""
        if not is_film:
            for key, value in (("from", keys.first), ("to", keys.last)):
                if isinstance(value, float):
                    self.fault(
                        place + (key,), f"{key} = {value:g} is a time, and the frames are photos", "Give a file name."
                    )
            if keys.frames_count is not None:
                self.fault(
                    place + ("frames_count",), "frames_count is for films, and the frames are photos", "Leave it out."
                )
            return None
        seconds: list[float | None] = []
        for key, value in (("from", keys.first), ("to", keys.last)):
            try:
                seconds.append(None if value is None else film_seconds(value))
            except ValueError as error:
                self.fault(place + (key,), f"{_toml(value)} won't do for {key}: {error}")
                seconds.append(None)
        start, end = seconds
        if start is not None and end is not None and start >= end:
            self.fault(place + ("to",), "to lies before from", "Swap the two times.")
        if keys.replace:
            self.fault(
                place + ("replace",),
                "a film's frames can't be replaced by photos",
                "Film the turn again, or shoot photos.",
            )
        return start, end

    def _description(self, place: tuple, raw: dict, outside: bool) -> str:
        name = raw.get("description_file")
        if not isinstance(name, str) or not name:
            text = raw.get("description") or "" if isinstance(raw.get("description"), str) else ""
            return self._fit(place + ("description",), text)
        if raw.get("description"):
            self.fault(place + ("description_file",), "both description and description_file are given", "Keep one.")
        file = self._path(place + ("description_file",), name, outside, folder=False)
        try:
            return self._fit(place + ("description_file",), read_text(file)) if file else ""
        except CatalogError as error:
            wrong = error.faults[0]
            where = f" ({wrong.place})" if wrong.place else ""
            self.fault(place + ("description_file",), f"'{name}' can't be read: {wrong.what}{where}", wrong.advice)
            return ""

    def _fit(self, place: tuple, text: str) -> str:
        """A description of a size that pages can show. Larger: a fault, and nothing."""
        if len(text) > MOST_DESCRIPTION:
            self.fault(
                place, f"the description has {len(text)} characters, more than {MOST_DESCRIPTION}", "Shorten it."
            )
        elif text.count("[") > MOST_BRACKETS:
            self.fault(place, f"the description has more than {MOST_BRACKETS} square brackets", "Take some links out.")
        else:
            return text
        return ""

    def _apart(self, place: tuple, key: str, name: str | None, frames_dir: Path, outside: bool) -> Path | None:
        """A grey card or the empty set: looked for beside the frames, then beside the catalogue."""
        if not name:
            return None
        beside = frames_dir / name
        if beside.is_file() and beside.resolve().is_relative_to(frames_dir.resolve()):
            return beside
        where = place + ("finish", key) if place else ("finish", key)
        return self._path(where, name, outside, folder=False)

    def _path(self, place: tuple, name: str, outside: bool, *, folder: bool, film: bool = False) -> Path | None:
        """A path of the catalogue, checked: it exists, and stays inside unless allowed out."""
        home = self.file.parent
        if "\0" in name:
            return self.fault(place, "the path holds a zero byte", "Write the path again.")
        path = home / name
        try:
            inside = path.resolve().is_relative_to(home.resolve())
            found = path.is_dir() if folder else path.is_file()
            is_file = folder and path.is_file()
        except (OSError, RuntimeError) as error:
            return self.fault(place, f"'{name}' can't be looked up ({error})", "Check the path.")
        if not inside and not outside:
            return self.fault(
                place,
                f"'{name}' leads out of the catalogue's folder",
                "Move it inside, or set allow_outside = true in [shop].",
            )
        if is_file and film and path.suffix.lower() in FILM_ENDINGS:
            return path
        if is_file:
            kinds = ", ".join(sorted(ending[1:].upper() for ending in FILM_ENDINGS))
            return self.fault(
                place, f"'{name}' is a file, and no film ({kinds})", "Name a folder of photos, or a film."
            )
        if not found:
            kind = "folder" if folder else "file"
            return self.fault(
                place, f"there is no {kind} '{name}'", _near_path(path, folder) or f"Paths start from {home}."
            )
        return path

    # --- slugs ---

    def _slugs(self, place: tuple, raw: dict) -> None:
        given = [(("slug",), raw.get("slug"))]
        aliases = raw.get("aliases") if isinstance(raw.get("aliases"), list) else []
        given += [(("aliases", n), alias) for n, alias in enumerate(aliases)]
        for key, slug in given:
            if isinstance(slug, str) and slug.casefold() in RESERVED_SLUGS:
                self.fault(place + key, f"'{slug}' is kept for the site itself", "Choose another slug.")

    def _double_slugs(self) -> None:
        first: dict[str, int] = {}
        claims: list[tuple[str, int, tuple]] = []
        for index, raw in enumerate(self.raw.get("item", [])) if isinstance(self.raw.get("item"), list) else ():
            if isinstance(raw, dict):
                title = raw.get("title") if isinstance(raw.get("title"), str) else ""
                given = isinstance(raw.get("slug"), str)
                slug = raw["slug"] if given else slug_of(title) or f"item-{index + 1}"
                claims.append((slug, index, ("slug",) if given else ("title",)))
        for index, raw in enumerate(self.raw.get("item", [])) if isinstance(self.raw.get("item"), list) else ():
            aliases = raw.get("aliases") if isinstance(raw, dict) and isinstance(raw.get("aliases"), list) else []
            claims += [(alias, index, ("aliases", n)) for n, alias in enumerate(aliases) if isinstance(alias, str)]
        for slug, index, key in claims:
            if first.setdefault(slug.casefold(), index) != index or (
                key[0] == "aliases" and (slug, index) in {(s, i) for s, i, k in claims if k[0] != "aliases"}
            ):
                self.fault(
                    ("item", index, *key),
                    f"the slug '{slug}' is already that of item {first[slug.casefold()] + 1}",
                    "Give each item a slug of its own.",
                )


def item_slug(keys: Item, index: int) -> str:
    return keys.slug or slug_of(keys.title) or f"item-{index + 1}"


def _plain(errors: list[dict]) -> list[dict]:
    """A value that fits none of several types is one fault, not one for each type: keep the most telling."""
    merged: dict[tuple, dict] = {}
    for error in errors:
        loc = _own_place(error["loc"], last_is_key=error["type"] == "extra_forbidden")
        error = {**error, "loc": loc}
        known = merged.get(loc)
        if known is None or (known["type"] == "literal_error" and error["type"] == "value_error"):
            merged[loc] = error
    outer = {loc for loc in merged}
    return [e for loc, e in merged.items() if not any(loc[:n] in outer for n in range(1, len(loc)))]


def _own_place(loc: tuple, *, last_is_key: bool) -> tuple:
    """A place without the names that the validation gives to the types of a choice, as tuple[...]; an unknown key
    may look like one."""
    end = len(loc) - 1 if last_is_key else len(loc)
    kept = tuple(p for p in loc[:end] if not (isinstance(p, str) and ("[" in p or "-" in p)))
    return kept + loc[end:]


_WANTED = {
    "string_type": "text in quotes is wanted", "bool_type": "true or false is wanted",
    "float_type": "a number is wanted", "int_type": "a whole number is wanted", "int_from_float": "a whole number is wanted",
    "tuple_type": "a list in [brackets] is wanted", "dict_type": 'a table such as {"old.jpg" = "new.jpg"} is wanted',
    "model_type": "a table is wanted", "string_too_short": "it must not be empty", "string_too_long": "it is too long", "missing": "a value is missing",
}  # fmt: skip


def _wrong_value(model: type[Declared], detail: dict, value: object) -> tuple[str, str]:
    kind, context = detail["type"], detail.get("ctx") or {}
    key = next((str(p) for p in reversed(detail["loc"]) if isinstance(p, str)), "")
    seen = f"{_toml(value)} won't do for {key}"
    owner = INNER.get(str(detail["loc"][0]), model)
    fields = {field.alias or name: field for name, field in owner.model_fields.items()}
    meaning = fields[key].description if key in fields else ""
    if kind == "value_error":
        return f"{seen}: {context['error']}", ""
    if kind == "literal_error":
        choices = re.findall(r"'([^']+)'", context.get("expected", ""))
        near = difflib.get_close_matches(str(value), choices, n=1, cutoff=0.4)
        return seen, (f'Nearest: "{near[0]}". ' if near else "") + (meaning or f"Choose from {', '.join(choices)}.")
    if kind == "string_pattern_mismatch" and key in ("slug", "aliases"):
        return seen, "A slug is one folder name of letters, digits, - and _."
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        signs = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
        bounds = "; ".join(f"{signs[k]} {v:g} is wanted" for k, v in context.items() if k in signs)
        return f"{seen}: {bounds}", meaning
    return f"{seen}: {_WANTED[kind]}" if kind in _WANTED else seen, meaning


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value[:60]}{"…" if len(value) > 60 else ""}"'
    text = str(value)
    return text if len(text) <= 60 else f"{text[:60]}…"


def _printed(place: tuple) -> str:
    """("item", 1, "finish", "margin") -> item 2, finish.margin"""
    if len(place) >= 2 and place[0] == "item" and isinstance(place[1], int):
        rest = ".".join(str(p) for p in place[2:] if isinstance(p, str))
        return f"item {place[1] + 1}" + (f", {rest}" if rest else "")
    keys = [str(p) for p in place if isinstance(p, str)]
    return f"[{keys[0]}] {'.'.join(keys[1:])}".strip() if keys[0] in TABLES else ".".join(keys)


def _nearest(name: str, names: list[str]) -> str:
    near = difflib.get_close_matches(name.lower(), names, n=1, cutoff=0.5)
    return f"Nearest: '{near[0]}'." if near else f"Known are: {', '.join(names)}."


def _near_path(path: Path, folder: bool) -> str:
    try:
        names = [e.name for e in path.parent.iterdir() if e.is_dir() == folder]
    except OSError:
        return ""
    by_fold = {name.casefold(): name for name in names}
    near = difflib.get_close_matches(path.name.casefold(), by_fold, n=1, cutoff=0.5)
    return f"Nearest: '{by_fold[near[0]]}'." if near else ""
