"""A group whose commands are the modules of a package, each imported when it is called."""

from __future__ import annotations

import pkgutil
from importlib import import_module
from types import ModuleType
from typing import Any

import click


class Commands(click.Group):
    """The group whose commands are the modules of a package; each offers ``command``."""

    def __init__(self, *args: Any, package: ModuleType | None = None, **more: Any) -> None:
        """Take the package beside what a group takes."""
        super().__init__(*args, **more)
        if package is None:
            raise TypeError("a group of modules needs its package")
        self._package = package

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of the commands, sorted."""
        found = pkgutil.iter_modules(self._package.__path__)
        return sorted(module.name.rstrip("_").replace("_", "-") for module in found)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command; ``None`` when there is no such command."""
        for module in pkgutil.iter_modules(self._package.__path__):
            if module.name.rstrip("_").replace("_", "-") == cmd_name:
                loaded = import_module(f"{self._package.__name__}.{module.name}")
                if not isinstance(loaded.command, click.Command):
                    raise TypeError(f"{loaded.__name__}.command is not a command")
                return loaded.command
        return None
