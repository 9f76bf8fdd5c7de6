"""A theme: its templates, labels, style and scripts, with a catalogue's own files in front of them."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from builder.errors import InputError
from builder.pages.slim import slim_script, slim_style
from builder.pages.text import read_locale
from builder.pages.viewer import join_viewer, viewer_css
from builder.store.writing import content_digest
from builder.themes import themes_dir

if TYPE_CHECKING:
    from jinja2 import Environment

OWN_STYLE = "style.css"
OWN_LABELS = "labels.json"


@dataclass(frozen=True, slots=True)
class Theme:
    """A theme by name, and the folder with a catalogue's own templates, style.css and labels.json, if any.

    An own template has the same file name as ours and takes its place; `{% extends "plain/item.html.j2" %}`
    (the theme's name before the file's) builds on ours instead.
    """

    name: str = "plain"
    override_dir: Path | None = None

    @property
    def folder(self) -> Path:
        return themes_dir() / self.name


def theme_names() -> list[str]:
    return sorted(file.parent.name for file in themes_dir().glob("*/theme.toml"))


def require_theme(theme: Theme) -> None:
    """Raises InputError where there is no such theme."""
    if theme.name not in theme_names():
        known = ", ".join(theme_names())
        raise InputError.at("catalog.toml", "[shop] theme", f"there is no theme '{theme.name}'", f"Known are: {known}.")


def theme_files(theme: Theme) -> tuple[Path, ...]:
    """Every file that pages and assets depend on, for caches: change one, and pages must be rendered again."""
    folders = [theme.folder, themes_dir() / "viewer", *([theme.override_dir] if theme.override_dir else [])]
    return tuple(path for folder in folders for path in sorted(folder.rglob("*")) if path.is_file())


def theme_print(theme: Theme) -> str:
    """Stands for everything but values that a page's text depends on: the theme's files and our own code."""
    code = sorted(Path(__file__).parent.glob("*.py"))
    files = (*code, *theme_files(theme))
    return content_digest(b"".join(file.name.encode() + content_digest(file.read_bytes()).encode() for file in files))


def site_assets(theme: Theme) -> dict[str, bytes]:
    """What is written under assets/, by logical name. Pages are told the hashed paths in return.

    site.css, embed.css: the style of pages and of embeds, the viewer's few rules included; kick-spin.js: the
    viewer; page.js: filter, copy and share; icon.svg; own.css: the catalogue's style, when it has one.
    Raises InputError when an own style can't be read.
    """
    return _assets(theme, sheets=("site", "embed"), scripts=("page",))


def proof_assets(theme: Theme) -> dict[str, bytes]:
    """The same for the proof's page: proof.css, kick-spin.js, proof.js, icon.svg, own.css."""
    return _assets(theme, sheets=("proof",), scripts=("proof",))


def _assets(theme: Theme, sheets: tuple[str, ...], scripts: tuple[str, ...]) -> dict[str, bytes]:
    texts = {f"{sheet}.css": slim_style(_joined_style(theme, sheet)) for sheet in sheets}
    texts |= {f"{name}.js": slim_script((theme.folder / "js" / f"{name}.js").read_text("utf-8")) for name in scripts}
    texts["kick-spin.js"] = join_viewer()
    texts["icon.svg"] = (theme.folder / "icon.svg").read_text("utf-8")
    if theme.override_dir and (theme.override_dir / OWN_STYLE).is_file():
        texts["own.css"] = _read_own(theme.override_dir / OWN_STYLE)
    return {name: text.encode() for name, text in texts.items()}


def _joined_style(theme: Theme, sheet: str) -> str:
    names = tomllib.loads((theme.folder / "theme.toml").read_text("utf-8"))["sheets"][sheet]
    return "\n".join([viewer_css(), *((theme.folder / "css" / name).read_text("utf-8") for name in names)])


def read_labels(theme: Theme, language: str) -> dict[str, str]:
    """The page's words in a language, English for those that are missing; own labels.json wins.

    Raises InputError when labels.json isn't an object of texts, or names a label that doesn't exist.
    """
    labels = _label_file(theme, "en")
    labels |= _label_file(theme, language.lower().partition("-")[0])
    if theme.override_dir and (theme.override_dir / OWN_LABELS).is_file():
        labels |= _own_labels(theme.override_dir / OWN_LABELS, labels)
    return labels


def _label_file(theme: Theme, language: str) -> dict[str, str]:
    file = theme.folder / "labels" / f"{language}.json"
    return json.loads(file.read_text("utf-8")) if language.isalpha() and file.is_file() else {}


def _own_labels(file: Path, known: Mapping[str, str]) -> dict[str, str]:
    try:
        own = json.loads(_read_own(file))
    except ValueError as error:
        raise InputError.at(file, "", f"it isn't JSON ({error})", "Fix the file, or take it away.") from None
    if not isinstance(own, dict) or not all(isinstance(text, str) for text in own.values()):
        raise InputError.at(file, "", "an object of texts is wanted", 'For instance {"buy": "Order"}.')
    unknown = sorted(set(own) - set(known))
    if unknown:
        raise InputError.at(file, unknown[0], "there is no such label", f"Labels are: {', '.join(sorted(known))}.")
    return own


def _read_own(file: Path) -> str:
    try:
        return file.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.at(file, "", f"it can't be read ({error})", "Save it as UTF-8 text.") from None


def text_direction(language: str) -> str:
    """ "ltr" or "rtl", after CLDR."""
    return read_locale(language).text_direction


# ---- templates


def render_template(theme: Theme, name: str, values: Mapping[str, Any]) -> str:
    """A template's text. Raises InputError that names file and line of a fault in an own template."""
    return "".join(template_pieces(theme, name, values))


def template_pieces(theme: Theme, name: str, values: Mapping[str, Any]) -> Iterator[str]:
    """`render_template`, piece by piece."""
    from jinja2 import TemplateError, TemplateSyntaxError

    try:
        yield from _environment(theme).get_template(name).generate(values)
    except TemplateSyntaxError as error:
        raise _template_fault(error.filename or name, error.lineno, error) from None
    except Exception as error:  # a template may fail in any way an expression can, as by dividing by zero
        if not isinstance(error, TemplateError) and theme.override_dir is None:
            raise
        file, line = _place_of(error, name)
        raise _template_fault(file, line, error) from None


def _template_fault(file: str, line: int | None, error: Exception) -> InputError:
    place = f"line {line}" if line else ""
    return InputError.at(file, place, f"the template fails: {error}", "Fix the template, or take it away to use ours.")


def _place_of(error: Exception, name: str) -> tuple[str, int | None]:
    """The innermost template frame of the traceback."""
    place: tuple[str, int | None] = (name, None)
    trace = error.__traceback__
    while trace:
        file = trace.tb_frame.f_code.co_filename
        if file.endswith(".j2"):
            place = (file, trace.tb_lineno)
        trace = trace.tb_next
    return place


@lru_cache(maxsize=8)
def _environment(theme: Theme) -> Environment:
    """Escapes everything, refuses names that aren't there, reads a changed template again."""
    from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PrefixLoader, StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    ours = FileSystemLoader(theme.folder / "templates")
    own = [FileSystemLoader(theme.override_dir)] if theme.override_dir else []
    # a catalogue of somebody else may bring templates: they may write pages, not reach into this program
    kind = ImmutableSandboxedEnvironment if own else Environment
    environment = kind(
        loader=ChoiceLoader([*own, ours, PrefixLoader({theme.name: ours})]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment
