"""Commands that are imported when they are asked for: to be a panel for one message takes no console and no Twisted."""

from collections.abc import Mapping
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup


def lazily(commands: Mapping[str, str]) -> type[TyperGroup]:
    """A group that has, after its own, these commands: what each is called, and `module:function` or `module:app`."""

    class Lazily(TyperGroup):
        def list_commands(self, ctx: Any) -> list[str]:
            return [*super().list_commands(ctx), *commands]

        def get_command(self, ctx: Any, cmd_name: str) -> Any:
            if cmd_name not in commands:
                return super().get_command(ctx, cmd_name)
            module, _, name = commands[cmd_name].partition(":")
            found = getattr(import_module(module), name)
            if isinstance(found, typer.Typer):
                found.rich_markup_mode = None
                command: Any = typer.main.get_group(found)
            else:
                alone = typer.Typer(add_completion=False, rich_markup_mode=None)
                alone.command(cmd_name)(found)
                command = typer.main.get_command(alone)
            command.name = cmd_name
            return command

    return Lazily
