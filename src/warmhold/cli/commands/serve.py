"""`warmhold serve`: the pages on this computer, or behind a passcode on a local network."""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
import tomllib
import webbrowser
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.folders import USUAL, usual_folder

if TYPE_CHECKING:
    from warmhold.web.access import Passcodes

_HELP_FILE = (
    "Take the passcodes from this file instead of asking: lines such as "
    'chart = "...", for the roles look, chart and lead. Only needed once for a folder.'
)


@click.command()
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    help=f"Where the record, own units and policies lie, made if not there; else {USUAL}.",
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen on. Beyond this computer only with passcodes.",
)
@click.option("--port", type=click.IntRange(1, 65535), default=8720, show_default=True)
@click.option(
    "--passcode-file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help=_HELP_FILE,
)
@click.option(
    "--browser/--no-browser",
    default=None,
    help="Open the pages in a browser; done by itself when started from a terminal on a desktop.",
)
@click.option(
    "--https", is_flag=True, help="The pages are reached over https, through a proxy of your own."
)
@click.option(
    "--rehearse", metavar="TRIP", help="Follow a shipped trip, simulated, with a hidden fault."
)
@click.option(
    "--speed",
    type=click.FloatRange(1, 600),
    default=60,
    show_default=True,
    help="How many times faster than real time a rehearsal runs.",
)
def command(
    folder: Path | None,
    host: str,
    port: int,
    passcode_file: Path | None,
    browser: bool | None,
    https: bool,
    rehearse: str | None,
    speed: float,
) -> int:
    """Serve the pages: plan, leave, log on the road, hand over.

    Without options only this computer can reach them. A rehearsal keeps its record in a folder of
    its own that is thrown away at the end.
    """
    import uvicorn  # noqa: PLC0415

    from warmhold.exchange.addresses import is_loopback  # noqa: PLC0415
    from warmhold.model import shipped  # noqa: PLC0415
    from warmhold.web.access import Passcodes  # noqa: PLC0415
    from warmhold.web.app import make_app  # noqa: PLC0415
    from warmhold.web.service import Service  # noqa: PLC0415
    from warmhold.web.settings import Settings  # noqa: PLC0415

    if rehearse is not None and rehearse not in shipped("trips"):
        names = ", ".join(shipped("trips"))
        raise click.UsageError(f"--rehearse {rehearse}: no such trip. There are: {names}.")
    if rehearse is not None and folder is not None:
        raise click.UsageError(
            f"--folder {folder} does not go with --rehearse: a rehearsal keeps its record in a "
            "folder of its own, which is thrown away at the end. Leave one of the two out."
        )
    with ExitStack() as stack:
        if rehearse is not None:
            name = tempfile.TemporaryDirectory(
                prefix="warmhold-rehearsal-", ignore_cleanup_errors=True
            )
            folder = Path(stack.enter_context(name))
        folder = folder or usual_folder()
        _make(folder)
        passcodes = _read_passcodes(Passcodes, folder)
        _set_passcodes(passcodes, passcode_file, needed=not is_loopback(host))
        settings = Settings(
            folder=folder,
            host=host,
            port=port,
            rehearse=rehearse or "",
            speed=speed,
            https=https,
            members=200 if rehearse else 1000,
        )
        service = Service(settings)
        app = make_app(settings, service)
        address = _address(host, port)
        click.echo(f"warmhold: open {address} in a browser. Ctrl+C ends it.")
        click.echo(f"The record: {folder.resolve()}")
        if passcodes.roles:
            click.echo(f"Passcodes are asked for; roles: {', '.join(passcodes.roles)}.")
            if not https and not is_loopback(host):
                click.echo(
                    "Caution: without https the passcodes and the record cross the network in "
                    "the clear. Use only a network that you trust."
                )
        config = uvicorn.Config(
            app,
            host=host,
            port=port,
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=5,
            proxy_headers=False,
        )
        server = uvicorn.Server(config)
        if _on_a_desktop() if browser is None else browser:
            _open_when(lambda: server.started, address)
        try:
            server.run()
        except SystemExit as error:
            raise click.ClickException(
                f"could not listen on {host}, port {port}. Is warmhold running already? "
                "Another port: --port 8721."
            ) from error
        if not server.started:
            return status.FAILED
    return status.GO


def _address(host: str, port: int) -> str:
    """Return what to open on this computer; an address for all is reached as this one."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def _on_a_desktop() -> bool:
    """Whether somebody sits before a terminal on a desktop."""
    windows = sys.platform in {"darwin", "win32"} or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
    return windows and sys.stdout.isatty()


def _open_when(ready: Callable[[], bool], address: str) -> None:
    """Open the pages as soon as they are served; a browser that is missing is no fault."""

    def wait() -> None:
        for _ in range(600):
            if ready():
                webbrowser.open(address)
                return
            time.sleep(0.1)

    threading.Thread(target=wait, daemon=True).start()


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.ClickException(
            f"the folder {folder} cannot be made: {error.strerror}. Name another: --folder DIR."
        ) from error


def _read_passcodes(kind: type[Passcodes], folder: Path) -> Passcodes:
    try:
        return kind(folder)
    except (OSError, ValueError, KeyError, AttributeError) as error:
        raise click.ClickException(
            f"{folder / 'passcodes.json'} cannot be read. Mend it, or take it away and give the "
            "passcodes anew."
        ) from error


def _set_passcodes(passcodes: Passcodes, file: Path | None, needed: bool) -> None:
    """Take passcodes from a file or the terminal when they are needed and not there yet."""
    from warmhold.web.access import ROLE_MEANING, ROLES  # noqa: PLC0415

    if file is not None:
        try:
            given = tomllib.loads(file.read_text("utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise click.UsageError(f"--passcode-file {file}: {error}") from error
        odd = [key for key in given if key not in ROLES or not isinstance(given[key], str)]
        if odd or not given:
            raise click.UsageError(
                f'--passcode-file {file}: lines such as chart = "..." for the roles '
                f"{', '.join(ROLES)}" + (f"; not {', '.join(odd)}." if odd else ".")
            )
        codes = {role: given[role] for role in ROLES if role in given}
    elif needed and not passcodes.roles:
        click.echo("Beyond this computer warmhold asks for a passcode. Each role has its own:")
        codes = {}
        for role in ROLES:
            code = _ask(f"  {role} ({ROLE_MEANING[role]}; empty: nobody)")
            while code and _ask("  once more") != code:
                click.echo("  The two differ.")
                code = _ask(f"  {role}")
            if code:
                codes[role] = code
        if not codes:
            raise click.UsageError("Without a passcode warmhold serves this computer only.")
    else:
        return
    if not set(codes) & {"chart", "lead"}:
        raise click.UsageError("At least chart or lead needs a passcode, or nobody could write.")
    try:
        passcodes.store(codes)
    except ValueError as error:
        raise click.UsageError(f"{str(error).capitalize()}.") from error


def _ask(what: str) -> str:
    return str(click.prompt(what, hide_input=True, default="", show_default=False))
