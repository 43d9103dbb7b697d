"""A desk with its page, as a test asks it, without a browser and without a port."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx
from starlette.types import ASGIApp

from otdravg.serve.app import application
from otdravg.serve.desk import Desk, Setting
from otdravg.serve.guard import Guard, Keys

PORT = 4711
HOST = f"127.0.0.1:{PORT}"
SAMPLES = Path(__file__).parents[2] / "sample_traces"


class Browser:
    """Asks an application as a browser does that keeps its cookies and follows nothing."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app
        self.headers: dict[str, str] = {}
        self.cookies = httpx.Cookies()

    def request(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Ask once."""
        own = more.pop("headers", {})

        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(
                transport=transport, base_url=f"http://{HOST}", cookies=self.cookies
            ) as client:
                headers = {**self.headers, **own}
                answer = await client.request(method, path, headers=headers, **more)
                self.cookies = client.cookies
                return answer

        return asyncio.run(ask())

    def get(self, path: str, **more: Any) -> httpx.Response:
        """Ask for something."""
        return self.request("GET", path, **more)

    def post(self, path: str, **more: Any) -> httpx.Response:
        """Ask for something to be done."""
        return self.request("POST", path, **more)

    def put(self, path: str, **more: Any) -> httpx.Response:
        """Hand something over."""
        return self.request("PUT", path, **more)


def opened(
    folder: Path | None = None,
    given: Sequence[Path] = (),
    setting: Setting | None = None,
    job_file: Path | None = None,
) -> tuple[Browser, Desk]:
    """Open the page in a folder of its own; the client has used the token."""
    home = folder or Path(tempfile.mkdtemp())
    dropped = home / "dropped"
    dropped.mkdir()
    desk = Desk(dropped, given, home / "decisions.csv", setting or Setting(), job_file=job_file)
    keys = Keys()
    client = Browser(Guard(application(desk), keys, PORT, lambda: desk.setting.language))
    client.get(f"/?token={keys.token}")
    client.headers["Origin"] = f"http://{HOST}"
    return client, desk


def drop(client: Browser, *paths: Path) -> None:
    """Drop files under their names."""
    for path in paths:
        answer = client.put(f"/files/{path.name}", content=path.read_bytes())
        assert answer.status_code == 200, answer.text


def look(client: Browser, desk: Desk) -> dict[str, Any]:
    """Measure and judge, and wait until it is done."""
    assert client.post("/look", json={}).status_code == 200
    desk.wait()
    return dict(client.get("/state").json())
