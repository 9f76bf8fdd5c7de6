"""Docs that can fail: every command, option and key is in README, and what README shows is real."""

from __future__ import annotations

import re
from pathlib import Path

import click

from builder.catalog import json_schema
from builder.catalog.declaration import TABLES, key_names
from builder.catalog.table import key_table
from builder.cli import kickwheel

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def test_every_command_and_option_is_documented_and_has_help():
    for name, command in kickwheel.commands.items():
        assert command.help, name
        assert f"`kickwheel {name}" in README, name
        for option in command.params:
            if isinstance(option, click.Option) and option.name not in ("quiet", "jobs"):
                assert any(f"`{opt}" in README or f" {opt}" in README for opt in option.opts), (name, option.opts)


def test_table_of_keys_is_the_declaration():
    assert key_table().rstrip() in README
    for model in TABLES.values():
        for key in key_names(model):
            assert key in README


def test_schema_names_every_key():
    schema = json_schema()
    assert set(schema["$defs"]["Item"]["properties"]) == set(key_names(TABLES["item"]))


def test_every_dependency_is_in_the_table():
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    table = DEVELOPERS.split("## Dependencies")[1]
    for requirement in project["dependencies"] + project["optional-dependencies"]["test"]:
        name = re.split(r"[<>=\[]", requirement)[0]
        assert name in table, name


def test_links_in_the_docs_lead_somewhere():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            if not target.startswith("http"):
                assert (ROOT / target).exists(), target


def test_readme_opens_with_the_job_and_has_a_picture_before_the_commands():
    first = README.split("\n\n")[1]
    assert "turntable photos" in first
    assert README.index("![") < README.index("```sh")
