"""The command ``desk``: starts the local web app, and says where it is."""

from __future__ import annotations

import secrets
from pathlib import Path

import click

from insole.record import workshop

__all__ = ["desk"]


@click.command()
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8714,
    show_default=True,
    help="Port; 0 takes a free one.",
)
@click.option(
    "--home",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for cases, scans and shoes; ~/.solewright if left out.",
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="Address to listen on; beyond this machine it wants a token.",
)
@click.option(
    "--token",
    default="",
    metavar="TEXT",
    help="Token for other machines, 16 characters or more; else made up.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="NAME",
    help="A name or address under which other machines reach the desk.",
)
@click.option("--no-sample", is_flag=True, help="No sample rider on first start.")
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
@click.option(
    "--back-up",
    type=click.Path(path_type=Path),
    metavar="ZIP",
    help="Instead: write all that the desk keeps into one archive.",
)
@click.option(
    "--restore",
    type=click.Path(path_type=Path),
    metavar="ZIP",
    help="Instead: take such an archive in; what is there stays.",
)
def desk(
    port: int,
    home: Path | None,
    host: str,
    token: str,
    names: tuple[str, ...],
    no_sample: bool,
    no_browser: bool,
    back_up: Path | None,
    restore: Path | None,
) -> None:
    """Open the desk: rider, questions, scans, shoe, support, parts, trial in the browser.

    Everything stays on this machine. Ctrl-C ends it; nothing is lost.
    """
    from insole.errors import InsoleError

    if back_up is not None and restore is not None:
        raise click.UsageError("give --back-up or --restore, not both")
    if back_up is not None or restore is not None:
        _archive((home or workshop.home()).expanduser(), back_up, restore)
        return

    try:
        from insole.desk.guard import LOOPBACK, Rules, is_loopback
        from insole.desk.server import serve
    except ModuleNotFoundError as error:
        raise InsoleError(
            f"the desk wants the package {error.name}; install it with: "
            "pip install 'solewright[desk]'"
        ) from None
    beyond = not is_loopback(host)
    if token and len(token) < 16:
        raise click.UsageError("--token wants 16 characters or more")
    if beyond and not token:
        token = secrets.token_urlsafe(24)
    known = (
        *LOOPBACK,
        *(() if host in ("0.0.0.0", "::") else (host.lower(),)),
        *(name.lower() for name in names),
    )
    rules = Rules(hosts=tuple(dict.fromkeys(known)), token=token)
    serve(
        (home or workshop.home()).expanduser(),
        host,
        port,
        rules,
        with_sample=not no_sample,
        browser=not no_browser,
        say=lambda text: click.echo(text, err=True),
    )


def _archive(home: Path, back_up: Path | None, restore: Path | None) -> None:
    """Write the whole store into an archive, or take one in."""
    from insole.desk import backup
    from insole.desk.store import Home
    from insole.errors import InsoleError

    if back_up is not None:
        if not home.is_dir():
            raise InsoleError(f"there is no store at {home}; give its folder with --home")
        count = backup.back_up(Home(home), back_up)
        click.echo(
            f"{count} cases and what the workshop owns are in {back_up}; keep it locked away"
        )
    if restore is not None:
        if not restore.is_file():
            raise InsoleError(f"there is no file {restore}; check the path")
        found = backup.restore(Home(home), restore)
        click.echo(f"{len(found['cases'])} cases and {len(found['other'])} other files came back")
        if found["kept"]:
            click.echo(f"there already, and left as they are: {', '.join(found['kept'])}")
