"""catalog.toml -> Catalog: what the shop wants, validated. Never opens a photo."""

from builder.catalog.declaration import FinishSettings, Hotspot, Item, OutputSettings, Shop, json_schema
from builder.catalog.reading import Catalog, CatalogItem, catalog_file, read_catalog, read_plan
from builder.catalog.starter import SCHEMA_FILE, starter_text

__all__ = [
    "SCHEMA_FILE", "Catalog", "CatalogItem", "FinishSettings", "Hotspot", "Item", "OutputSettings", "Shop",
    "catalog_file", "json_schema", "read_catalog", "read_plan", "starter_text",
]  # fmt: skip
