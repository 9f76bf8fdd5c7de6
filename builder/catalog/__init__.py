"""catalog.toml -> Catalog: what the shop wants, validated. Never opens a photo.

Names are loaded when first asked for: pydantic takes a fifth of a second, and a build that finds nothing changed
never needs it.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from builder.catalog.declaration import FinishSettings, Hotspot, Item, OutputSettings, Shop, json_schema
    from builder.catalog.place import catalog_file
    from builder.catalog.reading import Catalog, CatalogItem, read_catalog, read_plan
    from builder.catalog.starter import SCHEMA_FILE, starter_text

_HOMES = {
    "declaration": ("FinishSettings", "Hotspot", "Item", "OutputSettings", "Shop", "json_schema"),
    "place": ("catalog_file",),
    "reading": ("Catalog", "CatalogItem", "read_catalog", "read_plan"),
    "starter": ("SCHEMA_FILE", "starter_text"),
}

__all__ = [
    "SCHEMA_FILE", "Catalog", "CatalogItem", "FinishSettings", "Hotspot", "Item", "OutputSettings", "Shop",
    "catalog_file", "json_schema", "read_catalog", "read_plan", "starter_text",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{home}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
