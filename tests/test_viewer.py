"""The viewer as text: joined, slimmed, translated, handed over; and its own arithmetic, run by Node."""

from __future__ import annotations

import gzip
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from builder.errors import InputError
from builder.pages.slim import slim_script, slim_style
from builder.pages.viewer import (
    join_viewer,
    render_spin_block,
    render_spin_js,
    viewer_css,
    viewer_labels,
    viewer_languages,
)
from builder.themes import themes_dir

HERE = Path(__file__).resolve().parent
VIEWER = themes_dir() / "viewer"
node = shutil.which("node")
needs_node = pytest.mark.skipif(node is None, reason="Node isn't installed")


def run_node(script: str) -> str:
    done = subprocess.run([node, "-"], input=script, text=True, capture_output=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@needs_node
def test_motion_and_turning_as_arithmetic() -> None:
    tests = sorted((HERE / "node").glob("viewer-*.test.mjs"))
    done = subprocess.run([node, "--test", *map(str, tests)], text=True, capture_output=True, timeout=120)
    assert done.returncode == 0, done.stdout
    assert int(re.search(r"# pass (\d+)", done.stdout).group(1)) >= 28


def test_every_source_file_is_joined_once() -> None:
    order = (VIEWER / "ORDER").read_text("utf-8").split()
    assert sorted(order) == sorted(file.name for file in VIEWER.glob("*.js"))


def test_script_is_within_its_budget() -> None:
    assert len(gzip.compress(join_viewer().encode(), 9)) <= 9000, "style included"
    assert len(gzip.compress(viewer_css().encode(), 9)) <= 3000


def test_script_is_classic_and_needs_no_loosened_policy() -> None:
    script = join_viewer()
    assert script.startswith("(()=>{'use strict';") and script.isascii()
    strings = "".join(re.findall(r"'[^']*'|\"(?:\\\\.|[^\"])*\"", script))
    assert "data:" not in strings and "blob:" not in strings
    for forbidden in (
        "eval(",
        "new Function",
        "import(",
        "import ",
        "export ",
        'fetch("',
        "XMLHttpRequest",
        "document.cookie",
        "localStorage",
        "sessionStorage",
        "indexedDB",
        "http:",
        "https:",
    ):
        assert forbidden not in script.replace("http://www.w3.org/2000/svg", ""), forbidden


def test_joining_is_repeatable() -> None:
    assert join_viewer() == join_viewer()


@needs_node
def test_joined_script_parses() -> None:
    run_node(f"new (require('vm').Script)({json.dumps(join_viewer())})")


def english() -> dict[str, str]:
    text = (VIEWER / "labels.js").read_text("utf-8")
    return dict(re.findall(r"^  (\w+): '([^']*)',$", text, re.M))


@pytest.mark.parametrize("language", [name for name in viewer_languages() if name != "en"])
def test_languages_say_everything(language: str) -> None:
    labels = viewer_labels(language)
    assert list(labels) == list(english())
    for key, text in english().items():
        assert set(re.findall(r"\{\w+\}", labels[key])) == set(re.findall(r"\{\w+\}", text)), key
        assert labels[key].strip()


def test_two_more_languages_are_shipped() -> None:
    assert len(viewer_languages()) >= 3 and viewer_languages()[0] == "en"


def test_labels_of_a_region_of_english_and_of_nonsense() -> None:
    assert viewer_labels("de-AT") == viewer_labels("de") != None  # noqa: E711
    for language in ("en", "en-GB", "xx", "", "../labels/de", "d/e"):
        assert viewer_labels(language) is None


def test_labels_of_a_theme_win_and_bad_ones_are_named(tmp_path: Path) -> None:
    (tmp_path / "de.json").write_text('{"play": "Los"}', "utf-8")
    assert viewer_labels("de", tmp_path)["play"] == "Los"
    assert viewer_labels("de", tmp_path)["pause"] == viewer_labels("de")["pause"]
    (tmp_path / "en.json").write_text('{"play": "Spin it"}', "utf-8")
    assert viewer_labels("en", tmp_path) == {"play": "Spin it"}
    for text in ("{", "[]", '{"play": 3}'):
        (tmp_path / "de.json").write_text(text, "utf-8")
        with pytest.raises(InputError, match="de.json: "):
            viewer_labels("de", tmp_path)


AWKWARD = {"title": "</script><b>&amp; \u2028 ü 🫖", "frames": [{"angle_deg": 0.5}], "none": None}


def test_block_cannot_end_early_and_says_the_same() -> None:
    block = render_spin_block(AWKWARD)
    assert not set("<>&") & set(block) and block.isascii()
    assert json.loads(block) == AWKWARD


@needs_node
def test_spin_js_hands_over_its_address_before_and_after_the_viewer() -> None:
    script = render_spin_js(AWKWARD)
    out = run_node(f"""
        const document = {{currentScript: {{src: 'https://example.test/pot/spin.js'}}}};
        const early = {{}}, seen = [];
        new Function('window', 'document', {json.dumps(script)})(early, document);
        const later = {{kickSpin: {{push: one => seen.push(one)}}}};
        new Function('window', 'document', {json.dumps(script)})(later, document);
        console.log(JSON.stringify([early.kickSpin, seen]))""")
    entry = {"src": "https://example.test/pot/spin.js", "spin": AWKWARD}
    assert json.loads(out) == [[entry], [entry]]


# ---- slimming: what it must leave alone

KEPT = r"""
// a comment with a 'quote and a /regex/
const a = 1 /* in the way */ + +2, text = 'http://x  //  y', other = "it's /* not */ one"; // end
const regex = /[/"'] \/\/ {2}/g, half = a / 2 / 1;
const minus = a - -1;
let b = a
let c = b
++c
const list = [1, 2, 3]
  .map(x => x * 2)
const { width: wide = 4, a: renamed } = { width: undefined, a: 7 }
const say = (first, { x, y = first } = {}, ...rest) => ({ x, y, rest, first })
function shadow(first) { const inner = list => list.map(first => first + 1); return [first, ...inner(list)] }
class Thing {
  first = 3; list() { const { first } = this; return { first, list: [first] } }
  static b = 2; get c() { return this.first }
}
const tern = a ? b : c, key = { a, b: a, [text]: c };
for (const [i, v] of list.entries()) { if (i) { b += v } else b++ }
try { null.x } catch (error) { b += error.name.length } finally { b++ }
const later = async first => { const second = await first; return { second } };
if (b < 0);
while (b < 0) { if (b); }
return JSON.stringify([a, text, other, regex.source, half, minus, b, c, list, wide, renamed,
  say(1, { x: 2 }, 3, 4), shadow(5), new Thing().list(), Thing.b, new Thing().c, tern, key,
  'a/b'.replace(/\//, '$&'), `t ${a} ${`n ${b} // no`} {`, typeof later])
"""


@needs_node
def test_slimmed_script_means_the_same() -> None:
    run = "console.log(new Function(%s)())"
    slim = slim_script(KEPT)
    assert len(slim) < len(KEPT) * 0.9
    assert run_node(run % json.dumps(slim)) == run_node(run % json.dumps(KEPT))


@needs_node
def test_short_names_mean_the_same() -> None:
    body = KEPT.replace("`t ${a} ${`n ${b} // no`} {`", "'t'")
    body = body.replace("return JSON.stringify(", "answer(JSON.stringify(").replace("typeof later])", "typeof later]))")
    wrapped = f"(() => {{\n'use strict';\n{body}\n}})();\n"
    short = slim_script(wrapped, short=True)
    assert "const{width:" in short and "renamed" not in short and "shadow" not in short and ".first" in short
    run = "const answer = text => console.log(text);\n"
    assert run_node(run + short) == run_node(run + wrapped)


@pytest.mark.parametrize(
    "code",
    [
        "(() => { const a = `${1}`; })();",
        "(() => { var a; })();",
        "const a = 1;",
        "(() => { const a = [1; })();",
    ],
)
def test_code_that_short_names_are_not_made_for_is_refused(code: str) -> None:
    with pytest.raises(ValueError, match="script: "):
        slim_script(code, short=True)


def test_slimmed_style_means_the_same() -> None:
    css = (
        "/* note */\n.a, .b :is(p, q) {\n  width: calc(100% - 2px);\n  color: red;\n}\n"
        "@media (a: b) { :host { x: y } }\n"
    )
    assert slim_style(css) == ".a,.b :is(p,q){width:calc(100% - 2px);color:red}@media (a:b){:host{x:y}}"
