"""The command ``desk``: starts the local web app, and says where it is."""

from __future__ import annotations

import secrets
from pathlib import Path

import click

__all__ = ["desk"]

HOME = Path("~/.solewright")


@click.command()
@click.option("--port", type=click.IntRange(0, 65535), default=8714, show_default=True,
              help="Port; 0 takes a free one.")  # fmt: skip
@click.option("--home", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder for cases, scans and shoes; ~/.solewright if left out.")  # fmt: skip
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
              help="Address to listen on; beyond this machine it wants a token.")  # fmt: skip
@click.option("--token", default="", metavar="TEXT",
              help="Token for other machines, 16 characters or more; else made up.")  # fmt: skip
@click.option("--name", "names", multiple=True, metavar="NAME",
              help="A name or address under which other machines reach the desk.")  # fmt: skip
@click.option("--no-sample", is_flag=True, help="No sample rider on first start.")
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
def desk(
    port: int, home: Path | None, host: str, token: str, names: tuple[str, ...],
    no_sample: bool, no_browser: bool,
) -> None:  # fmt: skip
    """Open the desk: rider, questions, scans, shoe, support, parts, trial in the browser.

    Everything stays on this machine. Ctrl-C ends it; nothing is lost.
    """
    from insole.errors import InsoleError

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
    known = (*LOOPBACK, *(() if host in ("0.0.0.0", "::") else (host.lower(),)),
             *(name.lower() for name in names))  # fmt: skip
    rules = Rules(hosts=tuple(dict.fromkeys(known)), token=token)
    serve(
        (home or HOME).expanduser(), host, port, rules,
        with_sample=not no_sample, browser=not no_browser,
        say=lambda text: click.echo(text, err=True),
    )  # fmt: skip
