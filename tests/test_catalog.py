from __future__ import annotations

import json
import tomllib

import jsonschema
import pytest

from builder.catalog import Catalog, json_schema, read_catalog, starter_text
from builder.catalog.lines import key_lines
from builder.catalog.reading import slug_of
from builder.errors import CatalogError
from tests.pictures import write_catalog

GOOD = '[shop]\nname = "Saltmarsh Bench"\n[[item]]\ntitle = "Jug"\nframes = "jug"\n'


def faults_of(folder, text: str) -> list[str]:
    file = write_catalog(folder, text)
    (folder / "jug").mkdir(exist_ok=True)
    with pytest.raises(CatalogError) as failure:
        read_catalog(folder)
    return [str(fault).removeprefix(f"{file}: ") for fault in failure.value.faults]


def read(folder, text: str) -> Catalog:
    write_catalog(folder, text)
    (folder / "jug").mkdir(exist_ok=True)
    return read_catalog(folder)


def test_good_catalogue_and_its_defaults(tmp_path):
    catalog = read(tmp_path, GOOD)
    item = catalog.items[0]
    assert (item.slug, item.frames_dir) == ("jug", tmp_path / "jug")
    assert catalog.output.widths == (480, 960, 1600)
    assert catalog.output.formats == ("avif", "webp")
    assert (item.finish.backdrop, item.finish.margin, item.finish.shadow) == ("white", 0.075, 0.5)
    with pytest.raises(Exception, match="frozen"):
        catalog.shop.name = "other"


def test_an_items_own_finish_wins_key_by_key(tmp_path):
    text = "[finish]\nmargin = 0.1\nshadow = 0\n" + GOOD + "[item.finish]\nmargin = 0.2\n"
    finish = read(tmp_path, text).items[0].finish
    assert (finish.margin, finish.shadow) == (0.2, 0.0)


def test_missing_catalogue(tmp_path):
    with pytest.raises(CatalogError, match="there is no catalogue. Start one with: kickwheel new"):
        read_catalog(tmp_path)


def test_not_toml(tmp_path):
    (fault,) = faults_of(tmp_path, '[shop]\nname = "a\n')
    assert fault.startswith("line 2")
    assert "this is not TOML" in fault
    (fault,) = faults_of(tmp_path, '[shop]\nname = "C:\\photos"\n')
    assert "write / instead of \\" in fault


def test_not_utf8(tmp_path):
    (tmp_path / "catalog.toml").write_bytes(b'[shop]\nname = "caf\xe9"\n')
    with pytest.raises(CatalogError, match="line 2: the text is not UTF-8"):
        read_catalog(tmp_path)


def test_every_fault_in_one_run_each_with_its_line(tmp_path):
    text = """\
[shop]
name = 3
currncy = "EUR"
[finish]
margin = 3
[[item]]
title = "x"
frames = "Jug"
slug = "../x"
price = "4 EUR"
formats = ["avif"]
[[item]]
frames = "../.."
closed = "yes"
gtin = "6291041500214"
[item.finish]
scale = "sam"
"""
    assert faults_of(tmp_path, text) == [
        "line 2, [shop] name: 3 won't do for name: text in quotes is wanted. Name of the shop, shown on every page.",
        "line 3, [shop] currncy: unknown key 'currncy'. Nearest: 'currency'.",
        "line 5, [finish] margin: 3 won't do for margin: at most 0.45 is wanted."
        " Share of the side left free on each side of the subject.",
        "line 8, item 1, frames: there is no folder 'Jug'. Nearest: 'jug'.",
        'line 9, item 1, slug: "../x" won\'t do for slug. A slug is one folder name of letters, digits, - and _.',
        'line 10, item 1, price: "4 EUR" won\'t do for price: a number is wanted, without a currency sign:'
        " the currency stands in [shop].",
        "line 11, item 1, formats: unknown key 'formats'. It belongs under [output].",
        "line 12, item 2, title: 'title' is missing. Add title = \"…\".",
        "line 13, item 2, frames: '../..' leads out of the catalogue's folder."
        " Move it inside, or set allow_outside = true in [shop].",
        'line 14, item 2, closed: "yes" won\'t do for closed: true or false is wanted. false: a part turn on purpose.',
        "line 15, item 2, gtin: \"6291041500214\" won't do for gtin: the GTIN's check digit is wrong: a digit was misread.",
        'line 17, item 2, finish.scale: "sam" won\'t do for scale. Nearest: "same". "fit" fills the frame;'
        ' "same" keeps items comparable in size (needs disc_mm).',
    ]


def test_two_items_of_one_slug_and_aliases(tmp_path):
    text = GOOD + '[[item]]\ntitle = "jug!"\nframes = "jug"\n[[item]]\ntitle = "C"\nframes = "jug"\naliases = ["JUG"]\n'
    first, second = faults_of(tmp_path, text)
    assert "the slug 'jug' is already that of item 1" in first
    assert "the slug 'JUG' is already that of item 1" in second
    assert "kept for the site itself" in faults_of(tmp_path, GOOD + 'slug = "assets"\n')[0]


def test_paths_may_leave_only_when_allowed(tmp_path):
    (tmp_path / "photos").mkdir()
    text = GOOD.replace('"jug"', '"../photos"')
    assert "leads out" in faults_of(tmp_path / "shop", text)[0]
    allowed = text.replace('Bench"', 'Bench"\nallow_outside = true')
    assert read(tmp_path / "shop", allowed).items[0].frames_dir == tmp_path / "shop" / "../photos"
    (tmp_path / "shop" / "link").symlink_to(tmp_path / "photos")
    assert "leads out" in faults_of(tmp_path / "shop", GOOD.replace('"jug"', '"link"'))[0]


def test_colours(tmp_path):
    for colour in ("#f4f1ea", "rgb(244 241 234)", "hsl(40, 20%, 90%)", "keep", "transparent", "oldlace"):
        assert read(tmp_path, f'[finish]\nbackdrop = "{colour}"\n' + GOOD).items[0].finish.backdrop == colour
    assert "a CSS colour is wanted" in faults_of(tmp_path, '[finish]\nbackdrop = "whit"\n' + GOOD)[0]


def test_gtin_of_the_standard(tmp_path):
    """GS1 General Specifications, check digit: 6291041500213 is valid, any other last digit isn't."""
    assert read(tmp_path, GOOD + 'gtin = "6291041500213"\n').items[0].keys.gtin == "6291041500213"
    for digit in "012456789":
        assert "check digit" in faults_of(tmp_path, GOOD + f'gtin = "629104150021{digit}"\n')[0]


def test_prices_keep_their_cents(tmp_path):
    for text, printed in (("48", "48"), ("48.50", "48.5"), ('"48.50"', "48.50"), ('"48,50"', "48.50")):
        assert str(read(tmp_path, GOOD + f"price = {text}\n").items[0].keys.price) == printed
    assert "a number is wanted" in faults_of(tmp_path, GOOD + "price = true\n")[0]


@pytest.mark.parametrize(
    "title, slug",
    [
        ("Enamel pot, 1½ l", "enamel-pot-1-1-2-l"),
        ("Café Größe", "cafe-grosse"),
        ("🙂", ""),
        ("--a--", "a"),
        ("<script>", "script"),
    ],
)
def test_slugs_from_titles(title, slug):
    assert slug_of(title) == slug


def test_key_lines_of_nested_tables():
    lines = key_lines('a.b = 1\n[[item]]\nx = {"y z" = 1}\n[item.finish]\nm = 1\n[[item]]\nl = [\n1,\n2]\n')
    assert lines["a", "b"] == 1
    assert lines["item", 0, "x", "y z"] == 3
    assert lines["item", 0, "finish", "m"] == 5
    assert lines["item", 1, "l", 1] == 9


def test_schema_agrees_with_the_validation(tmp_path):
    """The published schema, read by the jsonschema library, takes what we take and refuses what we refuse."""
    schema = json.loads(json.dumps(json_schema()))
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)
    (tmp_path / "first-item").mkdir()
    assert not list(check.iter_errors(tomllib.loads(starter_text())))
    read(tmp_path, starter_text())
    for wrong in ("shup = 1\n", GOOD + "formats = 1\n", GOOD + 'order = "size"\n', GOOD + "closed = 1\n", "[shop]\n"):
        assert list(check.iter_errors(tomllib.loads(wrong))), wrong


def test_the_demo_catalogue_is_good():
    from pathlib import Path

    assert len(read_catalog(Path(__file__).parent.parent / "demo_catalog").items) == 3
