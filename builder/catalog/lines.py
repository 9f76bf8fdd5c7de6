"""Where each key of a TOML text stands. Read only when there is a fault to report."""

from __future__ import annotations

Path = tuple[str | int, ...]


def key_lines(text: str) -> dict[Path, int]:
    """Line numbers (from 1) by key path, for instance ("item", 0, "finish", "margin")."""
    import tree_sitter
    import tree_sitter_toml

    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language()))
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    for node in parser.parse(text.encode()).root_node.named_children:
        if node.type == "pair":
            _pair(node, (), lines)
        elif node.type in ("table", "table_array_element"):
            place = _table_place(node, counts)
            lines.setdefault(place, node.start_point.row + 1)
            for pair in node.named_children[1:]:
                if pair.type == "pair":
                    _pair(pair, place, lines)
    return lines


def line_of(lines: dict[Path, int], place: Path) -> int | None:
    """The line of a key, or of the nearest thing that holds it."""
    for length in range(len(place), 0, -1):
        if place[:length] in lines:
            return lines[place[:length]]
    return None


def _table_place(node, counts: dict[Path, int]) -> Path:
    """`[item.finish]` belongs to the last `[[item]]` before it."""
    keys = _keys(node.named_children[0])
    place: Path = ()
    for position, key in enumerate(keys):
        place += (key,)
        if node.type == "table_array_element" and position == len(keys) - 1:
            counts[place] = counts.get(place, -1) + 1
        if place in counts:
            place += (counts[place],)
    return place


def _pair(node, place: Path, lines: dict[Path, int]) -> None:
    key, value = node.named_children[0], node.named_children[-1]
    here = place + tuple(_keys(key))
    lines.setdefault(here, node.start_point.row + 1)
    _value(value, here, lines)


def _value(node, place: Path, lines: dict[Path, int]) -> None:
    if node.type == "inline_table":
        for pair in node.named_children:
            if pair.type == "pair":
                _pair(pair, place, lines)
    elif node.type == "array":
        for position, element in enumerate(e for e in node.named_children if e.type != "comment"):
            lines.setdefault(place + (position,), element.start_point.row + 1)
            _value(element, place + (position,), lines)


def _keys(node) -> list[str]:
    if node.type == "dotted_key":
        return [key for child in node.named_children for key in _keys(child)]
    text = node.text.decode()
    if node.type == "quoted_key":
        import tomllib

        return list(tomllib.loads(f"{text} = 0"))
    return [text]
