"""README's table of keys, made from the declaration: `python -m builder.catalog.table` prints it."""

from __future__ import annotations

from builder.catalog.declaration import INNER, TABLES

_HEADS = {
    "shop": "[shop]", "finish": "[finish], [item.finish]", "output": "[output]", "item": "[[item]]",
    "hotspot": "[[item.hotspot]]", "plan": "[plan]",
}  # fmt: skip


def key_table() -> str:
    """Markdown: one table for each table of catalog.toml."""
    parts = []
    for table, model in ((table, TABLES.get(table) or INNER[table]) for table in _HEADS):
        rows = [f"**`{_HEADS[table]}`**", "", "| key | default | what it is |", "|---|---|---|"]
        for name, field in model.model_fields.items():
            if table == "item" and name in INNER:
                continue
            default = "needed" if field.is_required() else _toml(field.default)
            rows.append(f"| `{field.alias or name}` | {default} | {field.description} |")
        parts.append("\n".join(rows))
    return "\n\n".join(parts) + "\n"


def _toml(value: object) -> str:
    if value is None or value == () or value == {}:
        return ""
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, tuple):
        return "`[" + ", ".join(f'"{v}"' if isinstance(v, str) else str(v) for v in value) + "]`"
    return f'`"{value}"`' if isinstance(value, str) else f"`{value:g}`"


if __name__ == "__main__":
    print(key_table(), end="")
