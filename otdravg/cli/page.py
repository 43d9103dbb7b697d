"""``otdravg page``: a page in the browser of this machine, for those without a terminal."""

from __future__ import annotations

import os
import socket
import tempfile
import webbrowser
from contextlib import suppress
from pathlib import Path

import click
import uvicorn

from otdravg.cli.options import FilePath, files_argument, language_option, max_size_option
from otdravg.cli.stated import job_option
from otdravg.cli.terminal import print_text
from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.serve.app import application
from otdravg.serve.desk import Desk, Setting
from otdravg.serve.guard import Guard, Keys
from otdravg.sor.sizes import SizeLimits
from otdravg.system.workers import local_workers, room_for_workers
from otdravg.words.catalogue import Language

#: The loopback interface: no other machine reaches it (RFC 1122, 3.2.1.3).
_HERE = "127.0.0.1"


@click.command()
@files_argument("folders", "[FOLDER...]", required=False)
@job_option
@click.option(
    "--decisions",
    metavar="FILE",
    type=FilePath,
    default=Path("otdravg-decisions.csv"),
    help="Where decisions are added. Default: otdravg-decisions.csv, here.",
)
@click.option("--port", metavar="N", type=click.IntRange(0, 65535), default=0, help="Default: any.")
@click.option("--no-browser", is_flag=True, help="Only print the address, open no window.")
@language_option
@max_size_option
def page(
    folders: tuple[Path, ...],
    *,
    job_file: Path | None,
    decisions: Path,
    port: int,
    no_browser: bool,
    language: Language | None,
    size_limits: SizeLimits,
) -> None:
    """Open a page in the browser: drop shots into it, read the answer, write the closeout.

    The page is served by this machine to itself; nothing leaves it. FOLDER, or a zip archive, is
    read and never written to. Ctrl-C ends it; what was dropped is deleted then.

    \b
    otdravg page
    otdravg page shots
    otdravg page --job ridge-7.toml
    """
    missing = [path for path in folders if not path.exists()]
    if missing:
        raise BadSetting("folder", str(missing[0]), says("none-of-name"))
    room = room_for_workers(size_limits.points)
    with (
        tempfile.TemporaryDirectory(prefix="otdravg-") as own,
        local_workers(room.workers) as executor,
        _listening(port) as listener,
    ):
        # Beside other folders its name stands in front of its files.
        dropped = Path(own) / "dropped"
        dropped.mkdir()
        desk = Desk(
            dropped,
            folders,
            decisions,
            Setting(language=language or Language.ENGLISH),
            executor,
            size_limits,
            job_file,
        )
        keys, port = Keys(), listener.getsockname()[1]
        address = f"http://{_HERE}:{port}/?token={keys.token}"
        print_text(
            f"{address}\nThe address works once, on this machine alone. Ctrl-C ends the page.\n"
        )
        if job_file is not None and not desk.has_job:
            print_text(f"{job_file} is not there yet; it can be written in the page.\n")
        if not no_browser:
            webbrowser.open(address)
        settings = uvicorn.Config(
            Guard(application(desk), keys, port, lambda: desk.setting.language),
            lifespan="off", log_level="critical", access_log=False, server_header=False,
            timeout_graceful_shutdown=1,
        )  # fmt: skip
        with suppress(KeyboardInterrupt):
            uvicorn.Server(settings).run(sockets=[listener])
        desk.stop_following()


def _listening(port: int) -> socket.socket:
    """Take a port of the loopback interface.

    Raises
    ------
    BadSetting
        If another program has it.
    """
    try:
        # From here on the system holds whoever comes before the server runs.
        return socket.create_server((_HERE, port))
    except OSError as error:
        why = os.strerror(error.errno or 0)
        raise BadSetting("port", port, says("leave-port-out", why=why)) from error
