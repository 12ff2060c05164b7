"""What is written for people agrees with the program."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from handsfree import cli
from tests import diagram

ROOT = Path(__file__).parent.parent


def commands(group: click.Group, path: tuple[str, ...] = ()):
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield (*path, name), command
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))


ALL = list(commands(cli.handsfree))


@pytest.mark.parametrize(("path", "command"), ALL, ids=[" ".join(path) for path, _ in ALL])
def test_every_command_has_help_with_an_example_and_help_for_every_option(path, command):
    assert f"handsfree {' '.join(path)}" in command.help
    assert "Example:" in command.help
    assert all(option.help for option in command.params if isinstance(option, click.Option))


@pytest.mark.parametrize(("path", "command"), ALL, ids=[" ".join(path) for path, _ in ALL])
def test_every_command_is_in_the_readme(path, command):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.search(rf"(`|handsfree\s){' '.join(path)}\b", text)


def test_the_list_of_commands_says_what_each_says_itself():
    for name, line in cli.COMMANDS.items():
        command = cli.handsfree.get_command(click.Context(cli.handsfree), name)
        assert command.name == name
        assert command.help.splitlines()[0] == line
        assert len(line) < 80


def test_the_diagram_is_drawn_from_the_table_as_it_is():
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert diagram.rewritten(page) == page, "run python -m tests.diagram"


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_links_to_files_lead_somewhere(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\((?!https?:)([^)#]+)\)", text):
        assert (ROOT / target).exists(), target


def test_the_readme_names_the_presets_with_their_numbers():
    from handsfree.core.plan import PRESETS

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in PRESETS:
        assert f"`{name}`" in text
