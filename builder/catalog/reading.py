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
    TABLES,
    Declared,
    FinishSettings,
    Item,
    OutputSettings,
    Shop,
    key_names,
)
from builder.catalog.lines import key_lines, line_of
from builder.catalog.place import catalog_file
from builder.errors import CatalogError, Fault

# Folders the site needs for itself, and names Windows keeps for devices.
RESERVED_SLUGS = frozenset(
    ["assets", "con", "prn", "aux", "nul"] + [f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)]
)


@dataclass(frozen=True, slots=True)
class CatalogItem:
    """One spin with everything resolved."""

    slug: str
    keys: Item
    frames_dir: Path
    finish: FinishSettings
    description: str  # Markdown
    grey_card: Path | None
    plate: Path | None


@dataclass(frozen=True, slots=True)
class Catalog:
    file: Path
    shop: Shop
    output: OutputSettings
    items: tuple[CatalogItem, ...]
    logo: Path | None

    @property
    def folder(self) -> Path:
        return self.file.parent


def read_catalog(path: Path) -> Catalog:
    """The validated catalogue of a folder or file. Raises CatalogError that lists every fault."""
    file = catalog_file(path)
    text = _read_text(file)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, _, where = str(error).partition(" (at ")
        raise CatalogError.at(
            file, where.rstrip(")"), f"this is not TOML: {what[:1].lower()}{what[1:]}", _toml_advice(text, where)
        ) from None
    return _Reading(file, text, raw).catalog()


def _read_text(file: Path) -> str:
    try:
        return file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = file.read_bytes()[: error.start].count(b"\n") + 1
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
    plain = unicodedata.normalize("NFKD", title.replace("½", " 1-2 ").replace("ß", "ss").replace("ø", "o").replace("æ", "ae"))
    return re.sub(r"[^a-z0-9]+", "-", plain.encode("ascii", "ignore").decode().lower()).strip("-")[:80].strip("-")


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
        outside = self.raw.get("shop", {}).get("allow_outside") is True if self._is_table("shop") else False
        logo = self._path(("shop", "logo"), shop.logo, outside, folder=False) if shop and shop.logo else None
        items = [self._item(index, raw, finish, outside) for index, raw in enumerate(self._raw_items())]
        self._double_slugs()
        if self.faults:
            ordered = sorted(self.faults, key=lambda pair: pair[0])
            raise CatalogError(*dict.fromkeys(fault for _, fault in ordered))
        return Catalog(self.file, shop, output, tuple(items), logo)

    # --- faults ---

    def fault(self, place: tuple, what: str, advice: str = "") -> None:
        if self._lines is None:
            self._lines = key_lines(self.text)
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
            owner = FinishSettings if len(detail["loc"]) > 1 and detail["loc"][0] == "finish" else model
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
            frames_dir = self._path(place + ("frames",), raw["frames"], outside, folder=True)
        description = self._description(place, raw, outside)
        self._slugs(place, raw)
        if keys is None or frames_dir is None:
            return None
        own = keys.finish.model_dump(exclude_unset=True) if keys.finish else {}
        finish = shared.model_copy(update=own)
        apart = [
            self._apart(place if key in own else (), key, getattr(finish, key), frames_dir, outside)
            for key in ("grey_card", "plate")
        ]
        return CatalogItem(item_slug(keys, index), keys, frames_dir, finish, description, *apart)

    def _description(self, place: tuple, raw: dict, outside: bool) -> str:
        name = raw.get("description_file")
        if not isinstance(name, str) or not name:
            return raw.get("description") or "" if isinstance(raw.get("description"), str) else ""
        if raw.get("description"):
            self.fault(place + ("description_file",), "both description and description_file are given", "Keep one.")
        file = self._path(place + ("description_file",), name, outside, folder=False)
        try:
            return file.read_text("utf-8-sig") if file else ""
        except (OSError, UnicodeDecodeError) as error:
            self.fault(place + ("description_file",), f"'{name}' can't be read ({error})", "Save it as UTF-8 text.")
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

    def _path(self, place: tuple, name: str, outside: bool, *, folder: bool) -> Path | None:
        """A path of the catalogue, checked: it exists, and stays inside unless allowed out."""
        home = self.file.parent
        if "\0" in name:
            return self.fault(place, "the path holds a zero byte", "Write the path again.")
        path = home / name
        try:
            inside = path.resolve().is_relative_to(home.resolve())
            found = path.is_dir() if folder else path.is_file()
            film = folder and path.is_file()
        except (OSError, RuntimeError) as error:
            return self.fault(place, f"'{name}' can't be looked up ({error})", "Check the path.")
        if not inside and not outside:
            return self.fault(
                place, f"'{name}' leads out of the catalogue's folder", "Move it inside, or set allow_outside = true in [shop]."
            )
        if film:
            return self.fault(place, f"'{name}' is a file, and frames from a film are not supported yet", "Name a folder of photos.")
        if not found:
            kind = "folder" if folder else "file"
            return self.fault(place, f"there is no {kind} '{name}'", _near_path(path, folder) or f"Paths start from {home}.")
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
            if first.setdefault(slug.casefold(), index) != index or (key[0] == "aliases" and (slug, index) in {(s, i) for s, i, k in claims if k[0] != "aliases"}):
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
        loc = tuple(p for p in error["loc"] if not (isinstance(p, str) and ("[" in p or "-" in p)) and p != "[key]")
        error = {**error, "loc": loc}
        known = merged.get(loc)
        if known is None or (known["type"] == "literal_error" and error["type"] == "value_error"):
            merged[loc] = error
    outer = {loc for loc in merged}
    return [e for loc, e in merged.items() if not any(loc[:n] in outer for n in range(1, len(loc)))]


_WANTED = {
    "string_type": "text in quotes is wanted", "bool_type": "true or false is wanted",
    "float_type": "a number is wanted", "int_type": "a whole number is wanted", "int_from_float": "a whole number is wanted",
    "tuple_type": "a list in [brackets] is wanted", "dict_type": 'a table such as {"old.jpg" = "new.jpg"} is wanted',
    "model_type": "a table is wanted", "string_too_short": "it must not be empty", "missing": "a value is missing",
}  # fmt: skip


def _wrong_value(model: type[Declared], detail: dict, value: object) -> tuple[str, str]:
    kind, context = detail["type"], detail.get("ctx") or {}
    key = next((str(p) for p in reversed(detail["loc"]) if isinstance(p, str)), "")
    seen = f"{_toml(value)} won't do for {key}"
    owner = FinishSettings if detail["loc"][0] == "finish" else model
    fields = {field.alias or name: field for name, field in owner.model_fields.items()}
    meaning = fields[key].description if key in fields else ""
    if kind == "value_error":
        return f"{seen}: {context['error']}", ""
    if kind == "literal_error":
        choices = re.findall(r"'([^']+)'", context.get("expected", ""))
        near = difflib.get_close_matches(str(value), choices, n=1, cutoff=0.4)
        return seen, (f"Nearest: \"{near[0]}\". " if near else "") + (meaning or f"Choose from {', '.join(choices)}.")
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
